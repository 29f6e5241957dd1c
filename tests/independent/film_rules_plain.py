"""Film thickness rules written a second time, slowly and plainly, from the text of the rules alone.

Nothing here shares code with the package, so that the two can be held against each other. All thicknesses are
whole numbers of tenths of a micrometre and every mean is a `fractions.Fraction`: a mean that sits exactly on a limit
is decided exactly, and nothing is rounded before it is compared.

Marks on the figures: "printed" means seen printed on a public page (the bought standard was not at hand), "from
memory" means not seen printed, "computed" means derived from the rule beside it.
"""

import math
import random
from collections.abc import Callable, Sequence
from fractions import Fraction
from typing import Any, NamedTuple, TypedDict

CONFORMS = "conforms"
DOES_NOT_CONFORM = "does not conform"
NOT_ASSESSABLE = "not assessable"

Size = int | float | str | Fraction
Reading = tuple[int, int, int]
"""Part number, spot number, value in tenths of a micrometre."""


class Case(TypedDict):
    """One random case: which rule, the readings it is given and its keyword arguments."""

    rule: str
    readings: list[Any]
    spec: dict[str, Any]


def tenths(value: int | str) -> int:
    """Return a thickness in whole tenths of a micrometre; a string is in micrometres, an int is already in tenths.

    >>> tenths("51.2"), tenths("64"), tenths(640)
    (512, 640, 640)
    """
    if isinstance(value, int):
        return value
    exact = Fraction(value) * 10
    if exact.denominator != 1:
        raise ValueError(f"{value!r} um is finer than a tenth of a micrometre")
    return exact.numerator


def _mean(numbers: Sequence[int] | Sequence[Fraction]) -> Fraction:
    total = Fraction(0)
    for number in numbers:
        total += number
    return total / len(numbers)


def _size(size_m2: Size) -> Fraction:
    """Return the size as the decimal number it was written as, so that 10.1 is just over 10."""
    size = Fraction(str(size_m2))
    if size <= 0:
        raise ValueError(f"the size must be above zero, not {size_m2!r}")
    return size


# --- SSPC-PA 2 ------------------------------------------------------------------------------------------------------

READINGS_PER_SPOT = 3  # SSPC-PA 2 clause 3.2, printed
SPOTS_PER_PART = 5  # SSPC-PA 2 clauses 3.3 and 8.2, printed


class Restriction(NamedTuple):
    """One level of Table 1: a share of the specified minimum or maximum, or None where it is unrestricted."""

    spot_min: Fraction
    area_min: Fraction
    spot_max: Fraction | None
    area_max: Fraction | None


AS_SPECIFIED = Fraction(1)

# SSPC-PA 2 Table 1, 2012 onward. That there are five levels, level 1 the strictest: printed. The 80 % / 120 % of
# level 3: printed (training slides on an older edition). The cells of levels 2, 4 and 5: from memory. Single gage
# readings are unrestricted at every level, so they have no column here.
PA2_LEVELS: dict[int, Restriction] = {
    1: Restriction(AS_SPECIFIED, AS_SPECIFIED, AS_SPECIFIED, AS_SPECIFIED),
    2: Restriction(AS_SPECIFIED, AS_SPECIFIED, Fraction(120, 100), AS_SPECIFIED),
    3: Restriction(Fraction(80, 100), AS_SPECIFIED, Fraction(120, 100), AS_SPECIFIED),
    4: Restriction(Fraction(80, 100), AS_SPECIFIED, Fraction(150, 100), None),
    5: Restriction(Fraction(80, 100), AS_SPECIFIED, None, None),
}


def parts_required(size_m2: Size) -> int:
    """Return how many parts of about 10 m2 have to be measured on a coated area of this size.

    SSPC-PA 2 section 8: up to 30 m2 each 10 m2; up to 100 m2 three; above that one more for each further 100 m2
    (printed) or part of it (from memory, supported by a published example). That 30 m2 itself still belongs to the
    first row: from memory.
    """
    size = _size(size_m2)
    if size <= 30:
        return math.ceil(size / 10)
    if size <= 100:
        return 3
    return 3 + math.ceil((size - 100) / 100)


def spot_measurements(readings: Sequence[Reading]) -> dict[int, list[Fraction]]:
    """Return the spot measurements of each part that has any reading, parts without a single full spot included.

    SSPC-PA 2 clause 3.2 (printed): a spot measurement is the mean of at least three gage readings. A spot with fewer
    is no spot measurement and is left out.
    """
    by_spot: dict[int, dict[int, list[int]]] = {}
    for part, spot, value in readings:
        by_spot.setdefault(part, {}).setdefault(spot, []).append(value)
    return {
        part: [_mean(values) for values in spots.values() if len(values) >= READINGS_PER_SPOT]
        for part, spots in by_spot.items()
    }


