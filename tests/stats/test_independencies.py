"""Implied independencies on data: the plain tests they must agree with, and a wrong arrow found."""

import numpy as np
import pandas as pd
import pytest

from auditkit.stats.diagrams import read_diagram
from auditkit.stats.independencies import check_independencies, independence_test


def world(rng: np.random.Generator, n: int) -> pd.DataFrame:
    crew = rng.choice(["a", "b", "c"], n)
    damp = rng.normal(size=n)
    speed = 0.8 * (crew == "b") + 0.5 * damp + rng.normal(size=n)
    gust = rng.random(n) < 1 / (1 + np.exp(-damp))
    fault = rng.random(n) < 1 / (1 + np.exp(1 - speed - gust))
    return pd.DataFrame({"crew": crew, "damp": damp, "speed": speed, "gust": gust, "fault": fault})


ARROWS = [("crew", "speed"), ("damp", "speed"), ("damp", "gust"), ("speed", "fault"), ("gust", "fault")]


def drawn(arrows, hidden=()):
    return read_diagram(
        {
            "nodes": {name: {"recorded": name not in hidden} for name in ("crew", "damp", "speed", "gust", "fault")},
            "arrows": [{"from": a, "to": b, "because": "Invented for a test."} for a, b in arrows],
        }
    )


def test_true_diagram_stands_at_the_promised_rate():
    rng, p = np.random.default_rng(1), []
    for _ in range(40):
        p.append(check_independencies(drawn(ARROWS), world(rng, 150))["p"].to_numpy())
    p = np.array(p)
    assert p.shape[1] == 5
    assert (p < 0.05).mean() == pytest.approx(0.05, abs=0.04)  # 200 tests, three standard errors
    assert (p < 0.5).mean() == pytest.approx(0.5, abs=0.11)


def test_wrong_diagram_is_found():
    wrong = [arrow for arrow in ARROWS if arrow != ("gust", "fault")]
    table = check_independencies(drawn(wrong), world(np.random.default_rng(2), 1500))
    failed = table[table["reading"] == "does not stand"]
    assert {frozenset(pair) for pair in failed[["one", "other"]].to_numpy()} >= {frozenset(("gust", "fault"))}
    assert (table["q"] >= table["p"]).all()


def test_hidden_nodes_are_not_tested():
    frame = world(np.random.default_rng(3), 200).drop(columns="damp")
    table = check_independencies(drawn(ARROWS, hidden=["damp"]), frame)
    testable = table["reading"] != "not testable"
    touched = [("damp" in (row.one, row.other, *row.given)) for row in table.itertuples()]
    assert (testable == ~np.array(touched)).all()
    assert testable.any()
    with pytest.raises(ValueError, match=r"every recorded node must have a column; \['damp'\] are not there"):
        check_independencies(drawn(ARROWS), frame)


def test_partial_correlation_is_that_of_residuals():
    from scipy.stats import pearsonr, t

    rng = np.random.default_rng(4)
    frame = pd.DataFrame(rng.normal(size=(40, 3)), columns=list("xyz")).assign(y=lambda f: f["y"] + f["z"])
    found = independence_test(frame, one="x", other="y", given=["z"])
    left = [frame[c] - np.polyval(np.polyfit(frame["z"], frame[c], 1), frame["z"]) for c in "xy"]
    r = pearsonr(*left)[0]
    assert found.strength == pytest.approx(r)
    assert found.p == pytest.approx(2 * t.sf(abs(r) * np.sqrt(37 / (1 - r**2)), 37))


def test_labels_and_numbers_is_the_analysis_of_variance():
    from scipy.stats import f_oneway

    frame = world(np.random.default_rng(5), 60)
    groups = [group["speed"] for _, group in frame.groupby("crew")]
    found = independence_test(frame, one="crew", other="speed")
    assert found.p == pytest.approx(f_oneway(*groups).pvalue)
    assert np.isnan(found.strength)


def test_two_values_nears_the_likelihood_ratio_of_the_table_and_bears_separation():
    from scipy.stats import chi2_contingency

    frame = world(np.random.default_rng(6), 4000)
    table = pd.crosstab(frame["crew"], frame["gust"])
    ratio = chi2_contingency(table, lambda_="log-likelihood", correction=False)
    assert independence_test(frame, one="crew", other="gust").p == pytest.approx(ratio.pvalue, abs=0.01)
    apart = pd.DataFrame({"a": [0] * 8 + [1] * 8, "b": [False] * 8 + [True] * 8})
    assert 0 < independence_test(apart, one="a", other="b").p < 0.001


def test_labels_and_labels_is_the_likelihood_ratio_of_the_table():
    from scipy.stats import chi2_contingency

    rng = np.random.default_rng(7)
    frame = pd.DataFrame({"a": rng.choice(list("xyz"), 200), "b": rng.choice(list("pqrs"), 200)})
    ratio = chi2_contingency(pd.crosstab(frame["a"], frame["b"]), lambda_="log-likelihood", correction=False)
    assert independence_test(frame, one="a", other="b").p == pytest.approx(ratio.pvalue, abs=1e-4)


def test_either_order_gaps_and_nothing_to_compare():
    frame = world(np.random.default_rng(8), 100)
    frame.loc[:9, "damp"] = np.nan
    before = frame.copy()
    one = independence_test(frame, one="damp", other="gust", given=["crew"])
    other = independence_test(frame, one="gust", other="damp", given=["crew"])
    assert (one.p, one.method) == (other.p, other.method)
    assert (one.n, one.excluded) == (90, 10)
    pd.testing.assert_frame_equal(frame, before)
    assert independence_test(frame.assign(damp=1.0), one="damp", other="speed").method.startswith("not tested")
    tied = independence_test(frame.assign(twin=frame["speed"]), one="twin", other="gust", given=["speed"])
    assert np.isnan(tied.p)
    assert "leaves nothing to compare" in tied.method
