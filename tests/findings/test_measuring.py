"""Measuring: published studies through the record, nested studies by hand, and ratings of the same area."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from auditkit.findings.measuring import find_measuring
from auditkit.stats.agreement import cohen_kappa
from auditkit.stats.variance import nested_components

EMPTY = {
    "study_readings": pd.DataFrame(
        columns=["study_id", "design", "place_id", "inspector_id", "trial", "reading_um", "gauge_id", "measured_at"]
    ),
    "wrap_observations": pd.DataFrame(
        {"area_id": [], "inspector_id": [], "observed_at": [], "rating": [], "scale": [], "method": []}
    ),
    "spray_runs": pd.DataFrame({"area_id": ["B1"], "started_at": pd.to_datetime(["2027-01-11T08:00Z"])}),
}
# AIAG, Measurement Systems Analysis 4e (2010) [quoted as published in independent public tests]
AIAG = """.29 .41 .64|.08 .25 .07|.04 -.11 -.15; -.56 -.68 -.58|-.47 -1.22 -.68|-1.38 -1.13 -.96;
1.34 1.17 1.27|1.19 .94 1.34|.88 1.09 .67; .47 .50 .64|.01 1.03 .20|.14 .20 .11;
-.80 -.92 -.84|-.56 -1.20 -1.28|-1.46 -1.07 -1.45; .02 -.11 -.21|-.20 .22 .06|-.29 -.67 -.49;
.59 .75 .66|.47 .55 .83|.02 .01 .21; -.31 -.20 -.17|-.63 .08 -.34|-.46 -.56 -.49;
2.26 1.99 2.01|1.80 2.12 2.19|1.77 1.45 1.87; -1.36 -1.25 -1.31|-1.68 -1.62 -1.50|-1.49 -1.77 -2.16"""


def readings(rows, study="S1", design="crossed", gauge="G1"):
    frame = pd.DataFrame(rows, columns=["place_id", "inspector_id", "trial", "reading_um"])
    return frame.assign(study_id=study, design=design, gauge_id=gauge, measured_at=pd.NaT)


def aiag():
    return readings(
        [
            (f"P{i:02d}", f"IN{j}", k + 1, 70.0 + float(x))  # film cannot be below 0; a shift changes no component
            for i, line in enumerate(AIAG.split(";"))
            for j, cell in enumerate(line.split("|"))
            for k, x in enumerate(cell.split())
        ]
    )


def nested(rng, persons=3, places=5, trials=2):
    return readings(
        [
            (f"P{i}", f"IN{j}", k + 1, film + rng.normal(0, 1))
            for j in range(persons)
            for shift in [rng.normal(0, 2)]
            for i in range(places)
            for film in [70 + shift + rng.normal(0, 8)]
            for k in range(trials)
        ],
        study="S2",
        design="nested",
    )


def study(frame, **settings):
    return find_measuring({**EMPTY, "study_readings": frame}, **settings)


def test_aiag_study_from_the_record():
    found = study(aiag())
    row = found.studies.iloc[0]
    assert (row["assessable"], row["categories"], row["pooled"]) == (True, 4, True)
    assert row["categories_ratio"] == pytest.approx(4.861, abs=0.0005)
    assert row["interaction_p"] == pytest.approx(0.974, abs=0.0005)
    sds = found.components.set_index("component")["sd_um"]
    assert sds[["repeatability", "reproducibility", "gauge", "part"]].tolist() == pytest.approx(
        [0.199933, 0.226838, 0.302373, 1.042327], abs=2e-6
    )
    assert row["gauge_low_um"] < 0.302373 < row["gauge_high_um"]
    assert found.anova["ss"].tolist() == pytest.approx([88.3619, 3.1673, 3.1179], abs=6e-5)
    assert found.n == 90
    kept = study(aiag(), pool_above=1.0)
    assert kept.components.set_index("component")["sd_um"]["repeatability"] == pytest.approx(0.214435, abs=5e-7)
    assert not kept.studies["pooled"].iloc[0]


def test_nested_study_is_the_nested_analysis():
    frame = nested(np.random.default_rng(1))
    found = study(frame)
    reference = nested_components(frame, response="reading_um", nesting=["inspector_id", "place_id"]).components
    parts = found.components.set_index("component")
    assert parts.loc[["operator", "part", "repeatability"], "variance_um2"].tolist() == pytest.approx(
        reference["variance"].tolist()
    )
    assert parts.loc["gauge", "variance_um2"] == pytest.approx(
        reference["variance"].iloc[0] + reference["variance"].iloc[2]
    )
    ratio = 1.41 * parts.loc["part", "sd_um"] / parts.loc["gauge", "sd_um"]
    assert found.studies["categories_ratio"].iloc[0] == pytest.approx(ratio)
    assert (found.studies["places"].iloc[0], found.studies["pooled"].isna().all()) == (15, True)
    assert "no interaction to pool" in found.studies["notes"].iloc[0]
    assert "part x operator" not in parts.index


def test_limits_of_the_gauge_in_a_nested_study_keep_their_promise():
    from scipy.stats import chi2

    from auditkit.stats.mean_squares import modified_large_sample_limits

    # 4 persons x 5 places x 3 trials, variances 4, 64, 1; the weights are those of the module; 2 000 sets, 95 %
    rng = np.random.default_rng(2)
    y = rng.normal(0, 2, (2000, 4, 1, 1)) + rng.normal(0, 8, (2000, 4, 5, 1)) + rng.normal(0, 1, (2000, 4, 5, 3))
    place, person = y.mean(axis=3), y.mean(axis=(2, 3))
    squares = np.stack(
        [
            15 * person.var(axis=1, ddof=1),
            3 * ((place - person[..., None]) ** 2).sum(axis=(1, 2)) / 16,
            ((y - place[..., None]) ** 2).sum(axis=(1, 2, 3)) / 40,
        ],
        axis=-1,
    )
    low, high = modified_large_sample_limits(squares, df=[3, 16, 40], coefficients=[1 / 15, -1 / 15, 1])
    assert 0.93 <= ((low <= 5) & (high >= 5)).mean() <= 0.98
    # exact limits of repeatability, 40 MS / chi-square; what holds them cannot be smaller
    least, most = (40 * squares[:, 2] / chi2.ppf(share, 40) for share in (0.975, 0.025))
    low, high = np.maximum(low, least), np.maximum(high, most)
    assert 0.93 <= ((low <= 5) & (high >= 5)).mean() <= 0.98
    frame = readings(
        [(f"P{i}", f"IN{j}", k, y[0, j, i, k]) for j in range(4) for i in range(5) for k in range(3)], design="nested"
    )
    row = study(frame).studies.iloc[0]
    assert (row["gauge_low_um"], row["gauge_high_um"]) == pytest.approx((np.sqrt(low[0]), np.sqrt(high[0])))


def test_component_below_zero_is_set_to_zero_and_said():
    frame = readings([(f"P{i}", f"IN{j}", k, 10.0 * i) for i in range(4) for j in range(2) for k in range(2)])
    frame["reading_um"] += np.random.default_rng(3).normal(0, 1, 16)
    frame["reading_um"] -= frame.groupby("inspector_id")["reading_um"].transform(
        "mean"
    )  # persons agree to the last digit
    found = study(frame)
    operator = found.components.set_index("component").loc["operator"]
    assert (operator["variance_um2"], operator["truncated"]) == (0.0, True)
    assert operator["raw_variance_um2"] < 0
    assert "component of operator came out at" in found.studies["notes"].iloc[0]


def test_gauge_of_a_nested_study_is_not_below_its_repeatability():
    rng = np.random.default_rng(9)
    seen = 0
    for _ in range(30):
        frame = nested(rng)
        # no difference between persons: the mean square of persons falls below that of places
        frame["reading_um"] -= frame.groupby("inspector_id")["reading_um"].transform("mean") - 70
        found = study(frame)
        rows = found.components.set_index("component")
        gauge, repeat, total = rows.loc["gauge"], rows.loc["repeatability"], rows.loc["total"]
        assert gauge["variance_um2"] == repeat["variance_um2"]
        assert gauge["low_um2"] >= repeat["low_um2"] > 0
        assert gauge["high_um2"] >= repeat["high_um2"] > gauge["variance_um2"]
        assert total["low_um2"] >= max(gauge["low_um2"], rows.loc["part", "low_um2"])
        assert total["high_um2"] >= max(gauge["high_um2"], rows.loc["part", "high_um2"])
        assert total["low_um2"] <= total["variance_um2"]
        assert rows["truncated"].to_dict() == {
            **dict.fromkeys(("repeatability", "gauge", "part", "total"), False),
            **dict.fromkeys(("reproducibility", "operator"), True),
        }
        assert "persons set to zero" in found.studies["notes"].iloc[0]
        plain = nested_components(frame, response="reading_um", nesting=["inspector_id", "place_id"])
        seen += plain.table["ms"].iloc[0] < plain.table["ms"].iloc[1]
    assert seen == 30
    apart = nested(rng)
    apart["reading_um"] += 20.0 * apart["inspector_id"].str[-1].astype(int)
    assert "persons set to zero" not in study(apart).studies["notes"].iloc[0]


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        (lambda f: f.assign(gauge_id=["G1"] * 45 + ["G2"] * 45), "2 gauges in one study"),
        (lambda f: f.assign(design=["crossed"] * 45 + ["nested"] * 45), "some crossed|some readings"),
        (lambda f: f[f["inspector_id"] == "IN0"], "one inspector: what persons add cannot be told"),
        (lambda f: f[f["trial"] == 1], "no place was measured twice by one person"),
        (lambda f: f.iloc[1:], "a crossed study needs every place measured equally often .* 2 to 3 times"),
        (lambda f: f[f["place_id"] == "P00"], "one place: what places add cannot be told"),
    ],
)
def test_studies_that_cannot_be_assessed_say_why(change, reason):
    found = study(change(aiag()))
    assert not found.studies["assessable"].iloc[0]
    assert pd.Series(found.studies["reason"].iloc[0]).str.contains(reason).all()
    assert found.excluded == len(change(aiag()))
    assert found.components.empty


def ratings(pairs, scale="five-best", apart="2h"):
    at = pd.Timestamp("2027-02-01T08:00Z")
    rows = []
    for i, (one, two) in enumerate(pairs):
        rows.append((f"A{i:02d}", "IN1", at, one, scale, "eye"))
        rows.append((f"A{i:02d}", "IN2", at + pd.Timedelta(apart), two, scale, "eye"))
    return pd.DataFrame(rows, columns=["area_id", "inspector_id", "observed_at", "rating", "scale", "method"])


PAIRS = [(4, 4), (3.5, 3), (5, 5), (2, 2.5), (4.5, 4), (1, 1), (3, 3), (4, 4.5), (2.5, 2.5), (5, 4.5)] * 3


def agree(frame, runs=EMPTY["spray_runs"], **settings):
    return find_measuring({**EMPTY, "wrap_observations": frame, "spray_runs": runs}, **settings)


def test_agreement_is_that_of_the_methods():
    found = agree(ratings(PAIRS)).agreement.set_index("statistic")
    frame = pd.DataFrame(PAIRS, columns=["a", "b"]).astype(float)
    for weights in ("unweighted", "linear", "quadratic"):
        kappa = cohen_kappa(frame, first="a", second="b", categories=[x / 2 for x in range(11)], weights=weights)
        assert found.loc[f"kappa {weights}", "estimate"] == pytest.approx(kappa.estimate)
    assert found.loc["same rating", "estimate"] == pytest.approx(0.5)
    assert found.loc["within half a point", "estimate"] == 1.0
    assert found.loc["mean difference", "estimate"] == pytest.approx(20 * (frame["b"] - frame["a"]).mean())
    assert set(found.index) >= {f"ICC {form}" for form in ("1,1", "2,1", "3,1", "1,k", "2,k", "3,k")}
    assert found["n"].eq(30).all()


def test_shrout_and_fleiss_two_judges_from_the_record():
    # judges 1 and 4 of Shrout and Fleiss (1979); consistency is 1 - 2 var(d) / (var(s) + var(d)) by hand
    pairs = [(9, 8), (6, 2), (8, 8), (7, 6), (10, 9), (6, 7)]
    found = agree(ratings(pairs, scale="ten-best"), at_least_pairs=6).agreement.set_index("statistic")
    one, two = np.array(pairs, dtype=float).T
    between, within = np.var(one + two, ddof=1), np.var(one - two, ddof=1)
    assert found.loc["ICC 3,1", "estimate"] == pytest.approx((between - within) / (between + within))
    assert not found.loc["kappa linear", "assessable"]  # nobody rated on the five-best scale
    assert found.loc["kappa linear", "excluded"] == 6


def test_an_area_sprayed_between_two_ratings_is_another_coat():
    runs = pd.DataFrame({"area_id": ["A00"], "started_at": [pd.Timestamp("2027-02-01T09:00Z")]})
    found = agree(ratings(PAIRS), runs)
    assert found.pairs.loc[~found.pairs["used"], ["area_id", "reason"]].values.tolist() == [
        ["A00", "the area was sprayed between the two ratings"]
    ]
    assert found.agreement[["n", "excluded"]].eq([29, 1]).all().all()


def test_too_few_pairs_and_odd_ratings_say_why():
    found = agree(ratings(PAIRS[:5])).agreement
    assert not found["assessable"].any()
    assert found["reason"].eq("5 areas rated by both, 20 are needed").all()
    found = agree(ratings([(3.3, 3), *PAIRS])).agreement.set_index("statistic")
    assert "1 ratings lie between half points" in found.loc["kappa linear", "reason"]
    assert found.loc["same rating", "assessable"]
    found = agree(ratings([(4, 4)] * 25)).agreement.set_index("statistic")
    assert "kappa is not defined" in found.loc["kappa linear", "reason"]
    assert "no correlation is defined" in found.loc["ICC 2,1", "reason"]


def test_empty_tables_and_sample(clean_dossier):
    empty = find_measuring({name: table.iloc[:0] for name, table in clean_dossier.tables.items()})
    assert (empty.n, len(empty.studies), len(empty.agreement)) == (0, 0, 0)
    found = find_measuring(clean_dossier.tables)
    used = found.pairs[found.pairs["used"]]
    by_area = clean_dossier.tables["wrap_observations"].groupby("area_id")["inspector_id"].nunique()
    assert len(found.pairs) == int((by_area == 2).sum())
    assert found.agreement.loc[found.agreement["scale"] == "percent", "n"].eq(len(used)).all()