def _breaks_a_limit(spots: Sequence[Fraction], minimum: int, maximum: int | None, level: Restriction) -> bool:
    """Tell whether a complete part breaks a limit; a value exactly on a limit does not break it."""
    # SSPC-PA 2 clauses 3.3 and 8.2 (printed): the area measurement is the mean of the spot measurements.
    area = _mean(spots)
    if min(spots) < level.spot_min * minimum:
        return True
    if area < level.area_min * minimum:
        return True
    if maximum is None:
        return False
    if level.spot_max is not None and max(spots) > level.spot_max * maximum:
        return True
    return level.area_max is not None and area > level.area_max * maximum


def _judge_part(spots: Sequence[Fraction], minimum: int, maximum: int | None, level: Restriction) -> str:
    if len(spots) < SPOTS_PER_PART:
        return NOT_ASSESSABLE
    if _breaks_a_limit(spots, minimum, maximum, level):
        return DOES_NOT_CONFORM
    level_restricts_a_maximum = level.spot_max is not None or level.area_max is not None
    if maximum is None and level_restricts_a_maximum:
        # Own practice, not a clause: a maximum test that cannot be run is not a pass.
        return NOT_ASSESSABLE
    return CONFORMS


def plain_pa2(readings: Sequence[Reading], *, minimum: int, maximum: int | None, level: int, size_m2: Size) -> str:
    """Judge one coated area by SSPC-PA 2, section 8 and Table 1.

    The area takes the worst verdict of its parts: does not conform, then not assessable, then conforms. A required
    part without readings counts as one that is not assessable.
    """
    restriction = PA2_LEVELS[level]
    parts = spot_measurements(readings)
    verdicts = [_judge_part(spots, minimum, maximum, restriction) for spots in parts.values()]
    if len(parts) < parts_required(size_m2):
        verdicts.append(NOT_ASSESSABLE)
    for verdict in (DOES_NOT_CONFORM, NOT_ASSESSABLE):
        if verdict in verdicts:
            return verdict
    return CONFORMS


# --- ISO 19840 ------------------------------------------------------------------------------------------------------

ISO19840_LEAST_NOMINAL = 400  # ISO 19840 scope: not for a nominal thickness below 40 um, printed

# ISO 19840, correction for surface profile, in tenths of a micrometre, all from memory: subtracted from a reading
# taken with a gauge set on smooth steel. Smooth steel is outside the scope of the standard.
PROFILE_CORRECTION: dict[str, int] = {"smooth": 0, "fine": 100, "medium": 250, "coarse": 400, "unknown": 250}


def values_required(size_m2: Size) -> int:
    """Return the least number of measurements for an inspection area of this size.

    ISO 19840:2012, number of measurements. Rows up to 10 m2: from memory. Rows from 10 to 100 m2, and 70 for
    500 m2: printed.
    """
    size = _size(size_m2)
    for up_to, number in ((1, 5), (3, 10), (10, 15), (30, 20), (100, 30)):
        if size <= up_to:
            return number
    return 30 + 10 * math.ceil((size - 100) / 100)


def plain_iso19840(values: Sequence[int], *, nominal: int, maximum: int | None, profile: str, size_m2: Size) -> str:
    """Judge one inspection area by ISO 19840:2012; the values are one reading per measuring point, uncorrected."""
    correction = PROFILE_CORRECTION[profile]
    required = values_required(size_m2)
    # Scope (printed): rough surfaces, and not for a nominal thickness below 40 um.
    if profile == "smooth" or nominal < ISO19840_LEAST_NOMINAL or len(values) < required:
        return NOT_ASSESSABLE
    # Individual dry film thickness = reading - correction; the tests come after the correction.
    films = [value - correction for value in values]
    # Three times the nominal thickness if no maximum is given: printed, as a recommendation.
    limit = 3 * nominal if maximum is None else maximum
    lowest = Fraction(80, 100) * nominal
    low = [film for film in films if lowest <= film < nominal]
    tests = (
        _mean(films) >= nominal,  # mean at least the nominal thickness, printed
        min(films) >= lowest,  # every value at least 80 % of nominal, printed
        Fraction(len(low), len(films)) < Fraction(20, 100),  # strictly fewer than 20 % from 80 % to nominal, printed
        max(films) <= limit,  # every value at most the maximum, printed
    )
    return CONFORMS if all(tests) else DOES_NOT_CONFORM


# --- 90/10 practice -------------------------------------------------------------------------------------------------


