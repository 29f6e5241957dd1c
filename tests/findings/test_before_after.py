"""Before and after: windows by hand, intervals and tests as published and by reference libraries."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.weightstats import CompareMeans, DescrStatsW

from auditkit.findings.before_after import find_before_after

FIRST = pd.Timestamp("2027-01-04T08:00Z")
NO_AREAS = pd.DataFrame({"area_id": pd.Series(dtype="str"), "wrap_pct": pd.Series(dtype="float64")})


def runs_of(per_day, unit="U1", first=0):
    """Runs of one unit, so many on each of the days that follow one another, each on an area of its own."""
    day = np.repeat(np.arange(len(per_day)), per_day)
    number = np.concatenate([np.arange(n) for n in per_day])
    started = FIRST + pd.to_timedelta(day + first, unit="D") + pd.to_timedelta(number * 2, unit="min")
    ids = [f"{unit}R{i:03d}" for i in range(len(day))]
    return pd.DataFrame(
        {"run_id": ids, "area_id": ids, "unit_id": unit, "day": started.strftime("%Y-%m-%d"), "started_at": started}
    )


def note(day, *, unit="U1", part="brush", action="replaced", hours=-1.0):
    """A note made so many hours after the first run of a day would start."""
    at = FIRST + pd.Timedelta(days=day) + pd.Timedelta(hours=hours)
    return {"unit_id": unit, "part": part, "action": action, "done_at": at}


def notes_of(*notes):
    return pd.DataFrame(list(notes), columns=["unit_id", "part", "action", "done_at"]).astype(
        {"done_at": "datetime64[us, UTC]"}
    )


def found_of(runs, **kinds):
    index = pd.Index(runs["run_id"], name="run_id")
    return pd.DataFrame({kind: pd.array(values, dtype="boolean") for kind, values in kinds.items()}, index=index)


def wrap_of(runs, values):
    return pd.DataFrame({"area_id": runs["area_id"], "wrap_pct": np.asarray(values, dtype=float)})


def test_windows_share_the_days_between_two_events():
    # 3 days, an event, 7 days, an event, 9 days: 3 | 3 of 7 ... 3 of 7 | 5 of 9 at most.
    runs = runs_of([2] * 19)
    found = find_before_after(runs, notes_of(note(3), note(10)), NO_AREAS, found_of(runs, spit=[False] * 38))
    windows = found.events[["days_before", "days_after", "runs_before", "runs_after"]]
    assert windows.values.tolist() == [[3, 3, 6, 6], [3, 5, 6, 10]]
    assert (found.n, found.excluded) == (2, 0)


def test_windows_hold_the_days_nearest_to_the_event():
    runs = runs_of([1] * 8)
    values = [50, 50, 60, 62, 80, 82, 50, 50]
    found = find_before_after(runs, notes_of(note(4)), wrap_of(runs, values), found_of(runs), window_d=2)
    row = found.comparisons.iloc[0]
    assert (row["before"], row["after"], row["difference"]) == (61.0, 81.0, 20.0)


def test_an_event_within_a_day_parts_the_runs_of_that_day():
    runs = runs_of([2, 2, 4, 2, 2])
    found = find_before_after(runs, notes_of(note(2, hours=0.05)), NO_AREAS, found_of(runs, spit=[False] * 12))
    assert found.events[["days_before", "runs_before", "days_after", "runs_after"]].values.tolist() == [[3, 6, 3, 6]]


def test_a_part_cleaned_at_each_end_of_use_is_not_looked_at():
    runs = runs_of([3] * 6)
    cleaned = [note(day, part="filter", action="cleaned") for day in range(6)]
    found = find_before_after(runs, notes_of(*cleaned), NO_AREAS, found_of(runs, spit=[False] * 18))
    assert (found.n, found.excluded) == (0, 6)
    assert found.events["reason"].iloc[2] == (
        "0 days of use before and 0 after it lie nearer to it than to another event of the part; "
        "2 on each side are needed"
    )
    assert found.comparisons.empty
    assert found.pooled.empty


def test_events_without_a_run_between_are_one_and_the_greater_names_it():
    runs = runs_of([2] * 8)
    notes = notes_of(note(4, action="cleaned", hours=-3), note(4, hours=-2), note(4, action="inspected"))
    found = find_before_after(runs, notes, NO_AREAS, found_of(runs))
    assert found.events["action"].tolist() == ["replaced"]
    assert found.events["days_before"].tolist() == [4]


def test_other_parts_changed_in_the_windows_are_named():
    runs = runs_of([2] * 8)
    others = [note(2, part="o-rings"), note(5, part="lid gasket", action="fitted")]
    others += [note(3, part="elbow", action="cleaned"), note(3, part="bell", unit="U2"), note(99, part="bell")]
    found = find_before_after(runs, notes_of(note(4), *others), NO_AREAS, found_of(runs))
    also = found.events.set_index("part")["also"]
    assert also["brush"] == "lid gasket, o-rings"


def test_means_of_days_by_welch_as_statsmodels_has_it():
    rng = np.random.default_rng(1)
    runs = runs_of([3, 2, 4, 1, 3, 2])
    values = rng.normal(70, 8, len(runs))
    row = find_before_after(runs, notes_of(note(3)), wrap_of(runs, values), found_of(runs)).comparisons.iloc[0]
    means = pd.Series(values).groupby(runs["day"]).mean().to_numpy()
    reference = CompareMeans(DescrStatsW(means[3:]), DescrStatsW(means[:3]))
    low, high = reference.tconfint_diff(usevar="unequal")
    assert (row["low"], row["high"]) == (pytest.approx(low), pytest.approx(high))
    assert row["difference"] == pytest.approx(means[3:].mean() - means[:3].mean())
    assert row["p"] == pytest.approx(reference.ttest_ind(usevar="unequal")[1])
    assert (row["n_before"], row["n_after"]) == (9, 6)


def test_shares_of_runs_as_published():
    """Newcombe (1998) Stat Med 17:873, method 10: 56/70 against 48/80 gives .0524 to .3339 (quoted)."""
    runs = runs_of([40, 40, 35, 35])
    spit = [i < 48 for i in range(80)] + [i < 56 for i in range(70)]
    row = find_before_after(runs, notes_of(note(2)), NO_AREAS, found_of(runs, spit=spit)).comparisons.iloc[0]
    assert (row["before"], row["after"]) == (pytest.approx(0.6), pytest.approx(0.8))
    assert (round(row["low"], 4), round(row["high"], 4)) == (0.0524, 0.3339)
    assert row["reading"] == "rises"


def test_exact_p_of_a_share_as_published():
    """Fisher's exact test of 2 15 / 10 3: p .0005367."""
    runs = runs_of([9, 8, 7, 6])
    spit = [i < 2 for i in range(17)] + [i < 10 for i in range(13)]
    row = find_before_after(runs, notes_of(note(2)), NO_AREAS, found_of(runs, spit=spit)).comparisons.iloc[0]
    assert row["p"] == pytest.approx(0.0005367, abs=5e-8)


