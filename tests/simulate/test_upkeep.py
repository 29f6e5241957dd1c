"""Bells cleaned between runs, start-ups after a change of bell, and how far the gun strays within a run."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from auditkit.simulate import DEFAULT_TRUTH, Simulated
from auditkit.simulate.upkeep import bell_wipes
from auditkit.trade.timeline import build_timeline


@pytest.fixture(scope="module")
def runs(shipped: Simulated) -> pd.DataFrame:
    """Runs in the order of each unit's day, with the end, bell and operator of the run before on that day."""
    frame = shipped.tables["spray_runs"].sort_values(["unit_id", "started_at"], ignore_index=True)
    frame["date"] = local_date(frame["started_at"])
    before = frame.groupby(["unit_id", "date"])[["ended_at", "bell_diameter_mm", "operator_id"]].shift()
    return frame.join(before.add_prefix("before_"))


def local_date(moments: pd.Series) -> pd.Series:
    dates: pd.Series = moments.dt.tz_convert(DEFAULT_TRUTH.time_zone).dt.strftime("%Y-%m-%d")
    return dates


def is_wipe(shipped: Simulated, runs: pd.DataFrame) -> pd.Series:
    """Return which notes are cleanings of a bell after the unit's first run of the day."""
    notes = shipped.tables["maintenance"]
    first = runs.groupby(["unit_id", "date"])["started_at"].min().rename("first_at")
    day = notes.assign(date=local_date(notes["done_at"])).join(first, on=["unit_id", "date"])
    return (notes["part"] == "bell") & (notes["action"] == "cleaned") & (notes["done_at"] > day["first_at"])


def pauses(shipped: Simulated, runs: pd.DataFrame) -> pd.DataFrame:
    """Return the runs after a pause, with the wipes in it and whether the day began with a clean bell."""
    notes, wipe = shipped.tables["maintenance"], is_wipe(shipped, runs)
    bell = (notes["part"] == "bell") & (notes["action"] == "cleaned")
    clean = notes[bell & ~wipe]
    mornings = set(zip(clean["unit_id"], local_date(clean["done_at"]), strict=True))
    after = runs.dropna(subset=["before_ended_at"])
    wiped_at = [
        notes.loc[
            wipe
            & (notes["unit_id"] == run.unit_id)
            & (notes["done_at"] > run.before_ended_at)
            & (notes["done_at"] < run.started_at),
            "done_at",
        ].tolist()
        for run in after.itertuples()
    ]
    began_clean = [key in mornings for key in zip(after["unit_id"], after["date"], strict=True)]
    return after.assign(wiped_at=wiped_at, wiped=[len(found) for found in wiped_at], began_clean=began_clean)


def test_bells_are_cleaned_in_seven_of_ten_pauses_at_most_once_and_soon(shipped: Simulated, runs: pd.DataFrame) -> None:
    after = pauses(shipped, runs)
    assert set(after["wiped"]) == {0, 1}
    assert after["wiped"].sum() == is_wipe(shipped, runs).sum()  # none lies elsewhere
    assert 0.6 < after["wiped"].mean() < 0.8
    wiped = after[after["wiped"] == 1]
    late = pd.Series([at[0] for at in wiped["wiped_at"]], index=wiped.index) - wiped["before_ended_at"]
    assert late.between(pd.Timedelta(minutes=1), pd.Timedelta(minutes=4)).all()


def test_a_bell_is_cleaned_again_only_on_a_day_that_began_so_and_as_often_as_the_operator_thinks_of_it(
    shipped: Simulated, runs: pd.DataFrame
) -> None:
    after = pauses(shipped, runs)
    assert after.loc[~after["began_clean"], "wiped"].sum() == 0
    assert (~after["began_clean"]).sum() > 10
    could = after[after["began_clean"]]
    seen = could.groupby("before_operator_id")["wiped"].agg(["mean", "size"])
    for operator, share in DEFAULT_TRUTH.operator_bell_wipe_share:
        # three standard errors of a binomial share
        assert abs(seen.loc[operator, "mean"] - share) < 3 * np.sqrt(share * (1 - share) / seen.loc[operator, "size"])


