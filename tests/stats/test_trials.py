"""Designed trials: designs and aliases of the books, published effects, and errors that belong to them."""

import numpy as np
import pandas as pd
import pytest

from auditkit.stats.trial_effects import curvature, lenth, repeats_summary, trial_effects
from auditkit.stats.trial_power import trial_power
from auditkit.stats.trials import alias_table, decoded, fractional_factorial, full_factorial, run_plan

SIX = fractional_factorial(list("abcdef"), generators={"e": "abc", "f": "bcd"})


def aircraft() -> pd.DataFrame:
    """Paint thickness on aircraft, Schmidt & Launsby, Understanding Industrial Designed Experiments 4e, 2.4."""
    readings = [
        (-1, -1, -1, -1, [0.638, 0.489, 0.477, 0.541]),
        (-1, -1, 1, 1, [0.496, 0.509, 0.513, 0.495]),
        (-1, 1, -1, 1, [0.562, 0.493, 0.529, 0.531]),
        (-1, 1, 1, -1, [0.564, 0.632, 0.507, 0.757]),
        (1, -1, -1, 1, [0.659, 0.623, 0.636, 0.584]),
        (1, -1, 1, -1, [0.549, 0.457, 0.604, 0.386]),
        (1, 1, -1, -1, [0.842, 0.910, 0.657, 0.953]),
        (1, 1, 1, 1, [0.910, 0.898, 0.913, 0.875]),
    ]
    rows = [(run, *levels, y) for run, (*levels, values) in enumerate(readings, start=1) for y in values]
    return pd.DataFrame(rows, columns=["run", *"ABCD", "y"])


def aircraft_runs() -> pd.DataFrame:
    readings = aircraft()
    settings = readings.drop(columns="y").drop_duplicates()
    return settings.merge(repeats_summary(readings, run="run", response="y"), on="run")


def effect(result, column="estimate"):
    return result.table.set_index("effect")[column]


def test_aircraft_location_and_dispersion():
    found = effect(trial_effects(aircraft_runs(), factors=list("ABCD"), response="mean"))
    printed = {"A": 0.17, "B": 0.18, "D": 0.016, "A x B": 0.128, "A x C": -0.030, "A x D": 0.076}  # BC is AD
    for name, value in printed.items():
        digits = 3 if name not in ("A", "B") else 2
        assert found[name] == pytest.approx(value, abs=0.5001 * 10**-digits), name
    assert found["C"] == pytest.approx(-0.004, abs=5e-4)
    spread = effect(trial_effects(aircraft_runs(), factors=list("ABCD"), response="sd"))
    # Printed -.0808; the readings as quoted give -.0805. No other effect on the spread comes near.
    assert spread["D"] == pytest.approx(-0.0808, abs=4e-4)
    assert spread.drop("D").abs().max() < 0.02


def test_aircraft_repeats_are_no_replicates():
    proper = trial_effects(aircraft_runs(), factors=list("ABCD"), response="mean")
    assert proper.replicated_df == 0
    assert proper.table["std_error"].isna().all()
    # The trap: 24 degrees of freedom out of nothing, and an interaction of C and D "found".
    trapped = trial_effects(aircraft(), factors=list("ABCD"), response="y")
    assert trapped.replicated_df == 24
    assert effect(trapped, "p")["A x D"] < 0.05
    np.testing.assert_allclose(effect(trapped), effect(proper))


def test_trap_raises_false_alarms_and_run_means_do_not():
    # Runs differ by more than readings; nothing has an effect. 250 trials of 2^2, 2 runs a setting, 4 readings a run.
    rng = np.random.default_rng(1)
    plan = run_plan(full_factorial(["a", "b"]), rng=rng, replicates=2)
    alarms = {"run": 0, "reading": 0}
    for _ in range(250):
        y = rng.normal(size=8)[:, None] + 0.5 * rng.normal(size=(8, 4))
        runs = plan.assign(y=y.mean(axis=1))
        readings = plan.loc[np.repeat(plan.index, 4)].assign(y=y.ravel())
        for kind, frame in (("run", runs), ("reading", readings)):
            found = trial_effects(frame, factors=["a", "b"], response="y", order=1)
            alarms[kind] += effect(found, "p")["a"] < 0.05
    assert alarms["run"] / 250 == pytest.approx(0.05, abs=0.041)  # three standard errors
    assert alarms["reading"] / 250 > 0.2


