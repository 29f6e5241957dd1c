"""The shipped sample: stable bytes, one audit in two forms, and bad rows counted.

The raw folder is read here by a small plain reader of its own, driven by its
`dossier.yaml`; what that reader cannot turn into a row of the contract counts
as set aside.
"""

from __future__ import annotations

import csv
import fnmatch
import io
import json
import re
import zipfile
from collections import Counter
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import canonicalize
from zoneinfo import ZoneInfo

import numpy as np
import openpyxl
import pytest
import yaml

from auditkit.simulate import DEFAULT_TRUTH, write_sample
from auditkit.simulate.audit import COLUMNS
from auditkit.units import convert

ROOT = Path(__file__).parents[2]
SAMPLE = ROOT / "sample_data"
Row = tuple[object, ...]


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("sample")
    write_sample(folder)
    return folder


def files_below(folder: Path) -> dict[str, bytes]:
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@cache
def contract(record: str) -> dict[str, Any]:
    loaded: dict[str, Any] = yaml.safe_load((ROOT / "schemas" / f"{record}.yaml").read_text(encoding="utf-8"))
    return loaded


@cache
def clean_rows(record: str) -> Counter[Row]:
    """Return the rows of one clean table: numbers as floats, moments as UTC, blanks as None."""
    with (SAMPLE / "clean" / f"{record}.csv").open(encoding="utf-8", newline="") as file:
        reader = csv.DictReader(file)
        assert reader.fieldnames == list(COLUMNS[record])
        return Counter(tuple(plain_value(record, column, row[column]) for column in COLUMNS[record]) for row in reader)


def plain_value(record: str, column: str, text: str) -> object:
    kind = COLUMNS[record][column]
    if text == "":
        return None
    if kind == "moment":
        return datetime.fromisoformat(text).astimezone(ZoneInfo("UTC"))
    return text if kind in {"str", "boolean"} else float(text)


def raw_cells(entry: dict[str, Any]) -> list[list[object]]:
    path = SAMPLE / "raw" / entry["file"]
    if path.suffix == ".xlsx":
        sheet = openpyxl.load_workbook(path)[entry["sheet"]]
        return [list(row) for row in sheet.iter_rows(values_only=True)][entry.get("header_line", 1) - 1 :]
    text = path.read_bytes().decode(entry.get("encoding", "utf-8-sig"))
    delimiter = entry.get("delimiter") or max(",;\t|", key=text.splitlines()[0].count)
    return [list(row) for row in csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)]


@cache
def raw_rows(record: str) -> tuple[Counter[Row], int]:
    """Return the rows of the raw files that read as rows of the contract, and how many do not."""
    declared = yaml.safe_load((SAMPLE / "raw" / "dossier.yaml").read_text(encoding="utf-8"))
    entries = [entry for entry in declared["tables"] if entry["record"] == record]
    if not entries:
        entries = [{"file": f"{record}.csv"}]
    rows: Counter[Row] = Counter()
    unreadable = 0
    for entry in entries:
        header, *lines = raw_cells(entry)
        for line in lines:
            if len(line) != len(header):
                unreadable += 1
                continue
            for given in laid_out(entry, dict(zip([str(name) for name in header], line, strict=True))):
                try:
                    rows[tuple(value_of(record, entry, given, column) for column in COLUMNS[record])] += 1
                except (ValueError, TypeError, KeyError):
                    unreadable += 1
    return rows, unreadable


def laid_out(entry: dict[str, Any], line: dict[str, object]) -> list[dict[str, object]]:
    """Return the rows of a line by contract column: renamed, joined, and one for each reading."""
    renamed = {entry.get("columns", {}).get(header, header): value for header, value in line.items()}
    for column, (day, time) in entry.get("join", {}).items():
        renamed[column] = f"{line[day]} {line[time]}"
    renamed |= entry.get("constants", {})
    if "wide" not in entry:
        return [renamed]
    rows = []
    for header, value in line.items():
        named = re.fullmatch(entry["wide"]["pattern"], header)
        if named and value not in ("", None):
            rows.append(renamed | named.groupdict() | {entry["wide"]["value"]: value})
    return rows


def value_of(record: str, entry: dict[str, Any], given: dict[str, object], column: str) -> object:
    about = contract(record)
    checks = about["columns"][column].get("checks", {})
    value = given[column]
    if value is None or value == "" or value in entry.get("missing", []):
        if not about["columns"][column]["nullable"]:
            raise ValueError(column)
        return None
    value = entry.get("values", {}).get(column, {}).get(value, value)
    if "isin" in checks and value not in checks["isin"]:
        raise ValueError(value)
    kind = COLUMNS[record][column]
    if kind == "moment":
        return moment_of(value)
    if kind in {"str", "boolean"}:
        return value
    number = float(str(value).replace(entry.get("decimal", "."), "."))
    unit = about["metadata"]["auditkit"]["columns"][column]
    if column in entry.get("units", {}):
        number = float(convert(np.array([number]), entry["units"][column], unit["unit"], decimals=unit["decimals"])[0])
    limits = checks.get("in_range", {})
    if not limits.get("min_value", -np.inf) <= number <= limits.get("max_value", np.inf):
        raise ValueError(number)
    return number


