"""Risk along an exposure: against statsmodels, by hand where saturated, and limits that hold."""

import numpy as np
import pandas as pd
import pytest

from auditkit.stats.exposure_curve import exposure_curve, shrunken_rows


def expit(x):
    return 1 / (1 + np.exp(-x))


def records(n, seed, slope=0.8, bend=0.0, place=0.0):
    rng = np.random.default_rng(seed)
    site = rng.integers(0, 6, n)
    level = rng.normal(0, 1, 6)
    x = rng.normal(0, 1, n) + place * level[site]
    p = expit(-1 + slope * x + bend * x**2 + level[site])
    return pd.DataFrame(
        {"x": x, "site": "s" + pd.Series(site).astype(str), "y": (rng.random(n) < p).astype(int), "p": p}
    )


def test_nears_statsmodels_as_records_grow():
    # With many records priors do not matter: g-computation from statsmodels' maximum-likelihood fit.
    import statsmodels.formula.api as smf

    frame = records(20_000, 1, place=0.5)
    ours = exposure_curve(frame, outcome="y", exposure="x", at=[-1.0, 0.0, 1.5], groups=["site"])
    fit = smf.logit("y ~ x + C(site)", frame).fit(disp=0)
    theirs = [fit.predict(frame.assign(x=value)).mean() for value in (-1.0, 0.0, 1.5)]
    np.testing.assert_allclose(ours.table["risk"], theirs, atol=1e-3)
    assert ours.flatness_p < 1e-10
    assert (ours.n, ours.outcomes, ours.excluded) == (20_000, frame["y"].sum(), 0)


def test_limits_of_one_proportion_are_those_of_its_log_odds():
    # No adjustment and an exposure without effect: at the mean exposure, 12 of 40; var of log odds 1/12 + 1/28.
    frame = pd.DataFrame({"x": [0.0, 1.0] * 20, "y": ([1] * 6 + [0] * 14) * 2})
    row = exposure_curve(frame, outcome="y", exposure="x", at=[0.5]).table.iloc[0]
    error = (1 / 12 + 1 / 28) ** 0.5
    assert row["risk"] == pytest.approx(0.3, abs=1e-6)
    assert row["low"] == pytest.approx(expit(np.log(3 / 7) - 1.95996 * error), abs=1e-5)
    assert row["high"] == pytest.approx(expit(np.log(3 / 7) + 1.95996 * error), abs=1e-5)


def test_a_u_needs_the_spline():
    frame = records(4000, 2, slope=0.0, bend=0.7)
    at = [-1.5, 0.0, 1.5]
    line = exposure_curve(frame, outcome="y", exposure="x", at=at, groups=["site"]).table["risk"]
    spline = exposure_curve(frame, outcome="y", exposure="x", at=at, groups=["site"], knots=[-1.3, 0.0, 1.3]).table[
        "risk"
    ]
    assert spline[0] - spline[1] > 0.2
    assert spline[2] - spline[1] > 0.2
    assert abs(line[0] - line[1]) < 0.05


def test_adjustment_takes_confounding_away():
    frame = records(6000, 3, slope=0.0, place=1.0)
    crude = exposure_curve(frame, outcome="y", exposure="x", at=[-1.0, 1.0])
    held = exposure_curve(frame, outcome="y", exposure="x", at=[-1.0, 1.0], groups=["site"])
    assert crude.table["risk"][1] - crude.table["risk"][0] > 0.15
    assert abs(held.table["risk"][1] - held.table["risk"][0]) < 0.04


def test_band_and_test_keep_their_promise():
    # 120 data sets of 150 records in 30 sessions; at 95 % the standard error is 2 %.
    held, flat = 0, 0
    for seed in range(120):
        rng = np.random.default_rng(seed)
        session = rng.integers(0, 30, 150)
        level = rng.normal(0, 0.5, 30)[session]
        x = rng.normal(size=150)
        p = expit(-1.2 + level)
        frame = pd.DataFrame({"x": x, "session": session, "y": (rng.random(150) < p).astype(int)})
        found = exposure_curve(frame, outcome="y", exposure="x", at=[0.7], session=["session"], knots=[-1.2, 0.0, 1.2])
        held += found.table["low"][0] <= p.mean() <= found.table["high"][0]
        flat += found.flatness_p < 0.05
    assert 0.89 <= held / 120 <= 0.99
    assert flat / 120 <= 0.11


def test_separated_and_repeated_columns_stay_finite():
    frame = pd.DataFrame({"x": [0.0] * 20 + [1.0] * 20, "y": [0] * 20 + [1] * 20, "a": ["p", "q"] * 20})
    frame["b"] = frame["a"].map({"p": "u", "q": "v"})
    table = exposure_curve(frame, outcome="y", exposure="x", at=[0.0, 1.0], groups=["a", "b"]).table
    assert np.isfinite(table.to_numpy()).all()
    assert table["risk"][0] < 0.1
    assert table["risk"][1] > 0.9


def test_row_order_gaps_and_input():
    frame = records(200, 4).assign(session=lambda f: np.arange(200) % 20)
    frame.loc[3, "x"] = np.nan
    before = frame.copy()
    model = {"outcome": "y", "exposure": "x", "at": [0.0, 1.0], "groups": ["site"], "session": ["session"]}
    found = exposure_curve(frame, **model, missing="exclude")
    turned = exposure_curve(frame.iloc[::-1], **model, missing="exclude")
    np.testing.assert_allclose(found.table, turned.table, atol=1e-8)
    pd.testing.assert_frame_equal(frame, before)
    assert found.excluded == 1
    moved = exposure_curve(frame.assign(x=300 + 10 * frame["x"]), **(model | {"at": [300.0, 310.0]}), missing="exclude")
    np.testing.assert_allclose(found.table.drop(columns="value"), moved.table.drop(columns="value"), atol=1e-7)


def test_priors_stand_where_they_should():
    frame = pd.DataFrame({"crew": ["a", "b", "a"], "heat": [1.0, 3.0, 2.0], "one": [1.0] * 3})
    rows = shrunken_rows(
        frame, np.zeros(3), np.ones((3, 1)), groups=["crew"], numbers=["heat", "one"], session=["crew"]
    )
    assert rows.x.shape == (3, 5)  # constant, column of interest, heat (one does not vary), two crews
    assert rows.precision.tolist() == [0, 0, 0, 1, 1]
    assert rows.log_f.tolist() == [False, True, True, False, False]
    assert rows.sessions.tolist() == [0, 1, 0]


def test_what_is_refused():
    frame = records(50, 5)
    with pytest.raises(ValueError, match="y must hold 0 and 1, both of them"):
        exposure_curve(frame.assign(y=0), outcome="y", exposure="x", at=[0.0])
    with pytest.raises(ValueError, match=r"x must take two values or more; given \[2\.0\] only"):
        exposure_curve(frame.assign(x=2.0), outcome="y", exposure="x", at=[0.0])
    with pytest.raises(ValueError, match="confidence must lie strictly between 0 and 1"):
        exposure_curve(frame, outcome="y", exposure="x", at=[0.0], confidence=95)