def test_eddy_current_half_effects():
    # NIST/SEMATECH e-Handbook 5.6.1.
    runs = full_factorial(["x1", "x2", "x3"]).runs.assign(y=[1.70, 4.57, 0.55, 3.39, 1.51, 4.59, 0.67, 4.29])
    found = trial_effects(runs, factors=["x1", "x2", "x3"], response="y", order=3)
    printed = [1.55125, -0.43375, 0.06375, 0.10625, 0.12375, 0.14875, 0.07125]
    names = ["x1", "x2", "x1 x x2", "x3", "x1 x x3", "x2 x x3", "x1 x x2 x x3"]
    assert found.mean == pytest.approx(2.65875)
    coefficients = effect(found, "coefficient")
    assert sorted(coefficients) == pytest.approx(sorted(printed))
    assert coefficients[["x1", "x2", "x3"]].tolist() == pytest.approx([1.55125, -0.43375, 0.10625])
    assert set(names) == set(coefficients.index)


def test_replicated_effects_agree_with_least_squares():
    import statsmodels.formula.api as smf

    rng = np.random.default_rng(2)
    plan = run_plan(full_factorial(["a", "b"]), rng=rng, replicates=3).assign(y=lambda f: f["a"] + rng.normal(size=12))
    found = trial_effects(plan, factors=["a", "b"], response="y").table
    theirs = smf.ols("y ~ a * b", data=plan).fit()
    np.testing.assert_allclose(found["coefficient"], theirs.params[["a", "b", "a:b"]])
    np.testing.assert_allclose(found["std_error"] / 2, theirs.bse[["a", "b", "a:b"]])
    np.testing.assert_allclose(found["p"], theirs.pvalues[["a", "b", "a:b"]])
    np.testing.assert_allclose(found["low"] / 2, theirs.conf_int().loc[["a", "b", "a:b"], 0])


def test_split_plot_effects_are_held_against_their_own_error():
    # By hand: a is set per whole plot, so its error is that between means of whole plots of like level.
    rng = np.random.default_rng(3)
    plan = run_plan(full_factorial(["a", "b"]), rng=rng, replicates=4, hard_to_change=["a"])
    plan["y"] = rng.normal(size=8)[plan["whole_plot"] - 1] + 0.2 * rng.normal(size=16)
    found = trial_effects(plan, factors=["a", "b"], response="y", whole_plot="whole_plot").table.set_index("effect")
    plots = plan.groupby("whole_plot").agg(a=("a", "first"), y=("y", "mean"))
    from scipy.stats import ttest_ind

    plain = ttest_ind(plots.loc[plots["a"] == 1, "y"], plots.loc[plots["a"] == -1, "y"])
    assert found.loc["a", "p"] == pytest.approx(plain.pvalue)
    assert found["stratum"].tolist() == ["whole plot", "run", "run"]
    assert found["df"].tolist() == [6, 6, 6]
    # b within whole plots: differences of the two runs, pooled over the levels of a.
    wide = plan.pivot(index="whole_plot", columns="b", values="y")
    gap, a = wide[1] - wide[-1], plots["a"]
    pooled = gap.groupby(a).var().mean()
    assert found.loc["b", "std_error"] == pytest.approx(np.sqrt(pooled / 8))
    assert found.loc["b", "estimate"] == pytest.approx(gap.mean())


def test_lenth_by_hand_and_at_its_nominal_rate():
    yard = lenth([0.1, -0.2, 0.3, 0.4, -0.5, 0.6, 9.0])
    # median .4, s0 .6, 2.5 s0 = 1.5 leaves out 9; median of the rest .35.
    assert yard.pseudo_error == pytest.approx(1.5 * 0.35)
    from scipy.stats import t

    assert yard.margin == pytest.approx(t.ppf(0.975, 7 / 3) * 0.525)
    assert yard.simultaneous_margin == pytest.approx(t.ppf((1 + 0.95 ** (1 / 7)) / 2, 7 / 3) * 0.525)
    rng = np.random.default_rng(4)
    chance = rng.normal(size=(2000, 15))
    single = np.mean([np.abs(row) > lenth(row).margin for row in chance])
    assert 0.02 < single < 0.05  # the t of the paper errs on the safe side
    with pytest.raises(ValueError, match="at least 3 effects are needed; given 2"):
        lenth([1.0, 2.0])


