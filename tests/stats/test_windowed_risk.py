"""The risk had an exposure stayed inside: against a posterior in full, plain g-computation, and known truth."""

import numpy as np
import pandas as pd
import pytest

from auditkit.stats.windowed_risk import LEAST_INFORMATION, LEAST_OUTCOMES, LEAST_OUTSIDE, windowed_risk

NUMBERS = ["difference", "low", "high", "p", "ratio", "risk_inside", "attributable_fraction", "information"]


def _drawn(seed=5, n=300, effect=1.2, groups=6):
    rng = np.random.default_rng(seed)
    job = np.arange(n) % groups
    x = rng.normal(0, 1, n)
    beyond = np.clip(x - 1, 0, None)
    y = rng.random(n) < 1 / (1 + np.exp(1.8 - 0.4 * (job - 2.5) / 2 - effect * beyond))
    return pd.DataFrame({"x": x, "job": [f"J{j}" for j in job], "day": np.arange(n) // 12, "fault": y.astype(int)})


def _risks(frame, **more):
    given = {"outcome": "fault", "exposure": "x", "window": (-1.0, 1.0), "groups": ["job"], "session": ["job", "day"]}
    return windowed_risk(frame, **(given | more))


def test_yes_or_no_is_the_posterior_of_two_shares():
    """9 of 20 outside and 12 of 80 inside: log-F(1, 1) on the log odds ratio, flat on the rest, summed over a grid."""
    frame = pd.DataFrame(
        {"x": [1] * 20 + [0] * 80, "fault": [1] * 9 + [0] * 11 + [1] * 12 + [0] * 68},
    )
    row = windowed_risk(frame, outcome="fault", exposure="x", window=(None, 0.0)).table.loc[0]
    base, effect = np.meshgrid(np.linspace(-5, 2, 1201), np.linspace(-4, 6, 1601), indexing="ij")
    log = 9 * (base + effect) - 20 * np.logaddexp(0, base + effect) + 0.5 * effect - np.logaddexp(0, effect)
    log += 12 * base - 80 * np.logaddexp(0, base)
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    without = 1 / (1 + np.exp(-base))
    risk = 0.2 / (1 + np.exp(-base - effect)) + 0.8 * without

    def quantiles(values):
        order = np.argsort(values, axis=None)
        return np.interp([0.025, 0.5, 0.975], np.cumsum(weight.ravel()[order]), values.ravel()[order])

    assert row[["low", "difference", "high"]].tolist() == pytest.approx(quantiles(risk - without), abs=0.003)
    assert row[["ratio_low", "ratio", "ratio_high"]].tolist() == pytest.approx(quantiles(risk / without), rel=0.02)
    assert row[["risk_inside_low", "risk_inside", "risk_inside_high"]].tolist() == pytest.approx(
        quantiles(without), abs=0.006
    )
    fraction = quantiles(1 - without / risk)
    assert row[["af_low", "attributable_fraction", "af_high"]].tolist() == pytest.approx(fraction, abs=0.015)
    assert row["p"] == pytest.approx(2 * weight[effect < 0].sum(), rel=0.25)
    # Information on a log odds ratio at nought: 1 / (1/(n1 q) + 1/(n0 q)) with q = share times its complement; by hand.
    share = (21 + 0.5 - 0.5) / 100
    assert row["information"] == pytest.approx(1 / (1 / 20 + 1 / 80) * share * (1 - share), rel=0.01)


def test_agrees_with_plain_g_computation_where_records_are_many():
    import statsmodels.api as sm

    frame = _drawn(n=6000)
    x, y = frame["x"].to_numpy(), frame["fault"].to_numpy()
    plain = [np.clip(x, -1, 1), np.clip(x, -1, 1) ** 2, np.clip(x - 1, 0, None), np.clip(-1 - x, 0, None)]
    design = np.column_stack([*plain, pd.get_dummies(frame["job"]).to_numpy(dtype=float)])
    model = sm.GLM(y, design, family=sm.families.Binomial()).fit()
    moved = design.copy()
    moved[:, 2] = 0.0
    difference = y.mean() - model.predict(moved).mean()
    row = _risks(frame).table.set_index("side").loc["above"]
    assert row["difference"] == pytest.approx(difference, abs=0.002)
    assert row["low"] < difference < row["high"]
    assert row["risk_observed"] - row["difference"] == pytest.approx(row["risk_inside"], abs=5e-4)


def test_sides_are_told_apart_and_turned_round_with_the_exposure():
    frame = _drawn()
    table = _risks(frame).table.set_index("side")
    turned = _risks(frame.assign(x=-frame["x"])).table.set_index("side")
    assert table.index.tolist() == ["below", "above"]
    assert table.loc["above", "low"] > 0 > table.loc["below", "low"]
    for side, other in (("below", "above"), ("above", "below")):
        assert table.loc[side, NUMBERS].tolist() == pytest.approx(
            turned.loc[other, NUMBERS].tolist(), rel=1e-3, abs=1e-5
        )
        assert table.loc[side, "n_outside"] == turned.loc[other, "n_outside"]


def test_confounder_is_held_equal():
    """Crew b stands too far more often and faults more often; too far does nothing."""
    rng = np.random.default_rng(11)
    crew = np.repeat([0, 1], 200)
    far = rng.random(400) < np.where(crew == 1, 0.7, 0.15)
    y = rng.random(400) < np.where(crew == 1, 0.45, 0.08)
    frame = pd.DataFrame({"x": far, "crew": np.where(crew == 1, "b", "a"), "fault": y.astype(int)})
    given = {"outcome": "fault", "exposure": "x", "window": (None, 0.0)}
    crude, adjusted = (windowed_risk(frame, groups=held, **given).table.loc[0] for held in ([], ["crew"]))
    assert crude["low"] > 0
    assert adjusted["low"] < 0 < adjusted["high"]
    assert abs(adjusted["difference"]) < crude["difference"] / 2
    as_number = windowed_risk(frame.assign(crew=crew), numbers=["crew"], **given).table.loc[0]
    assert as_number["difference"] == pytest.approx(adjusted["difference"], abs=0.03)


def test_sessions_widen_what_varies_between_them_only():
    rng = np.random.default_rng(2)
    day = np.repeat(np.arange(20), 20)
    x = rng.normal(0, 1, 20)[day]
    y = rng.random(400) < 1 / (1 + np.exp(1.0 - 0.8 * rng.normal(0, 1, 20)[day]))
    frame = pd.DataFrame({"x": x, "day": day, "fault": y.astype(int)})
    given = {"outcome": "fault", "exposure": "x", "window": (None, 0.5)}
    alone, together = (windowed_risk(frame, session=s, **given).table.loc[0] for s in ([], ["day"]))
    assert together["high"] - together["low"] > 1.2 * (alone["high"] - alone["low"])
    assert together["information"] < alone["information"] / 1.5


@pytest.mark.parametrize("effect", ["step", "line", "curve"])
def test_shape_beyond_the_window_is_found_out(effect):
    """Risk far above that inside, in three shapes; the true difference from the probabilities."""
    rng = np.random.default_rng(7)
    x = rng.normal(0, 1, 3000)
    beyond = np.clip(x - 0.8, 0, None)
    added = {"step": 2.0 * (beyond > 0), "line": 2.5 * beyond, "curve": 2.0 * beyond**2}[effect]
    risk = 1 / (1 + np.exp(2.2 - added))
    truth = risk.mean() - 1 / (1 + np.exp(2.2))
    frame = pd.DataFrame({"x": x, "fault": (rng.random(3000) < risk).astype(int)})
    row = windowed_risk(frame, outcome="fault", exposure="x", window=(None, 0.8)).table.loc[0]
    assert row["low"] < truth < row["high"]
    assert row["high"] - row["low"] < 0.06


def test_limits_and_p_say_the_same():
    for seed in range(6):
        for _, row in _risks(_drawn(seed=seed, n=200, effect=0.6)).table.iterrows():
            if row["why"]:
                continue
            clear = row["low"] > 0 or row["high"] < 0
            assert (row["p"] < 0.05) == clear
            assert row["low"] <= row["difference"] <= row["high"]
            assert (row["ratio_low"] > 1 or row["ratio_high"] < 1) == pytest.approx(clear)


def test_wider_confidence_is_wider():
    frame = _drawn()
    narrow, wide = (_risks(frame, confidence=c).table.loc[1] for c in (0.8, 0.99))
    assert wide["low"] < narrow["low"] < narrow["high"] < wide["high"]
    assert wide["difference"] == pytest.approx(narrow["difference"])


def test_unit_order_and_names_do_not_matter():
    frame = _drawn()
    table = _risks(frame).table
    order = np.random.default_rng(1).permutation(len(frame))
    other = frame.iloc[order].assign(x=lambda f: 25.0 * f["x"] + 175.0, job=lambda f: "job " + f["job"])
    again = _risks(other, window=(150.0, 200.0)).table
    assert again[NUMBERS].to_numpy() == pytest.approx(table[NUMBERS].to_numpy(), rel=1e-4, abs=1e-6, nan_ok=True)


def test_input_is_not_changed():
    frame = _drawn()
    before = frame.copy()
    _risks(frame)
    pd.testing.assert_frame_equal(frame, before)


def test_too_little_is_refused_with_the_reason():
    frame = _drawn(n=60)
    few = _risks(frame, window=(-9.0, 9.0)).table
    assert few["why"].tolist() == [f"0 records outside the window on this side; {LEAST_OUTSIDE} are needed"] * 2
    assert few[["difference", "low", "high", "p"]].isna().all(axis=None)
    none = _risks(frame.assign(fault=0)).table
    assert set(none["why"]) == {f"0 records with the outcome; {LEAST_OUTCOMES} are needed"}
    one = _risks(frame.assign(fault=(frame.index == frame.index[0]).astype(int))).table
    assert set(one["why"]) == {f"1 record with the outcome; {LEAST_OUTCOMES} are needed"}
    every = _risks(frame.assign(fault=1)).table
    assert set(every["why"]) == {f"0 records without the outcome; {LEAST_OUTCOMES} are needed"}
    out = _risks(frame, window=(None, -9.0)).table
    assert out["why"].tolist() == ["every record is outside the window on this side"]


def test_a_condition_that_is_a_group_under_another_name_is_refused():
    """All of one job outside and none of any other: nothing is left to tell it by but the prior."""
    rng = np.random.default_rng(4)
    frame = pd.DataFrame({"job": ["J1"] * 12 + ["J2"] * 40, "fault": (rng.random(52) < 0.2).astype(int)})
    frame = frame.assign(x=(frame["job"] == "J1").astype(float))
    given = {"outcome": "fault", "exposure": "x", "window": (None, 0.0)}
    known = windowed_risk(frame, **given).table.loc[0]
    assert known["why"] == ""
    held = windowed_risk(frame, groups=["job"], **given).table.loc[0]
    assert held["information"] < LEAST_INFORMATION < known["information"]
    assert held["why"].startswith("too little to tell")
    assert np.isnan(held["difference"])


def test_what_was_found_outside_does_not_decide_whether_there_is_an_answer():
    frame = pd.DataFrame({"x": [1.0] * 30 + [0.0] * 120, "fault": [0] * 30 + ([1] * 8 + [0] * 22) * 4})
    row = windowed_risk(frame, outcome="fault", exposure="x", window=(None, 0.0)).table.loc[0]
    assert row["found_outside"] == 0
    assert row["why"] == ""
    assert row["high"] < 0


def test_gaps_are_counted_or_refused():
    frame = _drawn()
    frame.loc[3, "x"] = np.nan
    result = _risks(frame, missing="exclude")
    assert (result.n, result.excluded) == (299, 1)
    with pytest.raises(ValueError, match="no value may be missing"):
        _risks(frame)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"window": (None, None)}, "a window has a low end, a high end or both"),
        ({"window": (2.0, 1.0)}, r"low not above high; given \(2.0, 1.0\)"),
        ({"group_sd": 0.0}, "the standard deviations of priors must be above 0; given 0.0"),
        ({"confidence": 95}, "confidence must lie strictly between 0 and 1"),
        ({"outcome": "day"}, "day must hold 0 and 1 only"),
        ({"groups": ["nobody"]}, r"the frame must have the columns \['nobody'\]"),
        ({"sides": ("up",)}, r"sides must be 'below', 'above' or both; given \['up'\]"),
    ],
)
def test_errors_say_what_must_hold(change, message):
    with pytest.raises(ValueError, match=message):
        _risks(_drawn(), **change)


def test_what_shrinking_leaves_of_a_confounder_is_no_effect(monkeypatch):
    """40 crews of 8 records, those who fault more often stand too far more often; too far does nothing."""
    from auditkit.stats import windowed_risk as module

    def mean_difference():
        seen = []
        for seed in range(12):
            rng = np.random.default_rng(seed)
            habit = rng.normal(0, 1.2, 40)
            crew = np.repeat(np.arange(40), 8)
            far = rng.random(320) < 1 / (1 + np.exp(-habit[crew]))
            fault = rng.random(320) < 1 / (1 + np.exp(1.0 - habit[crew]))
            frame = pd.DataFrame({"x": far, "crew": [f"C{c}" for c in crew], "fault": fault.astype(int)})
            given = {"outcome": "fault", "exposure": "x", "window": (None, 0.0), "groups": ["crew"]}
            seen.append(module.windowed_risk(frame, **given).table.loc[0, "difference"])
        return float(np.mean(seen)), float(np.std(seen) / 12**0.5)

    held, error = mean_difference()
    assert abs(held) < 3 * error
    monkeypatch.setattr(module, "LEAST_PER_LEVEL", 9)
    left, _ = mean_difference()
    assert left > held + 0.02
    assert left > 3 * error