def rabbits():
    """Agresti's rabbits as runs of five units: after the event the treated, before it the others; cured is a defect.

    Each stratum is [with, without after; with, without before], the last two
    of them with a run more on each side that was not inspected, for two days.
    """
    cells = [(0, 6, 0, 5), (3, 3, 0, 6), (6, 0, 2, 4), (5, 1, 6, 0), (2, 0, 5, 0)]
    runs, found, notes = [], [], []
    for i, (a, b, c, d) in enumerate(cells):
        before, after = c + d, a + b
        runs.append(runs_of([before - 2, 2, after - 1, 1], unit=f"U{i}"))
        found += [j < c for j in range(before)] + [j < a for j in range(after)]
        notes.append(note(2, unit=f"U{i}"))
    frame = pd.concat(runs, ignore_index=True)
    return frame, notes_of(*notes), found_of(frame, cured=found)


def test_pooled_shares_are_compared_within_events_exactly():
    """R's documentation of mantelhaen.test prints p = .03994 for the exact test (from memory)."""
    runs, notes, found = rabbits()
    row = find_before_after(runs, notes, NO_AREAS, found).pooled.iloc[0]
    assert (row["events"], row["n_before"], row["n_after"]) == (5, 28, 26)
    assert row["p"] == pytest.approx(0.03994, abs=5e-6)
    # Mantel-Haenszel difference by hand: the sum of n1 n0 / n times the difference over that of n1 n0 / n.
    weights = [30 / 11, 36 / 12, 36 / 12, 36 / 12, 10 / 7]
    differences = [0, 3 / 6, 6 / 6 - 2 / 6, 5 / 6 - 6 / 6, 0]
    assert row["difference"] == pytest.approx(np.average(differences, weights=weights))
    assert row["low"] > 0
    assert row["reading"] == "rises"