def test_aliases_of_the_books():
    # Montgomery (2013) Table 8.10: 2^(6-2), E = ABC, F = BCD, I = ABCE = BCDF = ADEF, resolution IV.
    assert ["".join(word) for word in SIX.defining_words] == ["abce", "adef", "bcdf"]
    assert SIX.resolution == 4
    table = alias_table(SIX).set_index("effect")["aliased_with"]
    assert (table[list("abcdef")] == "").all()
    assert table["a x e"] == "b x c, d x f"
    assert table["b x d"] == "c x f"
    assert table["a x b"] == "c x e"


def test_aliased_contrasts_are_indeed_the_same_column():
    table = alias_table(SIX).set_index("effect")["aliased_with"]
    for name, others in table.items():
        column = SIX.runs[name.split(" x ")].prod(axis=1)
        for other in filter(None, others.split(", ")):
            assert abs(column @ SIX.runs[other.split(" x ")].prod(axis=1)) == 16
    found = trial_effects(SIX.runs.assign(y=0.0), factors=list("abcdef"), response="y").table
    assert len(found) == 6 + 7
    for row in found.itertuples():
        assert row.aliased_with == table[row.effect]


def test_standard_order_and_orthogonality():
    full = full_factorial(["a", "b", "c"])
    assert full.runs["a"].tolist() == [-1, 1] * 4
    assert full.runs["c"].tolist() == [-1] * 4 + [1] * 4
    assert full.defining_words == ()
    assert full.resolution is None
    np.testing.assert_array_equal(SIX.runs.T @ SIX.runs, 16 * np.eye(6))


def test_plan_holds_every_setting_and_repeats_from_its_seed():
    plan = run_plan(full_factorial(["a", "b", "c"]), rng=np.random.default_rng(5), replicates=2, centre_runs=1)
    assert plan["run"].tolist() == list(range(1, 19))
    corners = plan[plan["point"] == "corner"]
    assert (corners.groupby(["a", "b", "c"]).size() == 2).all()
    assert (plan.groupby("replicate").size() == 9).all()
    again = run_plan(full_factorial(["a", "b", "c"]), rng=np.random.default_rng(5), replicates=2, centre_runs=1)
    pd.testing.assert_frame_equal(plan, again)
    other = run_plan(full_factorial(["a", "b", "c"]), rng=np.random.default_rng(6), replicates=2, centre_runs=1)
    assert not plan.equals(other)


def test_order_is_random_over_all_places():
    first = [
        run_plan(full_factorial(["a", "b"]), rng=np.random.default_rng(seed)).iloc[0][["a", "b"]].tolist()
        for seed in range(400)
    ]
    counts = pd.Series([tuple(x) for x in first]).value_counts()
    assert len(counts) == 4
    assert counts.between(70, 130).all()


def test_blocks_take_the_interaction_named_and_nothing_else():
    # Montgomery (2013) 7.4: 2^3 in two blocks by ABC.
    plan = run_plan(full_factorial(["a", "b", "c"]), rng=np.random.default_rng(7), blocks=["abc"])
    sign = plan["a"] * plan["b"] * plan["c"]
    assert (sign.groupby(plan["block"]).std() == 0).all()
    for name in "abc":
        assert (plan.groupby("block")[name].sum() == 0).all()
    with pytest.raises(ValueError, match="would take a main effect"):
        run_plan(full_factorial(["a", "b", "c"]), rng=np.random.default_rng(7), blocks=["ab", "abc"])
    with pytest.raises(ValueError, match="would take a main effect"):
        run_plan(SIX, rng=np.random.default_rng(7), blocks=["abc"])


def test_split_plot_plan():
    plan = run_plan(
        full_factorial(["a", "b", "c"]), rng=np.random.default_rng(8), replicates=3, hard_to_change=["c"], centre_runs=2
    )
    plots = plan.groupby("whole_plot")
    assert (plots["c"].std().dropna() == 0).all()
    assert (plan["whole_plot"].diff().dropna() >= 0).all()
    assert sorted(plots.size()) == [1] * 6 + [4] * 6
    assert (plots["replicate"].std().dropna() == 0).all()


