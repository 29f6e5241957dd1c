"""Readings behind a verdict: where they were recorded, and which of them decided."""

import pytest

from auditkit.findings.behind import readings_behind
from auditkit.intake import read_dossier

JOBS = (
    "job_id,site,coating,film_min_um,film_nominal_um,film_max_um,film_reverse_min_um,acceptance_rule,"
    "restriction_level,wrap_min_pct,volume_solids_pct,thinner,thinner_pct\n"
    "J1,S,C,60,80,160,,sspc-pa-2,3,,48,,\nJ2,S,C,80,80,,,iso-19840,,,48,,\nJ3,S,C,60,80,,,own,,,48,,\n"
)
AREAS = (
    "area_id,job_id,description,geometry,size_m2,substrate,surface_profile\n"
    "A1,J1,,tube,3,steel,fine\nA2,J1,,tube,3,steel,fine\nA3,J2,,flat,1,steel,fine\nA4,J3,,flat,1,steel,fine\n"
    "A5,J1,,tube,14,steel,fine\n"
)
LIMITS = "auditkit: 1\nfilm_limits: {J3: {spot_min_um: 50, source: 'contract 12-7, clause 4'}}\n"


@pytest.fixture(scope="module")
def dossier(tmp_path_factory):
    folder = tmp_path_factory.mktemp("records")
    rows = []
    # A1: spot 4 is thin, the mean is not. A2: spot 5 has two readings. A4: spot 2 lies below the job's own 50.
    for area, spots in {"A1": [80, 80, 80, 40, 80], "A2": [80] * 5, "A3": None, "A4": [60, 45]}.items():
        if spots is None:  # nominal 80 and correction 10: 88 lies between 80 % and the nominal
            rows += [f"{area},,facing,{spot},1,{film},G1," for spot, film in enumerate([120, 88, 120, 120, 120], 1)]
            continue
        for spot, film in enumerate(spots, start=1):
            taken = 2 if (area, spot) == ("A2", 5) else 3
            # readings a little apart, so that the lowest spot is not its lowest reading alone
            rows += [f"{area},,facing,{spot},{n},{film + 2 - n},G1," for n in range(1, taken + 1)]
    for part, film in ((1, 80), (2, 55)):
        rows += [f"A5,{part},facing,{5 * part + s},{r},{film},G1," for s in range(5) for r in (1, 2, 3)]
    film = "area_id,part,side,spot,repeat,dft_um,gauge_id,taken_at\n" + "\n".join(rows) + "\n"
    for name, text in {"jobs.csv": JOBS, "areas.csv": AREAS, "film.csv": film, "dossier.yaml": LIMITS}.items():
        (folder / name).write_text(text, encoding="utf-8")
    return read_dossier(folder)


def deciding(dossier, area):
    behind = readings_behind(dossier, area, "facing")
    return behind, behind[behind["decided"]]


def test_the_spot_that_failed_is_marked_and_leads_back_to_its_lines(dossier):
    behind, decided = deciding(dossier, "A1")
    assert len(behind) == 15
    assert decided[["spot", "dft_um", "spot_um"]].to_numpy().tolist() == [[4, n, 40] for n in (41, 40, 39)]
    assert set(decided["decided_by"]) == {"lowest spot (at least 48)"}
    assert decided["line"].tolist() == [11, 12, 13]  # header, then nine readings of three spots
    assert set(decided["file"]) == {"film.csv"}


def test_a_spot_with_too_few_readings_decided_and_nothing_else_did(dossier):
    behind, decided = deciding(dossier, "A2")
    assert decided["spot"].tolist() == [5, 5]
    assert decided["decided_by"].tolist() == ["spots measured (at least 5)"] * 2
    assert behind.loc[~behind["counts"], "spot"].tolist() == [5, 5]


def test_readings_counted_in_a_share(dossier):
    _, decided = deciding(dossier, "A3")
    assert decided[["spot", "dft_um"]].to_numpy().tolist() == [[2, 88.0]]
    assert decided["decided_by"].iloc[0].endswith("(less than 0.2)")


def test_own_limits_of_the_dossier_are_used(dossier):
    _, decided = deciding(dossier, "A4")
    assert decided["spot"].tolist() == [2, 2, 2]
    assert set(decided["decided_by"]) == {"lowest spot (at least 50)"}


def test_only_the_part_that_failed_decided(dossier):
    behind, decided = deciding(dossier, "A5")
    assert len(behind) == 30
    assert set(decided["part"]) == {2}
    assert set(decided["decided_by"]) == {"part 2: mean of the spots (at least 60)"}


def test_a_side_without_readings_has_an_empty_frame_with_the_same_columns(dossier):
    behind, none = readings_behind(dossier, "A1", "facing"), readings_behind(dossier, "A1", "reverse")
    assert none.empty
    assert list(none.columns) == list(behind.columns)


def test_errors(dossier):
    with pytest.raises(ValueError, match="area_id must be one of the 5 accepted areas; given 'A9'"):
        readings_behind(dossier, "A9", "facing")
    with pytest.raises(ValueError, match="side must be facing or reverse, the sides that are judged; given 'edge'"):
        readings_behind(dossier, "A1", "edge")
