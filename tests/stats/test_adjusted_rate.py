"""Adjusted rates: a published Poisson model, statsmodels, and spread beyond chance."""

import numpy as np
import pandas as pd
import pytest

from auditkit.stats.adjusted_rate import _mode, adjusted_rate

SIGNS = (  # columns A to J of the design, as printed
    "----+-+-+ +---+--+- -+---++-- ++---+-++ --+-++-++ +-+-+++-- -++----+- +++---+-+ "
    "---+-++++ +--+-+--- -+-++-++- ++-++---+ --++----+ +-++--++- -+++++--- +++++++++"
)
COUNTS = [56, 17, 2, 4, 3, 4, 50, 2, 1, 0, 3, 12, 3, 4, 0, 0]


def rates(n, seed, ratio=2.0, spread=None):
    rng = np.random.default_rng(seed)
    job = rng.integers(0, 8, n)
    far, m2 = rng.random(n) < 0.3, rng.uniform(1, 6, n)
    mean = m2 * np.exp(-1 + np.log(ratio) * far + 0.5 * rng.normal(size=8)[job])
    if spread:
        mean = mean * rng.gamma(spread, 1 / spread, n)
    return pd.DataFrame({"n": rng.poisson(mean), "far": far, "m2": m2, "job": job.astype(str)})


def test_grille_panels_as_printed():
    # Montgomery, Design and Analysis of Experiments 8e, Ex. 15.3 (quoted): 1.128 -.896 D -1.176 F -.737 BG.
    run = pd.DataFrame(
        [[1.0 if sign == "+" else -1.0 for sign in word] for word in SIGNS.split()], columns=list("ABCDEFGHJ")
    )
    design = np.column_stack([np.ones(16), run["D"], run["F"], run["B"] * run["G"]])
    none = np.zeros(4)
    beta, _, used = _mode(design, np.array(COUNTS, dtype=float), np.zeros(16), precision=none, log_f=none)
    np.testing.assert_allclose(beta, [1.128, -0.896, -1.176, -0.737], atol=5e-4)
    assert used == pytest.approx(4)


def test_nears_statsmodels_as_counts_grow():
    import statsmodels.formula.api as smf
    from statsmodels.genmod.families import Poisson

    frame = rates(4000, 1)
    ours = adjusted_rate(frame, outcome="n", exposure="far", amount="m2", groups=["job"])
    fit = smf.glm(
        "n ~ far + C(job)", frame.assign(far=frame["far"].astype(int)), family=Poisson(), offset=np.log(frame["m2"])
    ).fit()
    assert ours.rate_ratio == pytest.approx(np.exp(fit.params["far"]), rel=2e-3)
    assert ours.dispersion == pytest.approx(fit.pearson_chi2 / fit.df_resid, rel=2e-3)
    assert ours.total == frame["n"].sum()
    widened = fit.bse["far"] * max(1.0, ours.dispersion) ** 0.5
    assert np.log(ours.high / ours.low) == pytest.approx(2 * 1.95996 * widened, rel=3e-3)


def test_amount_is_what_counts_are_over():
    frame = rates(300, 2)
    one = adjusted_rate(frame.assign(m2=1.0), outcome="n", exposure="far", amount="m2")
    two = adjusted_rate(frame.assign(m2=np.where(frame["far"], 2.0, 1.0)), outcome="n", exposure="far", amount="m2")
    assert one.rate_ratio / two.rate_ratio == pytest.approx(2.0, rel=0.01)


def test_spread_beyond_chance_widens_the_limits_which_then_hold():
    held = 0
    for seed in range(120):
        found = adjusted_rate(
            rates(120, seed, ratio=1.5, spread=1.5), outcome="n", exposure="far", amount="m2", groups=["job"]
        )
        held += found.low <= 1.5 <= found.high
    assert 0.89 <= held / 120 <= 0.995
    assert found.dispersion > 1.2


def test_no_count_outside_stays_finite():
    frame = pd.DataFrame({"n": [3, 2, 4, 1, 0, 0, 0], "far": [False] * 4 + [True] * 3, "m2": 1.0})
    found = adjusted_rate(frame, outcome="n", exposure="far", amount="m2")
    assert 0 < found.low < found.rate_ratio < 0.5
    assert found.high > 0.5
    assert 0 < found.p < 1


def test_row_order_gaps_input_and_what_is_refused():
    frame = rates(80, 3).astype({"n": float})
    frame.loc[2, "m2"] = np.nan
    before = frame.copy()
    model = {"outcome": "n", "exposure": "far", "amount": "m2", "groups": ["job"], "missing": "exclude"}
    found, turned = adjusted_rate(frame, **model), adjusted_rate(frame.iloc[::-1], **model)
    assert found.rate_ratio == pytest.approx(turned.rate_ratio, rel=1e-8)
    assert (found.n, found.excluded) == (79, 1)
    pd.testing.assert_frame_equal(frame, before)
    with pytest.raises(ValueError, match="80 of 80 have it"):
        adjusted_rate(rates(80, 3).assign(far=True), outcome="n", exposure="far", amount="m2")
    with pytest.raises(ValueError, match="must hold counts, 0 or more and not all 0"):
        adjusted_rate(rates(80, 3).assign(n=0), outcome="n", exposure="far", amount="m2")
    with pytest.raises(ValueError, match=r"m2 must be above 0 in every record; the least is -1\.0"):
        adjusted_rate(rates(80, 3).assign(m2=-1.0), outcome="n", exposure="far", amount="m2")