def test_a_small_p_among_others_is_not_clear():
    """p .03994 beside one near 1 is q .0799: above a rate of .05, below one of .1."""
    runs, notes, found = rabbits()
    beside = found.assign(other=pd.array([i % 2 == 0 for i in range(len(runs))], dtype="boolean"))
    pooled = find_before_after(runs, notes, NO_AREAS, beside).pooled
    assert pooled["q"].iloc[0] == pytest.approx(2 * 0.03994, abs=1e-5)
    assert pooled["reading"].tolist() == ["not clear", "not clear"]
    freer = find_before_after(runs, notes, NO_AREAS, beside, false_discovery_rate=0.1).pooled
    assert freer["reading"].tolist() == ["rises", "not clear"]


def test_pooled_means_are_paired_by_event():
    """Student's sleep data (1908), ten differences with the mean 1.58: t 4.0621, p .002833 (R, from memory)."""
    first = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
    second = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]
    runs = pd.concat([runs_of([2, 2, 2, 2], unit=f"U{i}") for i in range(10)], ignore_index=True)
    values = np.concatenate(
        [[a + 0.1, a - 0.1] * 2 + [b + 0.1, b - 0.1] * 2 for a, b in zip(first, second, strict=True)]
    )
    notes = notes_of(*[note(2, unit=f"U{i}") for i in range(10)])
    row = find_before_after(runs, notes, wrap_of(runs, values), found_of(runs)).pooled.iloc[0]
    assert row["events"] == 10
    assert row["difference"] == pytest.approx(1.58)
    assert (row["low"], row["high"]) == (pytest.approx(0.7001142, abs=1e-6), pytest.approx(2.4598858, abs=1e-6))
    assert row["p"] == pytest.approx(0.002833, abs=5e-7)
    assert row["reading"] == "rises"


def test_false_discoveries_are_held_over_each_table():
    rng = np.random.default_rng(4)
    runs = pd.concat([runs_of([4] * 8, unit=f"U{i}") for i in range(6)], ignore_index=True)
    notes = notes_of(*[note(4, unit=f"U{i}") for i in range(6)])
    kinds = {f"kind {k}": rng.random(len(runs)) < 0.3 for k in range(8)}
    found = find_before_after(runs, notes, wrap_of(runs, rng.normal(70, 5, len(runs))), found_of(runs, **kinds))
    for table in (found.comparisons, found.pooled):
        tested = table.dropna(subset=["p"])
        assert len(tested) > 5
        assert tested["q"].to_numpy() == pytest.approx(multipletests(tested["p"], method="fdr_bh")[1])
    assert found.pooled["outcome"].tolist() == ["wrap_pct", *kinds]


def test_changes_in_the_truth_are_found_and_others_are_not():
    rng = np.random.default_rng(9)
    runs = pd.concat([runs_of([4] * 10, unit=f"U{i}") for i in range(8)], ignore_index=True)
    fresh = np.tile(np.arange(40) >= 20, 8)
    thin = rng.random(320) < np.where(fresh, 0.05, 0.30)
    other = rng.random(320) < 0.15
    notes = notes_of(*[note(5, unit=f"U{i}") for i in range(8)])
    wrap = wrap_of(runs, 70 + 10 * fresh + rng.normal(0, 6, 320))
    delivered = runs.assign(delivery_ratio=1.0 - 0.2 * ~fresh + rng.normal(0, 0.02, 320))
    found = find_before_after(delivered, notes, wrap, found_of(runs, thin=thin, other=other))
    reading = found.pooled.set_index("outcome")["reading"].to_dict()
    assert reading == {"wrap_pct": "rises", "delivery_ratio": "rises", "thin": "falls", "other": "not clear"}
    assert found.pooled.set_index("outcome").loc["delivery_ratio", "difference"] == pytest.approx(0.2, abs=0.01)


def test_an_area_sprayed_on_both_sides_is_left_out_and_counted():
    runs = runs_of([3] * 8)
    runs["area_id"] = [f"A{i}" for i in range(23)] + ["A0"]
    areas = pd.DataFrame({"area_id": [f"A{i}" for i in range(23)], "wrap_pct": np.arange(23.0)})
    row = find_before_after(runs, notes_of(note(4)), areas, found_of(runs))
    assert row.straddling == 1
    assert row.comparisons[["n_before", "n_after"]].values.tolist() == [[11, 11]]


def test_an_area_of_several_runs_on_one_side_counts_once():
    runs = runs_of([3] * 8)
    runs["area_id"] = [f"A{i // 3 * 3 + min(i % 3, 1)}" for i in range(24)]
    areas = pd.DataFrame({"area_id": sorted(set(runs["area_id"]))}).assign(wrap_pct=np.arange(16.0) ** 1.5)
    assert find_before_after(runs, notes_of(note(4)), areas, found_of(runs)).comparisons["n_before"].tolist() == [8]


