"""Standardised risks: tables worked by hand, published fractions, and limits that keep their promise."""

import numpy as np
import pandas as pd
import pytest

from auditkit.stats.attributable import levin_fraction, miettinen_fraction
from auditkit.stats.resampling import bca_limits, bootstrap_weights, jackknife_limits, leave_out_weights
from auditkit.stats.standardisation import QUANTITIES, inside_window, standardised_risk

WINDOW = (None, 22.0)


def expit(x):
    return 1 / (1 + np.exp(-x))


def clustered(rng: np.random.Generator, clusters: int, constant: float, confounding: float = 0.6) -> pd.DataFrame:
    """Clusters of 8 to 80 records; risk and exposure vary between clusters, c acts on both.

    `p` and `p_inside` are the true risks with the exposure as it was and inside its window.
    """
    sizes = np.round(np.geomspace(8, 80, clusters)).astype(int) if clusters < 1000 else np.ones(clusters, dtype=int)
    g = np.repeat(np.arange(clusters), sizes)
    c = rng.integers(0, 2, len(g))
    x = 20 + 5 * (rng.normal(size=len(g)) + rng.normal(0, 0.5, clusters)[g] + 0.5 * c)
    u = rng.normal(0, 0.5, clusters)[g]
    p, p_inside = (expit(constant + 0.08 * (value - 20) + confounding * c + u) for value in (x, np.minimum(x, 22)))
    y = (rng.random(len(g)) < p).astype(int)
    return pd.DataFrame({"g": g, "c": c, "x": x, "y": y, "p": p, "p_inside": p_inside})


def truth(frame: pd.DataFrame) -> dict[str, float]:
    out = frame[frame["x"] > 22]
    risk, inside = frame["p"].mean(), frame["p_inside"].mean()
    return {
        "risk_observed": risk,
        "risk_inside": inside,
        "difference": risk - inside,
        "ratio": risk / inside,
        "attributable_fraction": 1 - inside / risk,
        "difference_outside": out["p"].mean() - out["p_inside"].mean(),
        "ratio_outside": out["p"].mean() / out["p_inside"].mean(),
    }


def by_name(result, column="estimate"):
    return result.table.set_index("quantity")[column]


def test_large_saturated_table_is_standardisation_by_hand():
    # Two strata; risks inside the window 100/1000 and 600/2000, outside 400/1600 and 500/1000 (of 5600).
    counts = [("a", 0, 100, 1000), ("b", 0, 600, 2000), ("a", 1, 400, 1600), ("b", 1, 500, 1000)]
    rows = [(s, x, int(i < k)) for s, x, k, n in counts for i in range(n)]
    frame = pd.DataFrame(rows, columns=["s", "out", "y"]).assign(block=lambda f: np.arange(len(f)) % 20)
    found = by_name(standardised_risk(frame, outcome="y", exposure="out", window=(0, 0), adjust=["s"], cluster="block"))
    # The model has one odds ratio for both strata: solve it by hand from its score equations.
    from scipy.optimize import root

    def score(b):
        p = [expit(b[0] + b[1] * (s == "b") + b[2] * x) for s, x, _, _ in counts]
        gap = [k - n * q for (_, _, k, n), q in zip(counts, p, strict=True)]
        return [sum(gap), gap[1] + gap[3], gap[2] + gap[3]]

    b = root(score, [0, 0, 0]).x
    inside = (2600 * expit(b[0]) + 3000 * expit(b[0] + b[1])) / 5600
    assert found["risk_observed"] == pytest.approx(1600 / 5600)
    assert found["risk_inside"] == pytest.approx(inside, abs=2e-4)
    assert found["attributable_fraction"] == pytest.approx(1 - inside / (1600 / 5600), abs=5e-4)
    moved = (1600 * expit(b[0]) + 1000 * expit(b[0] + b[1])) / 2600
    assert found["ratio_outside"] == pytest.approx(900 / 2600 / moved, abs=3e-3)


def test_fraction_without_confounders_is_levins():
    model = {"outcome": "y", "exposure": "out", "window": (0, 0), "cluster": "block"}
    frame = pd.DataFrame({"out": [0] * 4000 + [1] * 6000, "y": [1] * 400 + [0] * 3600 + [1] * 1500 + [0] * 4500})
    found = by_name(
        standardised_risk(frame.sample(frac=1, random_state=1).assign(block=np.arange(10_000) % 20), **model)
    )
    assert found["attributable_fraction"] == pytest.approx(levin_fraction(0.6, ratio=2.5), abs=1e-3)
    assert found["ratio_outside"] == pytest.approx(2.5, abs=1e-2)