def plain_9010(values: Sequence[int], *, nominal: int) -> str:
    """Judge values by the 90/10 practice of IMO PSPC, resolution MSC.215(82), definition 2.7 (printed).

    At least 90 % of the readings reach the nominal thickness and none of the rest is below 90 % of it.
    """
    if not values:
        return NOT_ASSESSABLE
    reached = [value for value in values if value >= nominal]
    enough = Fraction(len(reached), len(values)) >= Fraction(90, 100)
    none_too_low = min(values) >= Fraction(90, 100) * nominal
    return CONFORMS if enough and none_too_low else DOES_NOT_CONFORM


PLAIN_RULES: dict[str, Callable[..., str]] = {"pa2": plain_pa2, "iso19840": plain_iso19840, "9010": plain_9010}


def plain_verdict(case: Case) -> str:
    """Return the verdict of the plain rule on one case of `random_case`."""
    return PLAIN_RULES[case["rule"]](case["readings"], **case["spec"])


# --- Random cases ---------------------------------------------------------------------------------------------------

_ODD_NOMINAL = 643  # its 80 % and 90 % are no whole tenths, so no reading can sit on them


def random_case(rng: random.Random) -> Case:
    """Return one random case, crowded around the limits of its rule: many exact ties and many near misses.

    `rule` is a key of `PLAIN_RULES`, `readings` its positional argument and `spec` its keyword arguments. PA 2
    readings come as (part, spot, value), the others as bare values; all values are in tenths of a micrometre.
    """
    return rng.choice((_random_pa2, _random_pa2, _random_iso19840, _random_9010))(rng)


def _random_limit(rng: random.Random) -> int:
    """Return a limit of whole half micrometres, so that 80 % and 120 % of it are whole tenths."""
    return 5 * rng.randrange(80, 260)


def _near(rng: random.Random, limit: Fraction) -> int:
    """Return a whole tenth on the limit or next to it on either side."""
    return max(0, math.floor(limit) + rng.choice((-1, 0, 0, 0, 1)))


def _random_spots(rng: random.Random, number: int, minimum: int, maximum: int, level: Restriction) -> list[int]:
    """Return spot means in whole tenths: comfortable ones, a few at a limit, and often a mean exactly at a limit."""
    middle = (minimum + maximum) // 2
    low = [level.spot_min * minimum, Fraction(80, 100) * minimum, Fraction(minimum)]
    high = [(level.spot_max or Fraction(2)) * maximum, Fraction(120, 100) * maximum, Fraction(maximum)]
    spots = [rng.choice((middle, middle, minimum, maximum)) for _ in range(number)]
    limits = rng.choice((low, low, high, low + high))
    for place in rng.sample(range(number), rng.choice((0, 0, 1, 1, 2)) if number > 1 else 0):
        spots[place] = _near(rng, rng.choice(limits))
    if number > 1 and rng.random() < 0.5:
        # Put the mean of the spots on the area limit or a whisker off it, by way of the spots above or below it.
        limit = rng.choice((minimum, minimum, maximum))
        missing = number * limit + rng.choice((-1, 0, 0, 0, 1)) - sum(spots)
        share, rest = divmod(missing, number)
        if rng.random() < 0.5:
            spots = [spot + share for spot in spots]
            spots[rng.randrange(number)] += rest
        else:
            spots[rng.randrange(number)] += missing
    return [max(20, spot) for spot in spots]  # no reading falls below zero, however wide they lie apart


