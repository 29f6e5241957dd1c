"""The suspect zone by SSPC-PA 2, section 9, in cases worked by hand.

Steps of 1.5 m, two consecutive conforming spots and no allowance were seen on
a one-page extract of the standard; eight directions, and coating within 1.5 m
of a nonconforming spot being suspect, are from memory.
"""

import numpy as np
import pandas as pd
import pytest

from auditkit.trade.extent import map_extent

FILM = {"c": 80.0, "n": 55.0, "t": 165.0, "a": 50.0}  # conforms, thin, thick, within the 80 % allowance


def walked(letters, *, direction=1, area="A1", side="facing", basis="distance", repeats=3):
    """Return readings of one direction, a letter a step; a dot is a step passed over, a dash one with 2 readings."""
    rows = []
    for step, letter in enumerate(letters, start=1):
        taken = {".": 0, "-": 2}.get(letter, repeats)
        rows += [(area, side, direction, basis, step, repeat, FILM.get(letter, 80.0)) for repeat in range(taken)]
    columns = ["area_id", "side", "direction", "basis", "step", "repeat", "dft_um"]
    return pd.DataFrame(rows, columns=columns)


@pytest.fixture
def jobs():
    return pd.DataFrame(
        {"job_id": ["J1"], "film_min_um": [60.0], "film_max_um": [160.0], "film_reverse_min_um": [40.0]}
    )


@pytest.fixture
def areas():
    return pd.DataFrame({"area_id": ["A1", "A2"], "job_id": ["J1", "J1"]})


@pytest.mark.parametrize(
    ("letters", "expected"),  # state, last nonconforming step, suspect out to [m], more spots, at step, gaps
    [
        ("cc", ("closed", 0, 1.5, 0, "", "")),  # within 1.5 m of the area itself
        ("ncc", ("closed", 1, 3.0, 0, "", "")),
        ("nncc", ("closed", 2, 4.5, 0, "", "")),
        ("tcc", ("closed", 1, 3.0, 0, "", "")),  # too thick is nonconforming as well
        ("ncncc", ("closed", 3, 6.0, 0, "", "")),  # one conforming spot between does not end it
        ("ccncc", ("closed", 3, 6.0, 0, "", "")),  # nor do two, when somebody went on and found more
        ("c", ("open", 0, 1.5, 1, "2", "")),
        ("n", ("open", 1, 3.0, 2, "2, 3", "")),
        ("nc", ("open", 1, 3.0, 1, "3", "")),
        ("ncn", ("open", 3, 6.0, 2, "4, 5", "")),
        ("n.cc", ("closed", 1, 4.5, 0, "", "2")),  # step 2 may be thin too: out to the spot at 3 x 1.5 m
        ("n.c", ("open", 1, 4.5, 1, "2", "2")),  # step 2 or step 4 would make two in a row: the nearer is named
        ("n-cc", ("closed", 1, 4.5, 0, "", "2")),  # two readings are no spot measurement
        ("nc-", ("open", 1, 3.0, 1, "3", "")),  # step 3 is to be completed
        (".cc", ("closed", 0, 3.0, 0, "", "1")),
        ("ncc.", ("closed", 1, 3.0, 0, "", "")),
    ],
)
def test_one_direction_by_hand(letters, expected, areas, jobs):
    row = map_extent(walked(letters), areas, jobs).directions.loc[0]
    columns = ["state", "last_nonconforming_step", "suspect_out_m", "more_spots", "next_steps", "gaps"]
    assert tuple(row[columns]) == expected
    assert row["suspect_steps"] == row["suspect_out_m"] / 1.5


def test_there_is_no_80_120_allowance(areas, jobs):
    # 50 um is above 80 % of 60 um and would pass as a spot of an area under level 3; here it is nonconforming, as is
    # 165 um, below 120 % of 160.
    found = map_extent(pd.concat([walked("acc"), walked("tcc", direction=2)]), areas, jobs)
    assert found.spots.loc[[0, 3], "outcome"].tolist() == ["does not conform"] * 2
    assert found.spots.loc[0, "reason"] == "50 um is below the specified minimum of 60 um"
    assert found.spots.loc[3, "reason"] == "165 um is above the specified maximum of 160 um"


def test_a_spot_at_the_minimum_or_the_maximum_conforms(areas, jobs):
    spots = walked("cc")
    spots["dft_um"] = [59.9, 60.0, 60.1, 160.0, 160.0, 160.0]
    assert map_extent(spots, areas, jobs).spots["outcome"].tolist() == ["conforms", "conforms"]


