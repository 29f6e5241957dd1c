import hashlib
import shutil
from pathlib import Path

import pandera.pandas as pa
import pytest

from auditkit.contracts import contract, load_contracts
from auditkit.errors import ContractError
from auditkit.paths import schemas_folder

PAIR = """\
schema_type: dataframe
version: 0.35.0
name: parts
title: Parts
description: Parts.
strict: true
coerce: false
columns:
  part_id:
    title: Part
    description: Part.
    dtype: str
    nullable: false
    required: true
    checks: {str_length: {min_value: 1, max_value: 5}}
  wear_um:
    title: Wear
    description: Wear.
    dtype: float64
    nullable: true
    required: true
    checks: {in_range: {min_value: 0.0, max_value: 10.0}}
  state:
    title: State
    description: State.
    dtype: str
    nullable: true
    required: true
    checks: {isin: [good, worn]}
metadata:
  auditkit:
    version: 1
    grain: one part
    key: [part_id]
    links: []
    rules:
      - {rule: any_of, columns: [wear_um, state], holds: one must be given, cure: give one}
    columns:
      part_id: {example: P1}
      wear_um: {unit: um, decimals: 1, example: 5}
      state: {example: good}
"""


def write_parts(folder: Path, *changes: tuple[str, str]) -> Path:
    text = PAIR
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    (folder / "parts.yaml").write_text(text, encoding="utf-8")
    return folder


def test_every_shipped_contract_loads_and_compiles():
    contracts = load_contracts()
    assert len(contracts) == 13
    for name, each in contracts.items():
        schema = each.schema()
        assert isinstance(schema, pa.DataFrameSchema)
        assert schema.name == name == each.name
        assert tuple(schema.columns) == each.names
        assert schema.strict is True
        assert schema.coerce is False


def test_bounds_and_words_are_those_pandera_compiled():
    for each in load_contracts().values():
        for column in each.columns:
            checks = each.schema().columns[column.name].checks
            if column.choices:
                assert tuple(checks[0].statistics["allowed_values"]) == column.choices
            if column.minimum is not None:
                expected = {"min_value": column.minimum, "max_value": column.maximum}
                assert checks[0].statistics | expected == checks[0].statistics
            assert each.schema().columns[column.name].nullable == column.nullable


def test_digest_is_that_of_the_file():
    raw = (schemas_folder() / "jobs.yaml").read_bytes()
    assert contract("jobs").digest == hashlib.sha256(raw).hexdigest()


def test_kinds_follow_dtype_and_checks():
    kinds = {column.name: column.kind for column in contract("startup_checks").columns}
    assert kinds["unit_id"] == "text"
    assert kinds["shift"] == "choice"
    assert kinds["grounds_separate"] == "yes-no"
    assert kinds["checked_at"] == "moment"
    assert kinds["warm_up_s"] == "number"
    assert contract("film_readings").column("spot").kind == "integer"


def test_unknown_column_names_those_known():
    with pytest.raises(KeyError, match=r"jobs has no column 'job'; it has job_id, site"):
        contract("jobs").column("job")


def test_unknown_record_names_the_near_match():
    with pytest.raises(ContractError, match=r"^'job' is no kind of record; write 'jobs', if that is what is meant\.$"):
        contract("job")
    with pytest.raises(ContractError, match=r"known are areas, defects"):
        contract("zzz")