def test_levin_and_miettinen_as_published():
    # Inactivity and stroke, article on the R package graphPAF: prevalence (.843, .855), adjusted ratio
    # (1.427, 1.806), crude ratio (1.514, 1.833), centres taken.
    prevalence, ratio, crude = 0.849, np.sqrt(1.427 * 1.806), np.sqrt(1.514 * 1.833)
    assert levin_fraction(prevalence, ratio=ratio) == pytest.approx(0.339, abs=5e-4)
    among_cases = prevalence * crude / (1 + prevalence * (crude - 1))
    assert miettinen_fraction(among_cases, ratio=ratio) == pytest.approx(0.341, abs=5e-4)
    # Without confounding the two agree.
    among_cases = prevalence * ratio / (1 + prevalence * (ratio - 1))
    assert miettinen_fraction(among_cases, ratio=ratio) == pytest.approx(levin_fraction(prevalence, ratio=ratio))
    with pytest.raises(ValueError, match=r"given 1\.2 and 2"):
        levin_fraction(1.2, ratio=2)


def test_adjustment_takes_confounding_away():
    frame = clustered(np.random.default_rng(1), 40_000, -1.5, confounding=2.0)
    true = truth(frame)
    # The mean risk over clusters is nearly logistic in x and c, so that the model is nearly right.
    model = {"outcome": "y", "exposure": "x", "window": WINDOW}
    sample = frame.assign(block=np.arange(len(frame)) % 20)
    crude = by_name(standardised_risk(sample, **model, cluster="block"))
    adjusted = by_name(standardised_risk(sample, **model, cluster="block", adjust=["c"]))
    assert adjusted["attributable_fraction"] == pytest.approx(true["attributable_fraction"], abs=0.01)
    assert crude["attributable_fraction"] > true["attributable_fraction"] + 0.025


@pytest.mark.parametrize(("clusters", "constant"), [(12, -1.0), (30, -1.0)])
def test_jackknife_limits_keep_their_promise(clusters, constant):
    # 120 data sets: at 95 % the standard error is 2 %. The docstring quotes 1200 data sets of the same design.
    true = truth(clustered(np.random.default_rng(99), 400_000, constant))
    rng, held = np.random.default_rng(clusters), dict.fromkeys(true, 0)
    for _ in range(120):
        frame = clustered(rng, clusters, constant)
        found = standardised_risk(frame, outcome="y", exposure="x", window=WINDOW, adjust=["c"], cluster="g").table
        for row in found.itertuples():
            if row.quantity in held:
                held[row.quantity] += row.low <= true[row.quantity] <= row.high
    coverage = pd.Series(held) / 120
    assert coverage.between(0.89, 0.995).all(), coverage
    assert coverage.mean() == pytest.approx(0.95, abs=0.025)


def test_bootstrap_is_narrower_and_repeats_from_its_seed():
    frame = clustered(np.random.default_rng(2), 12, -1.0)
    model = {"outcome": "y", "exposure": "x", "window": WINDOW, "adjust": ["c"], "cluster": "g"}
    results = {
        kind: standardised_risk(frame, **model, interval=kind, resamples=400, rng=np.random.default_rng(3))
        for kind in ("jackknife", "percentile", "bca")
    }
    widths = {kind: (by_name(r, "high") - by_name(r, "low"))["risk_observed"] for kind, r in results.items()}
    assert widths["percentile"] < widths["jackknife"]
    assert results["bca"].table["estimate"].equals(results["jackknife"].table["estimate"])
    again = standardised_risk(frame, **model, interval="bca", resamples=400, rng=np.random.default_rng(3))
    pd.testing.assert_frame_equal(again.table, results["bca"].table)


def test_weights_do_what_copies_would():
    frame = clustered(np.random.default_rng(4), 10, -1.0)
    members = frame["g"].to_numpy()
    weights = bootstrap_weights(members, resamples=1, rng=np.random.default_rng(5))[0]
    drawn = np.bincount(np.repeat(members, weights.astype(int)), minlength=10) // np.bincount(members)
    assert drawn.sum() == 10
    copies = frame.loc[np.repeat(frame.index, weights.astype(int))]
    from auditkit.stats.irls import fit_batch

    def fit(data, w=None):
        x = np.column_stack([np.ones(len(data)), data["x"], data["c"]])
        return fit_batch(x, data["y"].to_numpy(float), family="logistic", penalised=True, weights=w).coefficients[0]

    np.testing.assert_allclose(fit(frame, weights[None, :]), fit(copies), atol=1e-6)
    left = leave_out_weights(members)
    np.testing.assert_allclose(fit(frame, left[3:4]), fit(frame[members != 3]), atol=1e-6)