def test_runs_not_inspected_do_not_count():
    runs = runs_of([4] * 4)
    spit = [None, None, *([True] * 3 + [False] * 3), *([False] * 7), None]
    row = find_before_after(runs, notes_of(note(2)), NO_AREAS, found_of(runs, spit=spit)).comparisons.iloc[0]
    assert (row["n_before"], row["n_after"], row["before"], row["after"]) == (6, 7, 0.5, 0.0)


@pytest.mark.parametrize(
    ("per_day", "values", "reason"),
    [
        ([1] * 8, [70, None, None, None, 80, 81, 82, 83], "values on 1 and 4 days before and after; 2 on each side"),
        ([1] * 8, [70] * 4 + [80] * 4, "the days of a side do not differ at all"),
    ],
)
def test_means_that_cannot_tell_say_why(per_day, values, reason):
    runs = runs_of(per_day)
    row = find_before_after(runs, notes_of(note(4)), wrap_of(runs, values), found_of(runs)).comparisons.iloc[0]
    assert row["reading"] == "cannot tell"
    assert reason in row["reason"]
    assert np.isnan(row["low"])


def test_shares_and_pools_that_cannot_tell_say_why():
    runs = pd.concat([runs_of([2] * 4, unit=f"U{i}") for i in range(4)], ignore_index=True)
    found = found_of(runs, spit=[False] * 32, crater=[i == 3 for i in range(32)])
    notes = [note(2, unit=f"U{i}") for i in range(4)]
    told = find_before_after(runs, notes_of(*notes), NO_AREAS, found)
    assert told.comparisons["reason"].unique().tolist() == ["4 and 4 runs; 5 on each side are needed"]
    assert told.pooled["reading"].tolist() == ["cannot tell"] * 2
    assert told.pooled["reason"].tolist() == [
        "no such defect was found on either side of any event",
        "so few runs or defects that hardly any outcome could have told",
    ]
    fewer = find_before_after(runs, notes_of(*notes[:3]), NO_AREAS, found).pooled
    assert fewer["reason"].iloc[0] == "3 events with values on both sides; 4 are needed"


def test_order_of_rows_does_not_matter_and_inputs_stay():
    runs, notes, found = rabbits()
    wrap = wrap_of(runs, np.random.default_rng(2).normal(70, 9, len(runs)))
    before = [frame.copy() for frame in (runs, notes, wrap, found)]
    one = find_before_after(runs, notes, wrap, found)
    other = find_before_after(*(frame.sample(frac=1, random_state=3) for frame in (runs, notes, wrap, found)))
    for name in ("events", "comparisons", "pooled"):
        pd.testing.assert_frame_equal(getattr(one, name), getattr(other, name))
    for frame, kept in zip((runs, notes, wrap, found), before, strict=True):
        pd.testing.assert_frame_equal(frame, kept)


def test_nothing_recorded():
    runs = runs_of([2] * 4)
    none = find_before_after(runs, notes_of(), NO_AREAS, found_of(runs, spit=[False] * 8))
    assert (none.n, none.excluded, none.straddling) == (0, 0, 0)
    assert len(none.events) == len(none.comparisons) == len(none.pooled) == 0
    nobody = find_before_after(runs.iloc[:0], notes_of(note(2)), NO_AREAS, found_of(runs.iloc[:0], spit=[]))
    assert (nobody.n, nobody.excluded) == (0, 1)
    full = find_before_after(runs, notes_of(note(2)), NO_AREAS, found_of(runs, spit=[False] * 8))
    for name in ("events", "comparisons", "pooled"):
        assert getattr(none, name).dtypes.to_dict() == getattr(full, name).dtypes.to_dict()


def test_regression_to_the_mean_is_said():
    runs = runs_of([2] * 4)
    assert "regression to the mean" in find_before_after(runs, notes_of(), NO_AREAS, found_of(runs)).method


def test_refusals():
    runs = runs_of([2] * 4)
    with pytest.raises(ValueError, match="window_d must be 1 or more; given 0"):
        find_before_after(runs, notes_of(), NO_AREAS, found_of(runs), window_d=0)
    with pytest.raises(ValueError, match="confidence must lie strictly between 0 and 1"):
        find_before_after(runs, notes_of(), NO_AREAS, found_of(runs), confidence=95)