def test_wipes_and_lists_after_a_change_alter_no_condition_but_pause_and_feed_tube(
    shipped: Simulated, runs: pd.DataFrame
) -> None:
    tables = shipped.tables
    lists = tables["startup_checks"]
    again = lists.assign(date=local_date(lists["checked_at"])).duplicated(["unit_id", "date"])
    without = {
        **tables,
        "maintenance": tables["maintenance"][~is_wipe(shipped, runs)],
        "startup_checks": lists[~again],
    }
    told, bare = (build_timeline(each, time_zone=DEFAULT_TRUTH.time_zone).runs for each in (tables, without))
    assert again.sum() > 50
    changed = [name for name in told if not told[name].equals(bare[name])]
    assert changed == ["pause_min", "bell_matches_feed_tube"]
    assert (bare["pause_min"].dropna() > 5).all()


def test_a_gap_too_short_to_clean_in_has_no_cleaning() -> None:
    day = pd.Timestamp("2027-01-11")
    at = [day + pd.Timedelta(minutes=minute) for minute in (480, 500, 501, 520, 522, 540)]
    runs = pd.DataFrame({"unit_id": "U1", "operator_id": "OP1", "day": 0, "started_at": at[::2], "ended_at": at[1::2]})
    morning = pd.DataFrame(
        {"unit_id": ["U1"], "part": ["bell"], "action": ["cleaned"], "done_at": [day + pd.Timedelta(minutes=450)]}
    )
    found = [bell_wipes(runs, morning, DEFAULT_TRUTH, np.random.default_rng(seed)) for seed in range(20)]
    # the pause of one minute has none, that of two has it halfway
    assert {len(rows) for rows in found} == {0, 1}
    assert {moment for rows in found for moment in rows["done_at"]} == {day + pd.Timedelta(minutes=521)}
    other = morning.assign(unit_id="U2")
    assert bell_wipes(runs, other, DEFAULT_TRUTH, np.random.default_rng(1)).empty


def test_a_list_gone_through_again_stands_between_two_runs_with_different_bells(
    shipped: Simulated, runs: pd.DataFrame
) -> None:
    lists = shipped.tables["startup_checks"].assign(date=lambda rows: local_date(rows["checked_at"]))
    first = lists.drop_duplicates(["unit_id", "date"]).set_index(["unit_id", "date"])
    again = lists[lists.duplicated(["unit_id", "date"])]
    following = pd.merge_asof(
        again.sort_values("checked_at"),
        runs.sort_values("started_at").drop(columns=["date", "operator_id"]),
        left_on="checked_at",
        right_on="started_at",
        by="unit_id",
        direction="forward",
    )
    assert (following["before_ended_at"] < following["checked_at"]).all()
    assert (following["bell_diameter_mm"] != following["before_bell_diameter_mm"]).all()
    of_day = first.loc[list(zip(following["unit_id"], following["date"], strict=True))]
    for column in ("shift", "supply_distance_m"):
        assert following[column].tolist() == of_day[column].tolist()
    changes = runs["before_ended_at"].notna() & (runs["bell_diameter_mm"] != runs["before_bell_diameter_mm"])
    assert 0.75 < len(again) / changes.sum() < 0.97


def test_the_feed_tube_is_set_for_another_bell_in_a_few_runs(shipped: Simulated) -> None:
    matches = build_timeline(shipped.tables, time_zone=DEFAULT_TRUTH.time_zone).runs["bell_matches_feed_tube"]
    assert 0.03 < (~matches.dropna()).mean() < 0.09
    assert matches.isna().mean() < 0.1


def test_a_run_held_well_inside_the_window_mostly_stays_inside(shipped: Simulated) -> None:
    seen = shipped.tables["spray_runs"].dropna(subset=["standoff_min_mm", "standoff_max_mm"])
    spread = seen["standoff_max_mm"] - seen["standoff_min_mm"]
    assert spread.quantile([0.1, 0.9]).between(12, 40).all()
    inside = (seen["standoff_min_mm"] >= 150) & (seen["standoff_max_mm"] <= 200)
    well = seen["standoff_mm"].between(165, 185)
    assert well.sum() > 80
    assert inside[well].mean() > 0.85
