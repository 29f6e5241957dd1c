import os
import subprocess
import sys

import numpy as np
import pandas as pd
import pytest

from auditkit.contracts import check_links, check_rows, contract, load_contracts
from auditkit.contracts.checks import FAULT_COLUMNS


def frame_of(record: str, *changes: dict[str, object]) -> pd.DataFrame:
    """One row a change, each the contract's example with that change."""
    about = contract(record)
    rows = []
    for change in changes:
        row = {column.name: column.example for column in about.columns} | change
        rows.append(row)
    frame = pd.DataFrame(rows, columns=list(about.names))
    for column in about.columns:
        values = frame[column.name]
        if column.kind == "moment":
            values = pd.to_datetime(values, utc=True).dt.as_unit("us")
        elif column.kind == "yes-no":
            values = values.map({"yes": True, "no": False})
        frame[column.name] = values.astype(column.dtype)
    return frame


def told(faults: pd.DataFrame) -> list[tuple[object, ...]]:
    return list(faults[["row", "column", "rule"]].itertuples(index=False, name=None))


@pytest.mark.parametrize("record", sorted(load_contracts()))
def test_the_examples_of_every_contract_pass(record):
    assert check_rows(frame_of(record, {}), contract(record)).empty


def test_each_cell_is_told_with_its_bounds():
    changes = [{"film_min_um": 0.0}, {"acceptance_rule": "iso"}, {"site": None}, {"job_id": "J" * 41}]
    faults = check_rows(frame_of("jobs", *changes), contract("jobs"))
    assert list(faults.columns) == list(FAULT_COLUMNS)
    assert faults[["row", "column", "value", "rule", "holds"]].values.tolist() == [
        [0, "film_min_um", "0", "range", "must be from 1 to 5000 um"],
        [1, "acceptance_rule", "iso", "choice", "must be one of sspc-pa-2, iso-19840, 90-10, own"],
        [2, "site", "", "missing", "must not be blank"],
        [3, "job_id", "J" * 41, "range", "must have from 1 to 40 characters"],
    ]


def test_bounds_are_included():
    changes = [{"job_id": "A", "thinner_pct": 0.0}, {"job_id": "B", "thinner_pct": 100.0}]
    assert check_rows(frame_of("jobs", *changes), contract("jobs")).empty


def test_several_faults_of_one_row_all_come():
    faults = check_rows(frame_of("jobs", {"film_min_um": -1.0, "thinner_pct": 101.0}), contract("jobs"))
    assert told(faults) == [(0, "film_min_um", "range"), (0, "thinner_pct", "range")]


def test_row_rules_are_told_with_their_own_words():
    faults = check_rows(frame_of("jobs", {"film_min_um": 90.0}), contract("jobs"))
    assert told(faults) == [(0, "film_min_um, film_nominal_um, film_max_um", "row rule")]
    assert faults.loc[0, "value"] == "90, 80, 160"
    assert faults.loc[0, "holds"] == contract("jobs").rules[0].holds


def test_unread_cells_are_neither_blank_nor_judged_by_row_rules():
    frame = frame_of("pressure_settings", {"cup_s": None, "pot_kpa": None})
    unread = {"cup_s": np.array([True]), "pot_kpa": np.array([True])}
    assert len(check_rows(frame, contract("pressure_settings"))) == 2
    assert check_rows(frame, contract("pressure_settings"), unread=unread).empty


def test_exact_repeats_leave_the_first():
    faults = check_rows(frame_of("jobs", {}, {"job_id": "J2"}, {}, {}), contract("jobs"))
    assert told(faults) == [(2, "job_id", "repeated key"), (3, "job_id", "repeated key")]
    assert faults["holds"].tolist() == ["must not repeat a row; it is the same as row 0"] * 2


def test_one_key_with_different_values_sets_all_aside():
    frame = frame_of("jobs", {}, {"site": "elsewhere"}, {}, {"job_id": "J2"})
    faults = check_rows(frame, contract("jobs"))
    assert told(faults) == [(0, "job_id", "repeated key"), (1, "job_id", "repeated key"), (2, "job_id", "repeated key")]
    assert [text.split("; ")[1] for text in faults["holds"]] == [
        "row 1 has the same key and other values",
        "row 0 has the same key and other values",
        "row 1 has the same key and other values",
    ]


def test_blanks_are_equal_in_repeats():
    frame = frame_of("jobs", {"thinner": None}, {"thinner": None})
    assert told(check_rows(frame, contract("jobs"))) == [(1, "job_id", "repeated key")]


def test_a_row_at_fault_does_not_unseat_a_good_one_of_its_key():
    frame = frame_of("jobs", {"film_min_um": -1.0}, {})
    assert told(check_rows(frame, contract("jobs"))) == [(0, "film_min_um", "range")]