def test_left_out_level_does_no_harm():
    # A level that lives in one cluster vanishes with it: the others' estimates must be those of the rest alone.
    frame = clustered(np.random.default_rng(6), 8, -1.0).assign(site=lambda f: "s" + (f["g"] // 2).astype(str))
    found = standardised_risk(frame, outcome="y", exposure="x", window=WINDOW, adjust=["site"], cluster="site")
    assert by_name(found, "low").notna().all()
    values = []
    for site in sorted(frame["site"].unique()):
        rest = frame[frame["site"] != site]
        part = standardised_risk(rest, outcome="y", exposure="x", window=WINDOW, adjust=["site"], cluster="site")
        values.append(np.log(by_name(part)["ratio"]))
    sizes = frame["site"].value_counts().to_numpy(dtype=float)
    df = sizes.sum() ** 2 / (sizes**2).sum() - 1
    limits = np.exp(jackknife_limits(np.log(by_name(found)["ratio"]), left_out=values, df=df, confidence=0.95))
    row = found.table.set_index("quantity").loc["ratio"]
    np.testing.assert_allclose([row["low"], row["high"]], limits, rtol=1e-4)


def test_limits_agree_with_scipy():
    from scipy.stats import bootstrap

    rng = np.random.default_rng(7)
    values = rng.exponential(size=40)
    theirs = bootstrap((values,), np.mean, n_resamples=4000, method="BCa", rng=np.random.default_rng(8))
    left = [np.delete(values, i).mean() for i in range(40)]
    interval = bca_limits(values.mean(), resampled=theirs.bootstrap_distribution, left_out=left, confidence=0.95)
    np.testing.assert_allclose(interval, theirs.confidence_interval, rtol=1e-3)
    # The jackknife of a mean is its textbook standard error.
    low, high = jackknife_limits(values.mean(), left_out=left, df=39, confidence=0.95)
    from scipy.stats import sem, t

    error = t.isf(0.025, 39) * sem(values)
    np.testing.assert_allclose([low, high], [values.mean() - error, values.mean() + error])


def test_row_order_spline_gaps_and_input():
    frame = clustered(np.random.default_rng(9), 12, -1.0)
    frame.loc[3, "x"] = np.nan
    before = frame.copy()
    model = {"outcome": "y", "exposure": "x", "window": WINDOW, "adjust": ["c"], "cluster": "g", "knots": {"x": 4}}
    found = standardised_risk(frame, **model, missing="exclude")
    turned = standardised_risk(
        frame.iloc[::-1].assign(g=lambda f: "k" + f["g"].astype(str)), **model, missing="exclude"
    )
    np.testing.assert_allclose(
        found.table[["estimate", "low", "high"]], turned.table[["estimate", "low", "high"]], atol=1e-6
    )
    pd.testing.assert_frame_equal(frame, before)
    assert found.excluded == 1
    assert found.n == len(frame) - 1
    assert found.clusters == 12
    assert found.outside == (frame["x"] > 22).sum()
    assert found.table["quantity"].tolist() == list(QUANTITIES)


def test_no_outcome_outside_gives_no_limits_rather_than_false_ones():
    frame = pd.DataFrame({"out": [0] * 30 + [1] * 10, "y": [1] * 6 + [0] * 34, "g": list(range(10)) * 4})
    table = standardised_risk(frame, outcome="y", exposure="out", window=(0, 0), cluster="g").table
    row = table.set_index("quantity").loc["risk_outside"]
    assert row["estimate"] == 0
    assert np.isnan(row["low"])
    assert np.isnan(row["high"])


def test_what_is_refused():
    frame = clustered(np.random.default_rng(10), 12, -1.0)
    model = {"outcome": "y", "exposure": "x", "cluster": "g"}
    with pytest.raises(ValueError, match=r"interval must be one of \['jackknife', 'percentile', 'bca'\]; given 'wald'"):
        standardised_risk(frame, **model, window=WINDOW, interval="wald")
    with pytest.raises(ValueError, match="the bootstrap needs a random generator"):
        standardised_risk(frame, **model, window=WINDOW, interval="bca")
    with pytest.raises(ValueError, match=r"0 of .* lie outside"):
        standardised_risk(frame, **model, window=(None, 1000.0))
    with pytest.raises(ValueError, match="a window has a low end, a high end or both"):
        inside_window([1.0], window=(None, None))
    with pytest.raises(ValueError, match="y must hold 0 and 1"):
        standardised_risk(frame.assign(y=1), **model, window=WINDOW)
    with pytest.raises(ValueError, match="no one cluster may hold every outcome"):
        standardised_risk(frame.assign(y=(frame["g"] == 3).astype(int)), **model, window=WINDOW)
