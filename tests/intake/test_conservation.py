"""Nothing is lost: whatever stands in a file is accepted or set aside, and a bad row takes no good one with it."""

import csv
import io
import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from auditkit.intake import assembly, read_dossier
from auditkit.intake import ledger as ledger_module

HEAD = ["area_id", "side", "spot", "repeat", "dft_um", "gauge_id", "taken_at"]
JOBS = (
    "job_id,site,coating,film_min_um,film_nominal_um,film_max_um,film_reverse_min_um,acceptance_rule,"
    "restriction_level,wrap_min_pct,volume_solids_pct,thinner,thinner_pct\n"
    "J1,Quay,Finish,60,80,160,40,sspc-pa-2,3,70,48,T,10\n"
)
AREAS = (
    "area_id,job_id,description,geometry,size_m2,substrate,surface_profile\n"
    "A1,J1,rail,tube,3.6,steel,fine\nA2,J1,door,flat,2,steel,fine\nA3,JX,door,flat,2,steel,fine\n"
)

cells = {
    "area_id": st.sampled_from(["A1", "A2", "A3", "A9", "", "A\x071", "A1\nA2"]),
    "side": st.sampled_from(["facing", "Reverse", "lee", ""]),
    "spot": st.sampled_from(["1", "2", "2.0", "2.5", "0", "x", ""]),
    "repeat": st.sampled_from(["1", "2", "99999999"]),
    "dft_um": st.sampled_from(["74.5", "80", "-1", "1,234", "3,5", "62 um", "nan", "", "\u0667"]),
    "gauge_id": st.sampled_from(["G1", ' "G1" ', "", ","]),
    "taken_at": st.sampled_from(
        ["", "2027-01-13T09:05:00+01:00", "2027-01-13 09:05", "03/04/2027 9:00", "2027-02-30T09:05Z"]
    ),
}
good = st.tuples(
    st.sampled_from(["A1", "A2"]), st.sampled_from(["facing", "reverse"]), st.integers(1, 9), st.integers(1, 3)
).map(lambda key: [*map(str, key), "74.5", "G1", ""])
bad = st.tuples(*(cells[name] for name in HEAD)).map(list)
any_row = st.one_of(good, bad, st.lists(st.sampled_from(["A1", "1", ""]), max_size=9))


def folder_of(rows, folder):
    text = io.StringIO(newline="")
    csv.writer(text).writerows([HEAD, *rows])
    (folder / "readings.csv").write_bytes(text.getvalue().encode("utf-8"))
    (folder / "jobs.csv").write_text(JOBS, encoding="utf-8")
    (folder / "areas.csv").write_text(AREAS, encoding="utf-8")
    return folder


@settings(max_examples=30, deadline=None)
@given(st.lists(any_row, max_size=12))
def test_accepted_and_set_aside_are_what_was_read(rows):
    with tempfile.TemporaryDirectory() as name:
        dossier = read_dossier(folder_of(rows, Path(name)))
    records = [row for row in rows if any(cell.strip() for cell in row)]
    about = dossier.files.set_index("file").loc["readings.csv"]
    ledger = dossier.ledger[dossier.ledger["record"] == "film_readings"]
    assert about["read"] == len(records)
    assert about["accepted"] == dossier.rows["film_readings"]
    assert about["set_aside"] == ledger["row_no"].nunique()
    assert about["accepted"] + about["set_aside"] == about["read"]
    kept = set(dossier.lineage["film_readings"]["line"])
    fallen = set(ledger["line"])
    assert len(kept) == about["accepted"]
    assert not kept & fallen
    assert len(kept | fallen) == len(records)
    assert ledger["fault_id"].is_unique
    assert set(ledger["rule"]) <= {"type", "range", "choice", "missing", "ambiguous", "repeated key", "link", "shape"}


@settings(max_examples=15, deadline=None)
@given(
    st.lists(good, max_size=8, unique_by=lambda row: tuple(row[:4])),
    st.lists(st.tuples(st.integers(0, 8), st.sampled_from(["-1", "62 um", "1,234", "x", ""])), max_size=6),
)
def test_a_bad_row_takes_no_good_one_with_it(rows, bad_rows):
    mixed = [*rows]
    for place, cell in bad_rows:
        mixed.insert(place, ["A1", "facing", "1", "1", cell, "G1", ""])
    with tempfile.TemporaryDirectory() as one, tempfile.TemporaryDirectory() as two:
        clean = read_dossier(folder_of(rows, Path(one)))
        dirty = read_dossier(folder_of(mixed, Path(two)))
    assert dirty.tables["film_readings"].equals(clean.tables["film_readings"])
    assert dirty.digest() == clean.digest()
    assert dirty.ledger["row_no"].nunique() == clean.ledger["row_no"].nunique() + len(bad_rows)


@settings(max_examples=10, deadline=None)
@given(st.lists(any_row, max_size=8), st.randoms(use_true_random=False))
def test_the_order_of_rows_does_not_matter(rows, random):
    shuffled = random.sample(rows, len(rows))
    with tempfile.TemporaryDirectory() as one, tempfile.TemporaryDirectory() as two:
        assert (
            read_dossier(folder_of(rows, Path(one))).digest() == read_dossier(folder_of(shuffled, Path(two))).digest()
        )


def test_a_count_that_does_not_come_out_even_stops_the_program(read, sound, monkeypatch):
    monkeypatch.setattr(ledger_module, "_set_aside", lambda rows, part, start: 1)
    with pytest.raises(RuntimeError, match=r"areas.csv: 2 rows accepted and 1 set aside are not 2 read"):
        read(sound)
    assert assembly.file_table is ledger_module.file_table