def test_the_frame_is_left_unchanged():
    frame = frame_of("jobs", {"film_min_um": -1.0}, {})
    before = frame.copy(deep=True)
    check_rows(frame, contract("jobs"))
    pd.testing.assert_frame_equal(frame, before)


def test_a_frame_of_other_columns_or_index_is_refused():
    frame = frame_of("jobs", {})
    with pytest.raises(ValueError, match="must have the contract's columns and dtypes"):
        check_rows(frame.drop(columns="site"), contract("jobs"))
    with pytest.raises(ValueError, match="must have the contract's columns and dtypes"):
        check_rows(frame.astype({"film_min_um": "str"}), contract("jobs"))
    with pytest.raises(ValueError, match="numbered 0 to n - 1"):
        check_rows(frame.set_axis([7]), contract("jobs"))


@pytest.mark.parametrize(
    "switch", [{"PANDERA_VALIDATION_ENABLED": "False"}, {"PANDERA_VALIDATION_DEPTH": "SCHEMA_ONLY"}]
)
def test_the_environment_cannot_switch_the_contract_off(switch):
    code = """
import pandas as pd
import pandera.pandas as pa
from auditkit.contracts import check_rows, contract
jobs = contract("jobs")
row = {column.name: [column.example] for column in jobs.columns}
frame = pd.DataFrame(row).astype({column.name: column.dtype for column in jobs.columns})
frame["film_min_um"] = -1.0
jobs.schema().validate(frame)  # what the switch does: the bad frame passes
print(check_rows(frame, jobs)["column"].tolist())
"""
    done = subprocess.run(
        [sys.executable, "-c", code], env={**os.environ, **switch}, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "['film_min_um']"


def linked(**frames: pd.DataFrame) -> dict[str, pd.DataFrame]:
    contracts = {name: contract(name) for name in frames}
    return check_links(
        frames,
        contracts,
        accepted={name: np.ones(len(frame), dtype=bool) for name, frame in frames.items()},
        places={name: f"{name}.csv line {{}}".format for name in frames},
    )


def test_a_link_to_nothing_is_told_with_what_there_is():
    jobs = frame_of("jobs", {"job_id": "J1"}, {"job_id": "J2"})
    areas = frame_of("areas", {"area_id": "A1", "job_id": "J2"}, {"area_id": "A2", "job_id": "X"})
    faults = linked(jobs=jobs, areas=areas)
    assert faults["jobs"].empty
    assert told(faults["areas"]) == [(1, "job_id", "link")]
    assert (
        faults["areas"].loc[0, "holds"] == "must be job_id of a row of jobs in this dossier; it has J1 to J2 (2 rows)"
    )


def test_links_fall_in_a_chain():
    jobs = frame_of("jobs", {"job_id": "J1"})
    areas = frame_of("areas", {"area_id": "A1", "job_id": "X"}, {"area_id": "A2", "job_id": "J1"})
    readings = frame_of("film_readings", {"area_id": "A1"}, {"area_id": "A2"})
    faults = linked(jobs=jobs, areas=areas, film_readings=readings)
    assert told(faults["film_readings"]) == [(0, "area_id", "link")]
    assert faults["film_readings"].loc[0, "holds"] == (
        "must be area_id of an accepted row of areas; its row was set aside (areas.csv line 0)"
    )


def test_a_row_already_at_fault_still_hears_of_its_link():
    jobs, areas = frame_of("jobs", {"job_id": "J1"}), frame_of("areas", {"job_id": "X"})
    faults = check_links(
        {"jobs": jobs, "areas": areas},
        {"jobs": contract("jobs"), "areas": contract("areas")},
        accepted={"jobs": np.array([True]), "areas": np.array([False])},
        places={"jobs": str, "areas": str},
    )
    assert told(faults["areas"]) == [(0, "job_id", "link")]


def test_a_link_to_a_row_without_shape_names_its_place():
    jobs, areas = frame_of("jobs", {"job_id": "J1"}), frame_of("areas", {"job_id": "X"}, {"job_id": "Y"})
    faults = check_links(
        {"jobs": jobs, "areas": areas},
        {"jobs": contract("jobs"), "areas": contract("areas")},
        accepted={"jobs": np.array([True]), "areas": np.array([True, True])},
        places={"jobs": str, "areas": str},
        misshapen={"jobs": {"X": "jobs.csv line 7"}},
    )["areas"]
    assert "its row was set aside (jobs.csv line 7)" in faults.loc[0, "holds"]
    assert faults.loc[1, "holds"] == "must be job_id of a row of jobs in this dossier; it has J1 to J1 (1 rows)"


def test_blank_links_are_no_fault():
    jobs, areas = frame_of("jobs", {}), frame_of("areas", {"area_id": "A001"})
    runs = frame_of("spray_runs", {})
    defects = frame_of("defects", {"run_id": None})
    assert all(faults.empty for faults in linked(jobs=jobs, areas=areas, spray_runs=runs, defects=defects).values())
