"""Spots whose least value allowed is not below the greatest: no film conforms, and nothing breaks."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from auditkit.findings.budget import Spread
from auditkit.findings.true_film import spot_probabilities
from auditkit.stats.posterior_draws import draw_nested
from auditkit.trade.film_limits import FilmLimits


@pytest.mark.parametrize(("low", "high", "expected"), [(300.0, 160.0, 0.0), (75.0, 75.0, 0.0), (60.0, 160.0, None)])
def test_no_film_lies_between_limits_that_are_not_in_order(low, high, expected):
    places = pd.DataFrame(
        {
            **{"area_id": ["A1", "A2"], "job_id": "J1", "side": "reverse", "part": 1, "number": 1, "n": 3},
            **{"unit": ["A1 0", "A2 0"], "dft_um": [75.0, 62.0], "correction_um": 0.0, "gauge_id": "G1"},
            "correction_half_width_um": 0.0,
        }
    )
    gauges = pd.DataFrame({"gauge_id": ["G1"], "gauge_tolerance_pct": [3.0], "standard_tolerance_pct": [0.0]})
    spread = Spread(
        place_sd_um=5.0,
        place_df=10.0,
        reading_sd_um=2.0,
        reading_df=20.0,
        spot_means_sd_um=5.1,
        readings_per_spot=3.0,
        basis="given",
    )
    film = np.tile(places["dft_um"].to_numpy(), (50, 1))
    drawn = draw_nested(
        film,
        group=np.array([0, 1]),
        readings=np.array([3, 3]),
        place_sd=np.full(50, 5.0),
        reading_sd=np.full(50, 2.0),
        fit_population=False,
        rng=np.random.default_rng(1),
    )
    limits = {
        (area, "reverse"): FilmLimits(by_part=False, readings_per_place=3, place_low_um=low, place_high_um=high)
        for area in ("A1", "A2")
    }
    found = spot_probabilities(places, drawn, limits, gauges.assign(error_pct=0.0), spread, gauge_from="tolerance")
    if expected is None:  # by hand: gauge 3 % rectangular, readings 2 um, three of them
        u = [math.hypot(0.03 / math.sqrt(3) * film, 2 / math.sqrt(3)) for film in (75.0, 62.0)]
        by_hand = [norm.cdf((160 - x) / s) - norm.cdf((60 - x) / s) for x, s in zip((75.0, 62.0), u, strict=True)]
        assert found["probability_conforms"].tolist() == pytest.approx(by_hand)
    else:
        assert found["probability_conforms"].tolist() == [expected, expected]
        assert found["probability_given_area"].tolist() == [0.0, 0.0]