def _scatter(rng: random.Random, mean: int, number: int) -> list[int]:
    """Return single readings with exactly this mean, often wide apart."""
    values = [mean] * number
    for left in range(0, number - 1, 2):
        step = rng.choice((0, 10, mean // 4, mean // 2))
        values[left] += step
        values[left + 1] -= step
    rng.shuffle(values)
    return values


def _random_count(rng: random.Random, many_readings: bool) -> int:
    """Return a number of readings for a spot: mostly just enough, at times too few or more than needed."""
    if many_readings and rng.random() < 0.5:
        return rng.choice((4, 5, 6))
    return rng.choice((1, 2)) if rng.random() < 0.02 else READINGS_PER_SPOT


def _shift_one_reading(rng: random.Random, spots: list[list[int]]) -> None:
    """Now and then make one spot mean a broken tenth, and at times undo it in another spot so the area mean stays."""
    if len(spots) < 2 or rng.random() < 0.6:
        return
    first, second = rng.sample(spots, 2)
    step = rng.choice((-1, 1))
    first[0] += step
    if rng.random() < 0.8 and len(first) == len(second):
        second[0] -= step


def _random_pa2(rng: random.Random) -> Case:
    level = rng.choice((1, 2, 3, 3, 4, 5))
    minimum = rng.choice((500, 640, _ODD_NOMINAL, _random_limit(rng), _random_limit(rng), _random_limit(rng)))
    maximum = rng.choice((minimum, minimum + 100, minimum * 3 // 2, minimum * 2))
    size = rng.choice((0.5, 5, 9.9, 10, 10, 10.1, 20, 20.1, 30, 30, 30.1, 31, 99.9, 100, 100.1, 101, 200, 200.1, 300))
    parts = max(0, parts_required(size) + rng.choice((-1, 0, 0, 0, 0, 0, 0, 0, 1)))
    spots_restart = rng.random() < 0.5
    part_numbers = rng.sample(range(1, parts + 3), parts)
    readings: list[Reading] = []
    spot_number = 0
    many_readings = rng.random() < 0.3
    quiet_parts = rng.random() < 0.6
    loud_part = rng.randrange(parts) if parts else 0
    for place, part in enumerate(part_numbers):
        number = rng.choice((4, 5, 6)) if rng.random() < 0.15 else SPOTS_PER_PART
        if quiet_parts and place != loud_part:
            means = [rng.choice((minimum, maximum)) for _ in range(number)]
        else:
            means = _random_spots(rng, number, minimum, maximum, PA2_LEVELS[level])
        if spots_restart:
            spot_number = 0
        counts = [_random_count(rng, many_readings) for _ in means]
        spots = [_scatter(rng, mean, count) for mean, count in zip(means, counts, strict=True)]
        _shift_one_reading(rng, spots)
        for values in spots:
            spot_number += 1
            readings.extend((part, spot_number, value) for value in values)
    if rng.random() < 0.5:
        rng.shuffle(readings)
    known_maximum = None if rng.random() < 0.25 else maximum
    return {
        "rule": "pa2",
        "readings": readings,
        "spec": {"minimum": minimum, "maximum": known_maximum, "level": level, "size_m2": size},
    }


def _random_low_values(rng: random.Random, number: int, nominal: int, share: Fraction, floor: Fraction) -> list[int]:
    """Return values from the nominal thickness up, with about `share` of them between `floor` and nominal."""
    values = [nominal + rng.choice((0, 0, 1, 50)) for _ in range(number)]
    count = min(number, max(0, math.floor(share * number) + rng.choice((-1, -1, 0, 0, 1))))
    lowest = math.ceil(floor * nominal)
    for place in rng.sample(range(number), count):
        values[place] = rng.choice((lowest, lowest, lowest + 1, nominal - 1, nominal - 1))
    if number and rng.random() < 0.15:
        values[rng.randrange(number)] = lowest - 1
    return values


def _random_iso19840(rng: random.Random) -> Case:
    nominal = rng.choice((390, 399, 400, 400, 401, 600, _ODD_NOMINAL, *(_random_limit(rng) for _ in range(6))))
    size = rng.choice((0.5, 1, 1, 1.1, 3, 3.1, 10, 10.1, 30, 30.1, 100, 100.1, 200, 200.1))
    profile = rng.choice(("smooth", "fine", "fine", "medium", "medium", "coarse", "coarse", "unknown", "unknown"))
    maximum = rng.choice((None, None, nominal * 3 // 2, nominal * 2, nominal * 3, nominal * 4))
    number = values_required(size) + rng.choice((-1, 0, 0, 0, 0, 0, 1, 5))
    films = _random_low_values(rng, number, nominal, Fraction(20, 100), Fraction(80, 100))
    limit = 3 * nominal if maximum is None else maximum
    if rng.random() < 0.4:
        films[rng.randrange(number)] = _near(rng, Fraction(limit))
    high = [place for place, film in enumerate(films) if film >= nominal]
    if rng.random() < 0.6 and high:
        # Put the mean on the nominal thickness or a tenth of one value off it, without making new low values.
        for place in high:
            films[place] = nominal
        missing = number * nominal + rng.choice((-1, 0, 0, 0, 1)) - sum(films)
        share, rest = divmod(missing, len(high))
        if missing > 0:
            for place in high:
                films[place] += share
            films[rng.choice(high)] += rest
    rng.shuffle(films)
    correction = PROFILE_CORRECTION[profile]
    return {
        "rule": "iso19840",
        "readings": [film + correction for film in films],
        "spec": {"nominal": nominal, "maximum": maximum, "profile": profile, "size_m2": size},
    }


def _random_9010(rng: random.Random) -> Case:
    nominal = rng.choice((250, 399, 400, _ODD_NOMINAL, 3200, 2 * _random_limit(rng), 2 * _random_limit(rng)))
    number = rng.choice((0, 1, 2, 5, 9, 10, 10, 11, 19, 20, 20, 21, 30))
    values = _random_low_values(rng, number, nominal, Fraction(10, 100), Fraction(90, 100))
    if number and rng.random() < 0.2:
        values[rng.randrange(number)] = nominal * 10
    rng.shuffle(values)
    return {"rule": "9010", "readings": values, "spec": {"nominal": nominal}}