def test_decoded():
    plan = run_plan(full_factorial(["a", "v"]), rng=np.random.default_rng(9), centre_runs=1)
    out = decoded(plan[plan["point"] == "corner"], levels={"a": (15.0, 30.0), "v": ("one", "two")})
    assert set(out["a"]) == {15.0, 30.0}
    assert set(out["v"]) == {"one", "two"}
    assert decoded(plan, levels={"a": (15.0, 30.0)}).loc[plan["point"] == "centre", "a"].tolist() == [22.5]
    with pytest.raises(ValueError, match="v has named levels, and so no middle"):
        decoded(plan, levels={"v": ("one", "two")})


def test_curvature_by_hand():
    # Montgomery (2013) Example 6.7: 2^2, centre 40.3 40.5 40.7 40.2 40.6: mean square of error .0430.
    runs = pd.DataFrame({"a": [-1, 1, -1, 1] + [0] * 5, "b": [-1, -1, 1, 1] + [0] * 5}).assign(
        y=[39.3, 40.9, 40.0, 41.5, 40.3, 40.5, 40.7, 40.2, 40.6]
    )
    found = curvature(runs, factors=["a", "b"], response="y")
    assert found.df == 4
    assert found.estimate == pytest.approx(-0.035)
    assert found.std_error == pytest.approx(np.sqrt(0.0430 * (1 / 4 + 1 / 5)))
    # Sum of squares for curvature, printed .0027: n_F n_C (difference)^2 / (n_F + n_C).
    assert 4 * 5 * found.estimate**2 / 9 == pytest.approx(0.0027, abs=5e-5)
    with pytest.raises(ValueError, match="two centre runs or more are needed; given 1"):
        curvature(runs[:5], factors=["a", "b"], response="y")


def test_curvature_in_blocks_is_that_of_least_squares():
    import statsmodels.formula.api as smf

    rng = np.random.default_rng(16)
    plan = run_plan(full_factorial(["a", "b"]), rng=rng, replicates=3, centre_runs=2)
    days = np.array([0.0, 9.0, -4.0])[plan["replicate"] - 1]
    runs = plan.assign(y=days + 2.0 * (plan["point"] == "corner") + rng.normal(size=len(plan)))
    found = curvature(runs, factors=["a", "b"], response="y", block="replicate")
    corner = (runs["point"] == "corner").astype(float)
    theirs = smf.ols("y ~ a * b + corner + C(replicate)", data=runs.assign(corner=corner)).fit()
    assert found.estimate == pytest.approx(theirs.params["corner"])
    assert found.std_error == pytest.approx(theirs.bse["corner"])
    assert found.df == theirs.df_resid
    assert found.p == pytest.approx(theirs.pvalues["corner"])
    assert [found.low, found.high] == pytest.approx(theirs.conf_int().loc["corner"].tolist())
    plain = curvature(runs, factors=["a", "b"], response="y")
    assert plain.std_error > 2 * found.std_error  # the days are in its error
    uneven = curvature(runs.iloc[:-2], factors=["a", "b"], response="y", block="replicate")
    setting = runs["a"].astype("str") + " " + runs["b"].astype("str")
    theirs = smf.ols("y ~ setting + C(replicate)", data=runs.assign(setting=setting).iloc[:-2]).fit()
    assert uneven.df == theirs.df_resid
    assert uneven.std_error**2 / theirs.mse_resid == pytest.approx(1 / 12 + 1 / 4, rel=0.2)
    single = pd.DataFrame({"a": [-1, 1, 0, 0], "y": [1.0, 2.0, 3.0, 4.0], "day": [1, 1, 1, 2]})
    with pytest.raises(ValueError, match="settings and blocks must leave differences between like runs"):
        curvature(single, factors=["a"], response="y", block="day")


def test_power_without_replicates_by_lenth():
    plan = run_plan(full_factorial(["a", "b", "c"]), rng=np.random.default_rng(17))
    given = {"factors": ["a", "b", "c"], "run_sd": 1.0, "order": 3, "unreplicated": "lenth", "simulations": 4000}
    found = trial_power(plan, **given, effects={"a": 4.0}, rng=np.random.default_rng(18)).set_index("effect")
    null = trial_power(plan, **given, effects={}, rng=np.random.default_rng(19)).set_index("effect")
    # One by one with `lenth` itself.
    rng = np.random.default_rng(20)
    alarms = [np.abs(row) > lenth(row).margin for row in rng.normal(0.0, 2.0 / 8**0.5, size=(2000, 7))]
    assert null["power"].mean() == pytest.approx(np.mean(alarms), abs=0.006)
    assert (null["df"] == 7 / 3).all()
    assert found.loc["a", "power"] > 0.8
    assert found.loc["b", "power"] < 0.06
    with pytest.raises(ValueError, match="three effects or more and no whole plots"):
        trial_power(plan, **given, effects={}, whole_plot="whole_plot", rng=rng)
    with pytest.raises(ValueError, match="unreplicated must be 'raise' or 'lenth'; given 'no'"):
        trial_power(plan, **{**given, "unreplicated": "no"}, effects={}, rng=rng)


