"""Shares still good by age: published tables, a second library, and what censoring cannot say."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import CensoredData, ecdf
from statsmodels.duration.survfunc import SurvfuncRight

from auditkit.stats.life_tables import kaplan_meier, share_failed, turnbull

NIST_FAILURES = [55, 187, 216, 240, 244, 335, 361, 373, 375, 386]
"""NIST/SEMATECH e-Handbook 8.4.1: 20 units, 10 failures, 10 still good at 500."""


def lives(*pairs: tuple[float, float]) -> pd.DataFrame:
    return pd.DataFrame(pairs, columns=["last_good", "first_bad"], dtype=float)


def nist() -> pd.DataFrame:
    return lives(*[(t, t) for t in NIST_FAILURES], *[(500, np.inf)] * 10)


def turnbull_1974() -> pd.DataFrame:
    """Turnbull (1974), J. Am. Stat. Assoc. 69:169-173: exact, right and left censored at t = 1 to 4."""
    counts = {1: (12, 3, 2), 2: (6, 2, 4), 3: (2, 0, 2), 4: (3, 3, 5)}
    rows = []
    for t, (exact, right, left) in counts.items():
        rows += [(t, t)] * exact + [(t, np.inf)] * right + [(0, t)] * left
    return lives(*rows)


def right_censored(rng: np.random.Generator, n: int) -> pd.DataFrame:
    ages = rng.integers(1, 40, n).astype(float)  # many ties
    return pd.DataFrame({"last_good": ages, "first_bad": np.where(rng.random(n) < 0.6, ages, np.inf)})


def test_kaplan_meier_nist():
    table = kaplan_meier(nist()).table
    assert table["survival"].tolist() == pytest.approx(np.arange(0.95, 0.49, -0.05), abs=1e-12)
    printed = [0.0487, 0.0671, 0.0798, 0.0894, 0.0968, 0.1025, 0.1067, 0.1095, 0.1112, 0.1118]
    assert table["se"].tolist() == pytest.approx(printed, abs=0.00005)


def test_kaplan_meier_against_statsmodels_and_scipy():
    frame = right_censored(np.random.default_rng(11), 200)
    result = kaplan_meier(frame)
    other = SurvfuncRight(frame["last_good"], np.isfinite(frame["first_bad"]).astype(int))
    assert result.table["age"].tolist() == other.surv_times.tolist()
    assert result.table["at_risk"].tolist() == other.n_risk.tolist()
    assert result.table["survival"].to_numpy() == pytest.approx(other.surv_prob, abs=1e-12)
    failed = np.isfinite(frame["first_bad"])
    sample = CensoredData(uncensored=frame["last_good"][failed], right=frame["last_good"][~failed])
    some = result.table["survival"].to_numpy() > 0
    assert result.table["se"].to_numpy()[some] == pytest.approx(other.surv_prob_se[some], abs=1e-12)
    limits = ecdf(sample).sf.confidence_interval(0.95, method="log-log")
    at = result.table["age"].to_numpy()[some]
    assert result.table["low"].to_numpy()[some] == pytest.approx(limits.low.evaluate(at), abs=1e-10)
    assert result.table["high"].to_numpy()[some] == pytest.approx(limits.high.evaluate(at), abs=1e-10)


def test_kaplan_meier_when_the_last_one_fails():
    table = kaplan_meier(lives((1, 1), (2, 2))).table
    assert table["survival"].tolist() == [0.5, 0.0]
    assert table[["se", "low", "high"]].iloc[-1].isna().all()


def test_kaplan_meier_refuses_brackets():
    with pytest.raises(ValueError, match=r"1 of 2 are known only between two ages. Use turnbull\(\)"):
        kaplan_meier(lives((1, 1), (2, 3)))


@pytest.mark.parametrize("method", [kaplan_meier, turnbull])
def test_without_failures_no_number_is_given(method):
    result = method(lives((3, np.inf), (8, np.inf)))
    assert (result.verdict, len(result.table), result.failures) == ("cannot tell", 0, 0)
    assert result.reason.startswith("no failure among 2 items, the oldest last seen good at age 8")


def test_turnbull_1974_as_published():
    table = turnbull(turnbull_1974()).table
    assert table["by"].tolist() == [1, 2, 3, 4, np.inf]
    assert table["survival"].tolist()[:4] == pytest.approx([0.538, 0.295, 0.210, 0.095], abs=0.0005)
    assert table["share"].sum() == pytest.approx(1.0, abs=1e-9)


def test_turnbull_is_kaplan_meier_where_nothing_is_bracketed():
    frame = right_censored(np.random.default_rng(12), 80)
    by_age = turnbull(frame).table.set_index("by")["survival"]
    expected = kaplan_meier(frame).table
    assert by_age.loc[expected["age"]].to_numpy() == pytest.approx(expected["survival"].to_numpy(), abs=1e-6)


def test_turnbull_is_at_the_maximum():
    """Gentleman & Geyer (1994): at the maximum no share can gain, and those above 0 gain exactly nothing."""
    rng = np.random.default_rng(13)
    life = 100 * rng.weibull(2.0, 150)
    looks = np.sort(rng.uniform(0, 200, (150, 5)), axis=1)
    good = np.where(looks < life[:, None], looks, 0).max(axis=1)
    bad = np.where(looks >= life[:, None], looks, np.inf).min(axis=1)
    frame = pd.DataFrame({"last_good": good, "first_bad": bad})
    table = turnbull(frame).table
    # every life may have ended in any innermost interval that lies within its bracket
    holds = (good[:, None] <= table["after"].to_numpy()) & (table["by"].to_numpy() <= bad[:, None])
    gain = (holds / (holds @ table["share"].to_numpy())[:, None]).sum(axis=0) / len(frame)
    assert gain == pytest.approx(np.ones(len(table)), abs=1e-4)
    for _ in range(50):  # and no shift of share to anywhere else is better
        other = table["share"].to_numpy() * rng.gamma(200, 1 / 200, len(table))
        assert np.log(holds @ (other / other.sum())).sum() <= np.log(holds @ table["share"].to_numpy()).sum() + 1e-6


def test_turnbull_finds_the_true_shares():
    rng = np.random.default_rng(14)
    life = 100 * rng.weibull(2.0, 3000)
    looks = np.arange(0, 301, 20.0)
    place = np.searchsorted(looks, life)
    frame = pd.DataFrame({"last_good": looks[place - 1], "first_bad": looks[place]})
    table = turnbull(frame).table
    truth = np.exp(-((table["by"] / 100) ** 2))
    assert np.abs(table["survival"] - truth).max() < 0.03


def test_row_order_does_not_matter():
    frame = turnbull_1974()
    shuffled = frame.sample(frac=1, random_state=1)
    pd.testing.assert_frame_equal(turnbull(frame).table, turnbull(shuffled).table)
    pd.testing.assert_frame_equal(kaplan_meier(nist()).table, kaplan_meier(nist().iloc[::-1]).table)


def test_shares_failed_by_an_age_between_two_looks():
    """Half the failures in (2, 3], half in (5, 6], worked by hand."""
    table = turnbull(pd.DataFrame({"last_good": [0.0, 2.0, 4.0, 5.0], "first_bad": [3.0, 4.0, 6.0, np.inf]})).table
    ages, good, bad = [2.5, 4.0, 5.25, 4.0, 1.0, 9.0], [0, 0, 0, 4.0, 2.0, 0], [9.0, 9.0, 9.0, 9.0, 9.0, 8.0]
    told = share_failed(table, ages, last_good=good, first_bad=bad)
    assert told["estimate"].tolist() == pytest.approx([0.25, 0.5, 0.625, 0.0, 0.0, 1.0], abs=1e-6)
    assert told["low"].tolist() == pytest.approx([0.0, 0.5, 0.5, 0.0, 0.0, 1.0], abs=1e-6)
    assert told["high"].tolist() == pytest.approx([0.5, 0.5, 1.0, 0.0, 0.0, 1.0], abs=1e-6)


def test_shares_beyond_the_last_look_or_outside_every_interval_cannot_be_told():
    table = pd.DataFrame({"after": [2.0, 8.0], "by": [3.0, np.inf], "share": [0.4, 0.6]})
    told = share_failed(table, [2.5, 9.0, 5.0], last_good=[0.0, 0.0, 4.0], first_bad=[np.inf, np.inf, 6.0])
    assert told["estimate"].iloc[0] == pytest.approx(0.2)
    assert told.iloc[1:].isna().all(axis=None)
