"""Limits on true film: by hand, and in agreement with the verdicts on readings that are without error."""

import math

import numpy as np
import pandas as pd
import pytest

from auditkit.trade.film import FilmSpec, OwnLimits, judge
from auditkit.trade.film_limits import conforming_films, correction_half_width_um, film_limits, own_film_limits
from auditkit.trade.film_rules import load_film_rules

RULES = load_film_rules()


def limits_of(rule, **options):
    given = {"level": None, "minimum_um": 60.0, "nominal_um": 75.0, "maximum_um": 105.0, "surface_profile": "fine"}
    return film_limits(rule=rule, rules=RULES, **{**given, **options})


def test_pa2_limits_by_hand():
    # SSPC-PA 2, Table 1, level 3 (training slides): spots 80 % and 120 %, mean 100 % and 100 %, readings free
    limits = limits_of("sspc-pa-2")
    assert (limits.mean_low_um, limits.mean_high_um) == (60.0, 105.0)
    assert (limits.place_low_um, limits.place_high_um) == (48.0, 126.0)
    assert (limits.reading_low_um, limits.reading_high_um) == (-math.inf, math.inf)
    assert (limits.by_part, limits.readings_per_place, limits.unjudged) == (True, 3, "")
    assert limits_of("sspc-pa-2", maximum_um=None).unjudged == "no maximum is specified"
    # level 5 sets no maximum (from memory), so none need be specified
    assert limits_of("sspc-pa-2", level=5, maximum_um=None).unjudged == ""


def test_iso_and_90_10_limits_by_hand():
    # ISO 19840: mean at least nominal, readings at least 80 %, fewer than 20 % below nominal, 3 x nominal at most
    iso = limits_of("iso-19840", maximum_um=None)
    assert (iso.mean_low_um, iso.place_low_um, iso.place_high_um) == (75.0, 60.0, 225.0)
    assert (iso.most_below, iso.strictly) == (0.2, True)
    assert limits_of("iso-19840", nominal_um=39.0).unjudged == "the nominal film is below the rule's scope"
    assert limits_of("iso-19840", surface_profile="smooth").unjudged.startswith("the rule is for rough surfaces")
    # MSC.215(82), definition 2.7: 90 % of readings at nominal, none below 90 % of it
    practice = limits_of("90-10", maximum_um=None)
    assert (practice.place_low_um, practice.mean_low_um) == (67.5, -math.inf)
    assert practice.most_below == pytest.approx(0.1)


def test_ties_conform_and_the_strict_share_does_not():
    ten = np.array([[75.0] * 8 + [70.0] * 2])
    common = {"means_um": np.array([[80.0]]), "part": np.zeros(10, dtype=int), "readings": np.ones(10)}
    assert not conforming_films(limits_of("iso-19840"), places_um=ten, **common)[0]
    nine = np.array([[75.0] * 9 + [70.0]])
    assert conforming_films(limits_of("iso-19840"), places_um=nine, **common)[0]
    assert conforming_films(limits_of("90-10"), places_um=nine, **common)[0]
    assert not conforming_films(limits_of("90-10"), places_um=ten, **common)[0]
    tie = np.full((1, 10), (47.9 + 48.0 + 48.1) / 3)
    tied = {**common, "means_um": np.array([[60.0]]), "readings": np.full(10, 3)}
    assert conforming_films(limits_of("sspc-pa-2"), places_um=tie, **tied)[0]


def test_short_spots_count_as_readings_only():
    limits = limits_of("sspc-pa-2")
    places = np.array([[30.0, 70.0]])
    options = {"means_um": np.array([[70.0]]), "places_um": places, "part": [0, 0]}
    assert conforming_films(limits, readings=[2, 3], **options)[0]
    assert not conforming_films(limits, readings=[3, 3], **options)[0]


@pytest.mark.parametrize(
    ("rule", "level"),
    [
        ("sspc-pa-2", 1),
        ("sspc-pa-2", 2),
        ("sspc-pa-2", 3),
        ("sspc-pa-2", 4),
        ("iso-19840", None),
        ("90-10", None),
        ("own", None),
    ],
)
def test_agrees_with_the_verdict_where_readings_are_the_film(rule, level):
    # one reading is the film: then mean and places are what the rule judges
    rng = np.random.default_rng(sum(map(ord, rule)) + (level or 0))
    own = (
        OwnLimits(spot_min_um=62.0, area_max_um=82.0, readings_per_spot=3, source="contract 12-7")
        if rule == "own"
        else None
    )
    limits = own_film_limits(own) if own else limits_of(rule, level=level, maximum_um=90.0)
    spots, repeats = (5, 3) if limits.by_part else (10, 1)
    shift = 10.0 if rule == "iso-19840" else 0.0  # fine profile, from memory
    spec = FilmSpec(
        rule=rule, level=level, minimum_um=60, nominal_um=75, maximum_um=90, surface_profile="fine", size_m2=2, own=own
    )
    seen = set()
    for _ in range(40):
        film = rng.normal(rng.uniform(60, 95), rng.uniform(1, 8), spots).round(1)
        readings = pd.DataFrame(
            {"spot": np.repeat(np.arange(spots), repeats), "dft_um": np.repeat(film, repeats) + shift}
        )
        verdict = judge(readings, spec=spec, rules=RULES).verdict
        passed = conforming_films(
            limits,
            means_um=np.array([[film.mean()]]),
            places_um=film[None, :],
            part=np.zeros(spots, dtype=int),
            readings=np.full(spots, repeats),
        )[0]
        assert verdict == ("conforms" if passed else "does not conform")
        seen.add(verdict)
    assert len(seen) == 2


def test_every_part_must_meet_the_limits():
    limits = limits_of("sspc-pa-2")
    places = np.array([[70.0, 70.0], [70.0, 50.0]])
    passed = conforming_films(limits, means_um=places, places_um=places, part=[0, 1], readings=[3, 3])
    assert passed.tolist() == [True, False]


def test_doubt_of_the_correction_is_half_the_step_between_grades():
    # corrections 10, 25, 40 um (from memory): half of 15, and half of 30 where the grade is not known
    assert [correction_half_width_um(grade, rules=RULES) for grade in ("coarse", "unknown")] == [7.5, 15.0]


def test_unknown_rule_is_refused():
    with pytest.raises(ValueError, match="rule must be one of sspc-pa-2, iso-19840, 90-10; given '80-20'"):
        limits_of("80-20")