def test_the_reverse_has_its_own_minimum_and_the_missing_maximum_is_said(areas, jobs):
    reverse = map_extent(walked("nn", side="reverse"), areas, jobs)
    assert reverse.directions.loc[0, "state"] == "closed"  # 55 against 40
    open_ended = map_extent(walked("tt"), areas, jobs.assign(film_max_um=np.nan)).spots
    assert open_ended["outcome"].tolist() == ["conforms", "conforms"]
    assert open_ended.loc[0, "reason"].endswith("no maximum is specified")
    same = map_extent(walked("nn", side="reverse"), areas, jobs.assign(film_reverse_min_um=np.nan))
    assert same.directions.loc[0, "state"] == "open"


@pytest.mark.parametrize(
    ("letters", "expected"),  # state, suspect units, more spots
    [("cc", ("closed", 0, 0)), ("nncc", ("closed", 2, 0)), ("nc", ("open", 1, 1)), ("n.cc", ("closed", 2, 0))],
)
def test_repeating_units_are_counted_not_measured(letters, expected, areas, jobs):
    found = map_extent(walked(letters, basis="unit"), areas, jobs)
    row = found.directions.loc[0]
    assert tuple(row[["state", "suspect_steps", "more_spots"]]) == expected
    assert np.isnan(row["suspect_out_m"])
    assert (found.areas.loc[0, "suspect_units"], np.isnan(found.areas.loc[0, "suspect_out_m"])) == (expected[1], True)


def test_a_direction_of_two_kinds_of_steps_is_not_assessable(areas, jobs):
    mixed = walked("ncc")
    mixed.loc[mixed["step"] == 3, "basis"] = "unit"
    row = map_extent(mixed, areas, jobs).directions.loc[0]
    assert (row["state"], row["basis"], np.isnan(row["suspect_out_m"])) == ("not assessable", "both", True)
    within = walked("cc")
    within.loc[0, "basis"] = "unit"
    assert map_extent(within, areas, jobs).spots.loc[0, "reason"] == "recorded both as a distance and as a unit"


def test_an_area_sums_up_its_directions(areas, jobs):
    spots = pd.concat([walked("ncc"), walked("nn", direction=3), walked("cc", direction=8), walked("cc", area="A2")])
    found = map_extent(spots, areas, jobs)
    row = found.areas.loc[0]
    assert row[["directions_measured", "closed", "open", "more_spots", "suspect_out_m", "mapped"]].tolist() == [
        3, 2, 1, 2, 4.5, False,
    ]  # fmt: skip
    assert row["not_measured"] == "2, 4, 5, 6, 7"
    assert row["reason"].startswith("direction 3 not closed; direction 2, 4, 5, 6, 7 not measured")
    assert found.areas.loc[1, "mapped"]
    assert (found.n, found.excluded, found.from_memory) == (3 * 9, 0, True)
    assert map_extent(walked("n-c"), areas, jobs).excluded == 2


def test_order_does_not_matter_and_input_is_left(areas, jobs):
    spots = pd.concat([walked("ncc"), walked("n.c", direction=3), walked("cc", side="reverse")], ignore_index=True)
    before = spots.copy()
    found, again = map_extent(spots, areas, jobs), map_extent(spots.sample(frac=1, random_state=2), areas, jobs)
    pd.testing.assert_frame_equal(spots, before)
    for name in ("spots", "directions", "areas"):
        pd.testing.assert_frame_equal(getattr(found, name), getattr(again, name))


def test_without_spots_there_are_empty_frames_of_the_same_kinds(areas, jobs):
    spots = walked("ncc")
    none, some = map_extent(spots[:0], areas, jobs), map_extent(spots, areas, jobs)
    for name in ("spots", "directions", "areas"):
        assert getattr(none, name).empty
        assert getattr(none, name).dtypes.to_dict() == getattr(some, name).dtypes.to_dict()
    assert (none.n, none.excluded) == (0, 0)


def test_errors(areas, jobs):
    spots = walked("cc")
    for change, message in (
        (spots.drop(columns="step"), r"extent_spots must have the columns \['step'\]"),
        (spots.assign(dft_um=np.nan), r"no value may be missing in .*; 6 rows have a gap"),
        (spots.assign(basis="metre"), r"basis must be distance or unit; given \['metre'\]"),
        (spots.assign(step=0), r"steps are counted from 1; given 0"),
        (spots.assign(area_id="A9"), r"every area must be in areas, and its job in jobs; \['A9'\] are not"),
    ):
        with pytest.raises(ValueError, match=message):
            map_extent(change, areas, jobs)