def test_other_declarations_in_the_folder_are_left_alone(tmp_path):
    write_parts(tmp_path)
    (tmp_path / "figures.yaml").write_text("levels: [1, 2]\n", encoding="utf-8")
    loaded = load_contracts(tmp_path)
    assert list(loaded) == ["parts"]
    assert loaded["parts"].column("wear_um").decimals == 1


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (
            ("columns:\n  part_id", "colums:\n  part_id"),
            r"parts.yaml, colums: must be a key known here .*Write 'columns'",
        ),
        (("schema_type: dataframe", "shema_type: dataframe"), r"parts.yaml, shema_type: .*Write 'schema_type'"),
        (
            ("dtype: float64", "dtype: float"),
            r"parts.yaml, columns.wear_um.dtype: must be one of str, float64.*given 'float'",
        ),
        (("in_range: {min_value", "in_rage: {min_value"), r"columns.wear_um.checks.in_rage: .*Write 'in_range'"),
        (("min_value: 0.0, max", "min: 0.0, max"), r"checks.in_range: must have min_value"),
        (("isin: [good, worn]", "isin: [yes, worn]"), r"columns.state.checks.isin\[1\]: must be text; given True"),
        (("strict: true", "strict: false"), r"parts.yaml, strict: must be True"),
        (("rule: any_of", "rule: any_off"), r"rules\[1\].rule: must be one of ordered.*Write 'any_of'"),
        (("unit: um", "units: um"), r"metadata.auditkit.columns.wear_um.units: .*Write 'unit'"),
        (("unit: um", "unit: furlong"), r"columns.wear_um: must have a known unit; given furlong"),
        (("{unit: um, decimals: 1, ", "{unit: um, "), r"unit and decimals must come together"),
        (("{example: good}", "{unit: um, decimals: 1, example: good}"), r"columns.state: choice must have no unit"),
        (("example: 5}", "example: 50}"), r"columns.wear_um: its example must pass its own checks; given 50"),
        (("example: good", "example: fair"), r"columns.state: its example must pass its own checks; given fair"),
        (("example: P1", "example: P12345"), r"columns.part_id: its example must pass its own checks"),
        (("key: [part_id]", "key: [part_no]"), r"auditkit.key: must name a column .* given part_no. Write 'part_id'"),
        (("key: [part_id]", "key: [state]"), r"columns.state: must be required and never blank, being in the key"),
        (("[wear_um, state], holds", "[wear_um, stat], holds"), r"rules\[1\]: must name a column .* given stat"),
        (("rule: any_of", "rule: after"), r"rules\[1\]: after must have two moments; given number, choice"),
        (("rule: any_of", "rule: at_most_by"), r"rules\[1\]: must have a limit for each of good, worn; given none"),
        (("holds: one", "limits: {good: 1}, holds: one"), r"rules\[1\]: any_of must have no limits"),
        (("      state: {example: good}\n", ""), r"metadata.auditkit.columns: must tell about column state"),
        (
            ("      state: {exam", "      stat: {example: x}\n      state: {exam"),
            r"auditkit.columns: must name a column .* given stat\.",
        ),
        (("links: []", "links: [{column: state, to: jobs.job_id}]"), r"auditkit.links: must lead to a contract"),
        (("links: []", "links: [{column: state, to: parts.state}]"), r"must lead to the key of parts \(part_id\)"),
        (("links: []", "links: [{column: wear_um, to: parts.part_id}]"), r"must join columns of one dtype"),
        (
            ("min_value: 0.0, max_value: 10.0", "min_value: 11.0, max_value: 10.0"),
            r"min_value must not exceed max_value",
        ),
        (
            ("{isin: [good, worn]}", "{isin: [good, worn], str_length: {min_value: 1, max_value: 4}}"),
            r"choice must have no check str_length",
        ),
        (("name: parts", "name: pieces"), r"parts.yaml, name: must be the name of the file; given pieces. Write parts"),
        (
            ("title: Parts", "title: Parts\ntitle: Pieces"),
            r"parts.yaml: must be YAML that can be read; given .*key 'title' is given twice",
        ),
        (("title: Parts", "title: [Parts"), r"parts.yaml: must be YAML that can be read"),
    ],
)
def test_what_is_unknown_or_contradictory_is_refused(tmp_path, change, message):
    with pytest.raises(ContractError, match=message):
        load_contracts(write_parts(tmp_path, change))


def test_all_faults_come_at_once(tmp_path):
    write_parts(tmp_path, ("strict: true", "strct: true"), ("unit: um", "units: um"))
    (tmp_path / "worse.yaml").write_text("columns: 3\n", encoding="utf-8")
    with pytest.raises(ContractError) as caught:
        load_contracts(tmp_path)
    text = str(caught.value)
    for part in ("parts.yaml, strct", "must have strict", "wear_um.units", "worse.yaml, columns"):
        assert part in text


def test_a_misspelt_key_in_any_shipped_contract_is_refused(tmp_path):
    for path in schemas_folder().iterdir():
        shutil.copy(path, tmp_path / path.name)
    text = (tmp_path / "areas.yaml").read_text(encoding="utf-8")
    (tmp_path / "areas.yaml").write_text(text.replace("nullable: true", "nulable: true", 1), encoding="utf-8")
    with pytest.raises(ContractError, match=r"areas.yaml, columns.description.nulable: .*Write 'nullable'"):
        load_contracts(tmp_path)


def test_a_folder_without_contracts_is_refused(tmp_path):
    with pytest.raises(ContractError, match="must hold at least one contract"):
        load_contracts(tmp_path)