def test_power_of_a_random_order_trial_is_that_of_noncentral_t():
    from scipy.stats import nct, t

    plan = run_plan(full_factorial(["a", "b"]), rng=np.random.default_rng(10), replicates=3)
    found = trial_power(
        plan, factors=["a", "b"], effects={"a": 1.2}, run_sd=0.8, reading_sd=0.6, readings=4,
        simulations=8000, rng=np.random.default_rng(11),
    ).set_index("effect")  # fmt: skip
    sd = np.sqrt(0.8**2 + 0.6**2 / 4)
    shift, point = 1.2 / (2 * sd / np.sqrt(12)), t.isf(0.025, 8)
    exact = nct.sf(point, 8, shift) + nct.cdf(-point, 8, shift)
    assert found.loc["a", "power"] == pytest.approx(exact, abs=4 * found.loc["a", "std_error"])
    assert found.loc["b", "power"] == pytest.approx(0.05, abs=0.01)
    assert found["df"].tolist() == [8, 8, 8]


def test_power_of_a_split_plot():
    plan = run_plan(full_factorial(["a", "b"]), rng=np.random.default_rng(12), replicates=4, hard_to_change=["a"])
    given = {"factors": ["a", "b"], "run_sd": 0.5, "whole_plot_sd": 1.0, "simulations": 4000}
    effects = {"a": 1.0, "b": 1.0}
    right = trial_power(plan, **given, effects=effects, whole_plot="whole_plot", rng=np.random.default_rng(13))
    power = right.set_index("effect")["power"]
    assert power["a"] < 0.5
    assert power["b"] > 0.9
    # No effect: the rate of false alarms is alpha in both strata.
    null = trial_power(plan, **given, effects={}, whole_plot="whole_plot", rng=np.random.default_rng(14))
    assert null["power"].between(0.038, 0.062).all()


def test_what_is_refused():
    rng = np.random.default_rng(15)
    plan = run_plan(full_factorial(["a", "b"]), rng=rng)
    with pytest.raises(ValueError, match="a has no error to be held against: replicate the runs"):
        trial_power(plan, factors=["a", "b"], effects={}, run_sd=1.0, rng=rng)
    with pytest.raises(ValueError, match=r"effects must be among \['a', 'b', 'a x b'\]; given also \['c'\]"):
        trial_power(plan, factors=["a", "b"], effects={"c": 1.0}, run_sd=1.0, rng=rng)
    with pytest.raises(ValueError, match="each named once"):
        full_factorial(["a", "a"])
    with pytest.raises(ValueError, match="a generator makes one of the factors of two or more"):
        fractional_factorial(list("abcd"), generators={"d": ["a"]})
    with pytest.raises(ValueError, match=r"two factors would move together: \['d', 'e'\]"):
        fractional_factorial(list("abcde"), generators={"d": "abc", "e": "abc"})
    with pytest.raises(ValueError, match="replicates from 1"):
        run_plan(full_factorial(["a"]), rng=rng, replicates=0)
    with pytest.raises(ValueError, match="one factor at least must be easy to change"):
        run_plan(full_factorial(["a"]), rng=rng, hard_to_change=["a"])
    with pytest.raises(ValueError, match=r"given also \['z'\]"):
        run_plan(full_factorial(["a"]), rng=rng, hard_to_change=["z"])
    runs = plan.assign(y=[1.0, 2.0, 3.0, 4.0])
    with pytest.raises(ValueError, match="factors must be coded -1 and"):
        trial_effects(runs.assign(a=[1, 2, 1, 2]), factors=["a", "b"], response="y")
    with pytest.raises(ValueError, match="runs must be balanced; a is not"):
        trial_effects(runs[:3], factors=["a", "b"], response="y")
