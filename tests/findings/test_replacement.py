"""Replacement: published lives, costs by hand and by plain simulation, and when it cannot tell."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad
from scipy.optimize import minimize_scalar
from scipy.stats import weibull_min

from auditkit.findings.replacement import find_replacement

DAYS = pd.date_range("2027-01-04T08:00Z", periods=400, freq="D")
COSTS = {"currency": "EUR", "brush": (40.0, 900.0), "filter": (5.0, 300.0)}


def runs_of(days=400, units=("U1",)):
    frames = [
        pd.DataFrame(
            {
                "unit_id": unit,
                "day": DAYS[:days].strftime("%Y-%m-%d"),
                "started_at": DAYS[:days],
                "ended_at": DAYS[:days] + pd.Timedelta(hours=1),
            }
        )
        for unit in units
    ]
    return pd.concat(frames, ignore_index=True)


def lives_of(last_good, first_bad, *, part="brush", mode="worn", ended_by="replaced", step=15, unit="U1"):
    """Lives that begin every `step` days, the last of them still in use where it was not found bad."""
    n = len(last_good)
    began = DAYS[np.arange(n) * step]
    return pd.DataFrame(
        {
            "unit_id": unit,
            "part": part,
            "mode": mode,
            "life_no": np.arange(1, n + 1),
            "began_at": began,
            "began_by": "replaced",
            "last_good": np.asarray(last_good, dtype=float),
            "first_bad": np.asarray(first_bad, dtype=float),
            "ended_at": [*began[1:], DAYS[n * step]],
            "ended_by": ended_by,
        }
    )


def find(lives, runs=None, *, costs=COSTS, seed=1, **settings):
    return find_replacement(
        lives, runs_of() if runs is None else runs, costs=costs, rng=np.random.default_rng(seed), **settings
    )


def worn(n, *, shape=5.0, scale=12.0, seed=2):
    ages = scale * np.random.default_rng(seed).weibull(shape, n)
    return np.floor(ages / 2) * 2, np.floor(ages / 2) * 2 + 2


def shock_absorbers():
    """Meeker and Escobar (1998), km to failure, and km of those that had not failed."""
    failed = [6700, 9120, 12200, 13150, 14300, 17520, 20100, 20900, 22700, 26510, 27490]
    going = [6950, 7820, 8790, 9660, 9820, 11310, 11690, 11850, 11880, 12140, 12870, 13330, 13470, 14040, 17540]
    going += [17890, 18450, 18960, 18980, 19410, 20100, 20150, 20320, 23490, 27410, 27890, 28100]
    return lives_of([*failed, *going], [*failed, *[np.inf] * len(going)], step=1)


def test_life_of_shock_absorbers_as_published():
    """mu 10.2299, sigma .3164; 95 % limits of the mean log life 10.0144824, 10.4452437."""
    row = find(shock_absorbers()).parts.iloc[0]
    assert (row["lives"], row["failures"]) == (38, 11)
    assert np.log([row["scale_d"], row["scale_low_d"], row["scale_high_d"]]) == pytest.approx(
        [10.2299, 10.0144824, 10.4452437], abs=6e-5
    )
    assert 1 / row["shape"] == pytest.approx(0.3164, abs=5e-5)
    assert row["mean_life_d"] == pytest.approx(weibull_min(1 / 0.3164, scale=np.exp(10.2299)).mean(), rel=1e-3)


def test_best_age_costs_least_by_plain_integration():
    row = find(shock_absorbers()).parts.iloc[0]
    good = weibull_min(row["shape"], scale=row["scale_d"]).sf

    def rate(age):
        return (40 * good(age) + 900 * (1 - good(age))) / quad(good, 0, age)[0]

    best = minimize_scalar(rate, bounds=(1000, 25000), method="bounded")
    assert row["verdict"] == "replace"
    assert row["best_d"] == pytest.approx(best.x, rel=1e-3)
    assert row["rate_best"] == pytest.approx(best.fun, rel=1e-6)
    assert row["rate_failure"] == pytest.approx(900 / row["mean_life_d"])
    assert row["best_low_d"] < row["best_d"] < row["best_high_d"]
    assert row["rate_best_low"] < row["rate_best"] < row["rate_best_high"]


def test_curve_lies_within_its_limits_and_beside_turnbull():
    curve = find(lives_of(*worn(40), step=8)).curves
    assert (curve["part"].unique().tolist(), curve["mode"].unique().tolist()) == (["brush"], ["worn"])
    assert (curve["low"] < curve["good_share"]).all()
    assert (curve["good_share"] < curve["high"]).all()
    assert (curve["good_share"].diff().dropna() < 0).all()
    told = curve.dropna(subset=["turnbull"])
    assert (told["turnbull"] - told["good_share"]).abs().max() < 0.12


def test_turnbull_is_missing_where_the_looks_cannot_say():
    # Of six lives two ended in (2, 4], two in (6, 8], and two in (8, 10]: 2/3 are good from 4 to 6.
    curve = find(lives_of([2, 2, 6, 6, 8, 8], [4, 4, 8, 8, 10, 10])).curves.set_index("age_d")["turnbull"]
    assert curve.index[-1] == 10.0
    assert curve.loc[2.0] == 1.0
    assert curve.loc[4.01:5.99].tolist() == pytest.approx([2 / 3] * 7)
    assert curve.loc[4.0] == curve.loc[6.0] == pytest.approx(2 / 3)
    assert curve.loc[2.01:3.99].isna().all()
    assert curve.loc[8.0] == pytest.approx(1 / 3)
    assert curve.loc[10.0] == 0.0


def test_what_was_paid_and_used_by_hand():
    # Three found bad, two changed in time, the last still in use: 15 days each; costs 3 * 900 + 2 * 40.
    lives = lives_of([10, 14, 8, 14, 10, 14], [12, np.inf, 10, np.inf, 12, np.inf])
    lives.loc[5, "ended_by"], lives.loc[5, "ended_at"] = "still in use", pd.NaT
    more = lives_of([10, 9], [12, 11], unit="U2")
    row = find(pd.concat([lives, more]), runs_of(90, ("U1", "U2"))).parts.iloc[0]
    assert (row["planned_changes"], row["failed_changes"]) == (2, 5)
    assert row["used_d"] == pytest.approx(6 * 15 + 2 * 15)
    assert row["paid"] == pytest.approx(5 * 900 + 2 * 40)


def test_saving_agrees_with_a_plain_simulation():
    """150 lives fix the life well: changing at the best age, in a loop of one part after another, costs as much."""
    ages = 12 * np.random.default_rng(5).weibull(5, 150)
    began = pd.to_datetime(DAYS[0]) + pd.to_timedelta(np.concatenate([[0], np.cumsum(np.ceil(ages))[:-1]]), unit="D")
    lives = lives_of(ages, ages, step=1).assign(began_at=began)
    lives["ended_at"] = [*began[1:], began[-1] + pd.Timedelta(days=20)]
    days = pd.date_range(DAYS[0], began[-1] + pd.Timedelta(days=19), freq="D")
    runs = pd.DataFrame({"unit_id": "U1", "day": days.strftime("%Y-%m-%d"), "started_at": days})
    row = find(lives, runs.assign(ended_at=days + pd.Timedelta(hours=1))).parts.iloc[0]
    rng = np.random.default_rng(6)
    costs = []
    for _ in range(200):
        clock, cost = 0.0, 0.0
        while True:
            life = row["scale_d"] * rng.weibull(row["shape"])
            clock += min(life, row["best_d"])
            if clock > row["used_d"]:
                break
            cost += 900 if life < row["best_d"] else 40
        costs.append(cost)
    assert row["expected"] == pytest.approx(np.mean(costs), rel=0.03)
    assert row["saved"] == pytest.approx(150 * 900 - row["expected"])
    spread = np.quantile(costs, [0.975, 0.025])
    assert row["saved_low"] < 150 * 900 - spread[0] + 900
    assert row["saved_high"] > 150 * 900 - spread[1] - 900
    assert row["saved_low"] < row["saved"] < row["saved_high"]


def test_interval_as_practised_counts_failures_as_not_yet_reached():
    # Changed in time at 10, 10 and 20 days, found bad at 10 (after the changes of that age) and 15.
    lives = lives_of([9, 9, 19, 6, 12], [np.inf, np.inf, np.inf, 8, 14], step=1)
    lives["began_at"], lives["ended_at"] = DAYS[0], DAYS[[10, 10, 20, 10, 15]]
    bad = lives_of([5, 6, 7], [7, 8, 9], step=1).assign(began_at=DAYS[0], ended_at=DAYS[5])
    row = find(pd.concat([lives, bad])).parts.iloc[0]
    # Kaplan-Meier of the age meant: at 10, two of the five left are changed; at 20 the one left.
    assert row["practised_d"] == 20.0
    good = weibull_min(row["shape"], scale=row["scale_d"]).sf
    cost, time = (
        [f(t) for t in (10, 20)] for f in (lambda t: 40 * good(t) + 900 * (1 - good(t)), lambda t: quad(good, 0, t)[0])
    )
    assert row["rate_practised"] == pytest.approx((0.4 * cost[0] + 0.6 * cost[1]) / (0.4 * time[0] + 0.6 * time[1]))


def test_without_changes_in_time_the_practice_is_to_run_to_failure():
    row = find(lives_of(*worn(20))).parts.iloc[0]
    assert row["rate_practised"] == row["rate_failure"]
    assert np.isnan(row["practised_d"])


@pytest.mark.parametrize(
    ("lives", "costs", "verdict", "reason"),
    [
        (lives_of([9, 3, 9], [11, 5, np.inf]), COSTS, "cannot tell", "2 failures among 3 lives; an interval needs 5"),
        (lives_of([9, 5], [np.inf, np.inf]), COSTS, "cannot tell", "no failure among 2 items"),
        (lives_of(*worn(20)), None, "cannot tell", "no costs are declared for this part"),
        (lives_of(*worn(20)), {"currency": "EUR"}, "cannot tell", "no costs are declared for this part"),
        (lives_of(*worn(20)), {"brush": (9.0, 9.0)}, "run to failure", "costs no more than a change in time"),
        (lives_of(*worn(60, shape=0.4), step=5), COSTS, "run to failure", "a new part is no better than an old one"),
        (lives_of(*worn(12, shape=1.1, seed=4)), COSTS, "cannot tell", "cannot be told (shape"),
        (lives_of([np.nan, np.nan], [np.nan, np.nan]), COSTS, "cannot tell", "no life has a known beginning"),
    ],
)
def test_when_no_interval_is_named(lives, costs, verdict, reason):
    row = find(lives, costs=costs).parts.iloc[0]
    assert row["verdict"] == verdict
    assert reason in row["reason"]
    assert np.isnan(row["best_d"])
    assert np.isnan(row["rate_best"])
    assert np.isnan(row["saved"]) == (verdict == "cannot tell")


def test_a_shape_below_1_that_may_be_above_is_no_ground_to_run_on():
    row = find(lives_of(*worn(10, shape=0.8, scale=20.0, seed=3))).parts.iloc[0]
    assert row["shape"] < 1 < row["shape_high"]
    assert row["verdict"] == "cannot tell"
    assert "if it does" not in row["reason"]
    assert row["rate_failure_low"] < row["rate_failure"] < row["rate_failure_high"]


def test_few_failures_still_have_a_curve():
    found = find(lives_of([9, 3, 9], [11, 5, np.inf]))
    assert len(found.curves) == 40
    assert np.isnan(found.parts["rate_failure"]).all()
    assert np.isfinite(find(lives_of([9, 3, 9], [11, 5, np.inf]), least_failures=2).parts["rate_failure"]).all()


def test_modes_of_a_part_are_kept_apart_and_lives_without_ages_counted():
    clogged = lives_of(*worn(20, seed=8), part="filter", mode="clogged", ended_by="cleaned")
    changed = lives_of([30.0], [np.inf], part="filter")
    lost = clogged.head(3).assign(last_good=np.nan, first_bad=np.nan)
    found = find(pd.concat([lives_of(*worn(20)), changed, clogged, lost]))
    assert found.parts[["part", "mode"]].values.tolist() == [
        ["filter", "worn"],
        ["filter", "clogged"],
        ["brush", "worn"],
    ]
    assert found.parts["lives"].tolist() == [1, 20, 20]
    assert found.parts["excluded"].tolist() == [0, 3, 0]
    assert (found.n, found.excluded, found.currency) == (41, 3, "EUR")


def test_a_life_begun_before_the_runs_on_record_is_left_out():
    """Its days of use before the first recorded run are not known: its age would be too low."""
    early = lives_of([2, 3], [4, 5], unit="U2")
    early["began_at"] = DAYS[[0, 0]] - pd.to_timedelta([20, 25], unit="h")
    found = find(pd.concat([lives_of(*worn(20)), early]), runs_of(units=("U1", "U2")))
    assert (found.n, found.excluded) == (21, 1)
    assert found.parts["excluded"].tolist() == [1]
    unused = find(lives_of(*worn(20)), runs_of(units=("U9",)))
    assert (unused.n, unused.excluded) == (0, 20)


def test_order_of_rows_does_not_matter_and_inputs_stay():
    lives, runs = pd.concat([lives_of(*worn(20)), lives_of(*worn(9, seed=3), unit="U2")]), runs_of(units=("U1", "U2"))
    before = lives.copy(), runs.copy()
    one = find(lives, runs)
    other = find(lives.sample(frac=1, random_state=1), runs.sample(frac=1, random_state=2))
    pd.testing.assert_frame_equal(one.parts, other.parts)
    pd.testing.assert_frame_equal(one.curves, other.curves)
    pd.testing.assert_frame_equal(lives, before[0])
    pd.testing.assert_frame_equal(runs, before[1])


def test_nothing_recorded():
    found = find(lives_of([9.0], [11.0]).iloc[:0], runs_of().iloc[:0])
    assert (len(found.parts), len(found.curves), found.n, found.excluded) == (0, 0, 0, 0)
    assert list(found.parts.columns) == list(find(lives_of(*worn(9))).parts.columns)
    assert list(found.curves.columns) == ["part", "mode", "age_d", "good_share", "low", "high", "turnbull"]


def test_refusals():
    with pytest.raises(ValueError, match="costs must be finite and above 0"):
        find(lives_of(*worn(20)), costs={"brush": (0.0, 9.0)})
    with pytest.raises(ValueError, match="confidence must lie strictly between 0 and 1"):
        find(lives_of(*worn(20)), confidence=95)


def test_limits_of_the_best_age_hold_it():
    """Of 40 data sets of 20 lives looked at every second day, 95 % limits hold the true best age in 34 or more."""
    true = 15 * 0.49305  # scale 15, shape 2.5, costs 1 and 5: the published optimum of scale 1000, in scale
    held = 0
    for seed in range(40):
        good, bad = worn(20, shape=2.5, scale=15.0, seed=100 + seed)
        row = find(lives_of(good, bad), costs={"brush": (1.0, 5.0)}, draws=500).parts.iloc[0]
        held += bool(row["best_low_d"] <= true <= row["best_high_d"]) or row["verdict"] == "cannot tell"
    assert held >= 34