def moment_of(value: object) -> datetime:
    if isinstance(value, datetime):
        local = value
    elif "T" in str(value):
        local = datetime.fromisoformat(str(value))
    else:
        local = datetime.strptime(str(value).replace("/", "."), "%d.%m.%Y %H:%M")
    zoned = local if local.tzinfo else local.replace(tzinfo=ZoneInfo(DEFAULT_TRUTH.time_zone))
    return zoned.astimezone(ZoneInfo("UTC"))


def test_the_same_seed_writes_the_same_bytes(written: Path, tmp_path: Path) -> None:
    write_sample(tmp_path)
    once, twice = files_below(written), files_below(tmp_path)
    assert once.keys() == twice.keys()
    assert [name for name in once if once[name] != twice[name]] == []


def test_the_shipped_sample_is_what_the_code_writes(written: Path) -> None:
    fresh, shipped = files_below(written), files_below(SAMPLE)
    assert fresh.keys() == shipped.keys()
    assert [name for name in fresh if fresh[name] != shipped[name]] == []


def test_the_sample_is_small() -> None:
    files = files_below(SAMPLE)
    assert sum(len(content) for content in files.values()) < 3_000_000
    assert 10 <= len([name for name in files if name.startswith("raw/")]) <= 20


@pytest.mark.parametrize("record", sorted(COLUMNS))
def test_every_clean_row_stands_in_the_raw_files_to_the_last_bit(record: str) -> None:
    clean = clean_rows(record)
    raw, _ = raw_rows(record)
    assert clean.total() == len(clean)  # no row twice
    assert sorted(map(str, clean - raw)) == []


@pytest.mark.parametrize("record", sorted(COLUMNS))
def test_whatever_else_stands_there_is_a_bad_row_that_truth_counts(record: str) -> None:
    truth = json.loads((SAMPLE / "truth.json").read_text(encoding="utf-8"))["dirt"]["by_record"][record]
    raw, unreadable = raw_rows(record)
    readable_but_extra = (raw - clean_rows(record)).total()
    assert unreadable + readable_but_extra == sum(truth.values())
    # rows that read well by themselves and fall to a row rule, a link, or as repeats
    assert readable_but_extra == sum(truth.get(rule, 0) for rule in ("row rule", "link", "repeated key"))


def test_bad_rows_are_forty_to_seventy_and_of_every_kind() -> None:
    dirt = json.loads((SAMPLE / "truth.json").read_text(encoding="utf-8"))["dirt"]
    rules = Counter[str]()
    for counts in dirt["by_record"].values():
        rules.update(counts)
    assert 40 <= dirt["rows"] <= 70
    assert dirt["rows"] == rules.total() == sum(line["rows"] for line in dirt["lines"])
    words = ["type", "range", "choice", "missing", "ambiguous", "row rule", "repeated key", "link", "shape"]
    assert sorted(rules) == sorted(words)


def test_every_raw_file_is_declared_ignored_or_in_contract_columns() -> None:
    declared = yaml.safe_load((SAMPLE / "raw" / "dossier.yaml").read_text(encoding="utf-8"))
    entries = [*declared["tables"], *declared["pressure_logs"]]
    patterns = [entry["file"] for entry in entries] + declared["ignore"]
    left = [
        path.name
        for path in (SAMPLE / "raw").iterdir()
        if path.name != "dossier.yaml" and not any(fnmatch.fnmatch(path.name, pattern) for pattern in patterns)
    ]
    assert left == ["jobs.csv"]


def test_clean_numbers_read_back_to_the_last_bit(shipped: Any) -> None:
    with (SAMPLE / "clean" / "film_readings.csv").open(encoding="utf-8", newline="") as file:
        read = [float(row["dft_um"]) for row in csv.DictReader(file)]
    assert read == shipped.tables["film_readings"]["dft_um"].tolist()


@pytest.mark.parametrize("name", ["runs", "readings_G1", "study"])
def test_spreadsheets_are_canonical_xml_whatever_library_wrote_them(name: str) -> None:
    with zipfile.ZipFile(SAMPLE / "raw" / f"{name}.xlsx") as book:
        parts = {part: book.read(part).decode("utf-8") for part in book.namelist()}
    assert len(parts) > 5
    # Canonical XML 2.0 of the standard library; a canonical text is its own canonical form
    assert [part for part, text in parts.items() if canonicalize(text) != text] == []
