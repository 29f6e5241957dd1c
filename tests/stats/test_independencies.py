"""Implied independencies on data: the plain tests they must agree with, and a wrong arrow found."""

import numpy as np
import pandas as pd
import pytest

from auditkit.stats.diagrams import read_diagram
from auditkit.stats.independencies import check_independencies, clustered_independence_test, independence_test


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


def clustered(rng: np.random.Generator, *, jobs: int = 6, days: int = 40, runs: int = 400) -> pd.DataFrame:
    """Runs in jobs, days of a job and hands of a job; each column drifts with all three, and none acts on another."""
    day = np.sort(rng.integers(days, size=runs))
    job = day * jobs // days
    hand = job // 2 * 3 + rng.integers(3, size=runs)

    def column():
        drift = (rng.normal(size=jobs)[job], rng.normal(size=days)[day], 0.7 * rng.normal(size=hand.max() + 1)[hand])
        return sum(drift) + rng.normal(size=runs)

    labels = pd.cut(column(), [-99, -1.3, 0, 1.3, 99], labels=list("wxyz")).astype(str)
    return pd.DataFrame(
        {"job": job, "day": day, "hand": hand, "a": column(), "b": column(), "rare": column() > 2.2, "label": labels}
    )


def test_clustered_test_does_not_cry_wolf_with_six_jobs_where_the_plain_one_does():
    rng, pairs = np.random.default_rng(11), [("a", "b"), ("a", "rare"), ("a", "label"), ("label", "rare")]
    wolf, plain, rounds = dict.fromkeys(pairs, 0), 0, 60
    for _ in range(rounds):
        frame = clustered(rng)
        for one, other in pairs:
            found = clustered_independence_test(frame, one=one, other=other, clusters=["job", "day", "hand"])
            wolf[one, other] += found.p < 0.05
        plain += independence_test(frame, one="a", other="b").p < 0.05
    assert plain / rounds > 0.4
    # 0.05 and three standard errors of 60 draws
    assert max(wolf.values()) / rounds < 0.05 + 3 * np.sqrt(0.05 * 0.95 / rounds)


def test_clustered_test_sees_an_arrow_that_the_diagram_lacks():
    rng, seen = np.random.default_rng(12), 0
    for _ in range(20):
        frame = clustered(rng)
        rise = frame["a"] - frame["a"].groupby(frame["job"]).transform("mean")
        frame["fault"] = rng.random(len(frame)) < 1 / (1 + np.exp(2 - 1.5 * rise))
        found = clustered_independence_test(frame, one="a", other="fault", clusters=["job", "day", "hand"])
        seen += found.p < 0.01
        assert found.strength > 0
    assert seen >= 18


def test_clustered_p_is_the_t_test_of_sums_of_what_statsmodels_leaves_over():
    import statsmodels.api as sm
    from scipy.stats import norm, ttest_1samp

    frame = clustered(np.random.default_rng(13)).iloc[::4]
    scores = {n: norm.ppf((frame[n].rank() - 0.5) / len(frame)) for n in ("a", "b")}
    given = pd.get_dummies(frame["label"], dtype=float)
    left = [sm.OLS(scores[n], given.to_numpy()).fit().resid for n in ("a", "b")]
    sums = pd.Series(left[0] * left[1]).groupby(frame["day"].to_numpy()).sum()
    found = clustered_independence_test(frame, one="a", other="b", given=["label"], clusters=["day"])
    assert found.p == pytest.approx(ttest_1samp(sums, 0.0).pvalue)
    assert found.method == f"t of {len(sums)} sums by day"
    assert found.strength == pytest.approx(np.corrcoef(*left)[0, 1])


def test_clustered_test_takes_the_least_telling_clusters_and_passes_over_what_is_given_or_tested():
    frame = clustered(np.random.default_rng(14))
    alone = [clustered_independence_test(frame, one="a", other="b", clusters=[name]) for name in ("job", "day")]
    both = clustered_independence_test(frame, one="a", other="b", clusters=["job", "day"])
    assert both.p == max(found.p for found in alone)
    assert both.method in [found.method for found in alone]
    within = clustered_independence_test(frame, one="a", other="b", given=["job"], clusters=["job", "day"])
    assert within.method == "t of 40 sums by day"
    named = clustered_independence_test(frame.astype({"job": str}), one="a", other="job", clusters=["job"])
    assert np.isnan(named.p)
    assert "every column of clusters is given or tested" in named.method


def test_clustered_labels_pay_for_each_pair_of_levels():
    frame = clustered(np.random.default_rng(15))
    found = clustered_independence_test(frame, one="a", other="label", clusters=["day"])
    single = [
        clustered_independence_test(
            frame.assign(level=frame["label"] == level), one="a", other="level", clusters=["day"]
        )
        for level in "wxyz"
    ]
    assert found.p == pytest.approx(min(1.0, 4 * min(one.p for one in single)))
    assert np.isnan(found.strength)


def test_clustered_test_with_nothing_to_compare():
    frame = clustered(np.random.default_rng(16))
    before = frame.copy()
    turned = clustered_independence_test(frame.iloc[::-1], one="a", other="b", given=["rare"], clusters=["day"])
    straight = clustered_independence_test(frame, one="a", other="b", given=["rare"], clusters=["day"])
    assert turned.p == pytest.approx(straight.p)
    pd.testing.assert_frame_equal(frame, before)
    for other, given, words in (("same", (), "one value only"), ("b", ("b2",), "leaves nothing to compare")):
        odd = frame.assign(same=1.0, b2=frame["b"])
        found = clustered_independence_test(odd, one="a", other=other, given=list(given), clusters=["day"])
        assert np.isnan(found.p)
        assert words in found.method
    few = clustered_independence_test(frame[frame["job"] < 3], one="a", other="b", clusters=["job"])
    assert "too few values" in few.method
    assert clustered_independence_test(frame.iloc[:0], one="a", other="b", clusters=["day"]).n == 0
    with pytest.raises(
        ValueError, match=r"clusters must name columns of the frame; given \['week'\], without \['week'\]"
    ):
        clustered_independence_test(frame, one="a", other="b", clusters=["week"])


def test_clusters_and_arithmetic_in_the_table():
    frame = clustered(np.random.default_rng(17)).assign(twice=lambda f: 2 * f["a"])
    drawn_ = read_diagram(
        {
            "nodes": {
                "a": {"recorded": True},
                "b": {"recorded": True},
                "twice": {"recorded": True, "computed": True},
            },
            "arrows": [{"from": "a", "to": "twice", "because": "It is twice that."}],
        }
    )
    table = check_independencies(drawn_, frame, clusters=["job", "day", "hand"]).set_index(["one", "other"])
    assert table.loc[("b", "twice"), "reading"] == "not testable"
    assert table.loc[("b", "twice"), "method"].startswith("holds by arithmetic")
    assert table.loc[("a", "b"), "method"].startswith("t of")
