"""Variation: published data sets through the methods that measure it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from auditkit.stats.anova import anova_table
from auditkit.stats.capability import capability
from auditkit.stats.variance import nested_components

HERE = Path(__file__).parent


def test_oxide_components():
    # Pinheiro and Bates (2000), Mixed-Effects Models in S and S-PLUS, section 4.2, from memory:
    # standard deviations 11.398, 5.989, 3.545 (restricted likelihood, equal to the balanced analysis of variance)
    result = nested_components(pd.read_csv(HERE / "oxide.csv"), response="Thickness", nesting=["Lot", "Wafer"])
    assert result.balanced
    assert result.n == 72
    assert result.components["sd"].to_numpy() == pytest.approx([11.398, 5.989, 3.545], abs=5e-4)


def test_oxide_components_agree_with_restricted_likelihood_of_statsmodels():
    from statsmodels.regression.mixed_linear_model import MixedLM

    frame = pd.read_csv(HERE / "oxide.csv")
    model = MixedLM.from_formula(
        "Thickness ~ 1", groups="Lot", re_formula="1", vc_formula={"wafer": "0 + C(Wafer)"}, data=frame
    )
    fit = model.fit(reml=True)
    reference = [float(fit.cov_re.iloc[0, 0]), float(fit.vcomp[0]), float(fit.scale)]
    found = nested_components(frame, response="Thickness", nesting=["Lot", "Wafer"]).components["variance"]
    assert found.to_numpy() == pytest.approx(reference, rel=2e-3)


def test_oxide_limits_hold_what_the_naive_ones_leave_out():
    # treating 72 sites as independent gives a spread, and limits, that are too small
    frame = pd.read_csv(HERE / "oxide.csv")
    settings = {"response": "Thickness", "lower": 1950, "upper": 2050}
    naive = capability(frame, spread="overall", **settings)
    honest = capability(frame, spread="between+within", group="Lot", **settings)
    assert honest.sd > naive.sd
    assert honest.n_effective < 12 < naive.n_effective
    width = [r.indices["high"].iloc[0] - r.indices["low"].iloc[0] for r in (naive, honest)]
    assert width[1] > 1.5 * width[0]


def test_varnish_film_approximate_ratio():
    # Hicks (1982) Ex. 10.3, as printed in The R Journal 9(1):252 (2017) [seen]
    table = anova_table(
        pd.read_csv(HERE / "varnish_film.csv"),
        response="thickness",
        factors=["gate", "operator", "day"],
        random=["operator", "day"],
    ).table
    gate = table.iloc[0]
    assert (gate["f"], gate["df_numerator"], gate["df_denominator"]) == pytest.approx(
        (48.17076, 2.01261, 5.995597), rel=1e-6
    )
    assert gate["p"] == pytest.approx(2.010433e-4, abs=1e-10)


def test_aircraft_paint_readings_of_one_piece_are_repeats():
    # Schmidt and Launsby 4e, 2.4 [quoted]: eight pieces, four readings each. The mean of all rests on eight
    # pieces; taking 32 readings as independent makes its standard error too small.
    frame = pd.read_csv(HERE / "aircraft_paint.csv")
    result = nested_components(frame, response="thickness", nesting=["run"])
    pieces = frame.groupby("run")["thickness"].mean()
    standard_error = np.sqrt(result.table["ms"][0] / 32)
    assert standard_error == pytest.approx(pieces.std(ddof=1) / np.sqrt(8))
    assert standard_error > 1.5 * frame["thickness"].std(ddof=1) / np.sqrt(32)
