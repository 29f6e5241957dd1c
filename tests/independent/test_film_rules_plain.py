"""The plain film rules against the worked examples, boundary vectors and sample-size tables of their sources."""

import random
from collections import Counter, defaultdict

import pytest

from .film_rules_plain import (
    CONFORMS,
    DOES_NOT_CONFORM,
    NOT_ASSESSABLE,
    PLAIN_RULES,
    Reading,
    parts_required,
    plain_9010,
    plain_iso19840,
    plain_pa2,
    plain_verdict,
    random_case,
    tenths,
    values_required,
)

# SSPC-PA 2 Appendix 1, part A (from memory), in tenths of a micrometre.
APPENDIX_1_SPOTS = [640, 760, 530, 760, 560]


def part_of(spots: list[int], part: int = 1, readings: int = 3) -> list[Reading]:
    return [(part, spot, value) for spot, value in enumerate(spots, start=1) for _ in range(readings)]


# The published example of 12,500 ft2 has 15 parts; 1,250 is that size counted in tenths of a 100 ft2 part.
PA2_PARTS = {
    **{5: 1, 10: 1, 10.1: 2, 25: 3, 30: 3},
    **{30.1: 3, 31: 3, 100: 3},
    **{100.1: 4, 101: 4, 200: 4, 200.1: 5, 500: 7, 1250: 15},
}
ISO19840_VALUES = {
    **{0.5: 5, 1: 5, 1.1: 10, 3: 10, 3.1: 15, 10: 15, 10.1: 20, 15: 20, 25: 20, 30: 20},
    **{31: 30, 100: 30, 101: 40, 200: 40, 200.1: 50, 250: 50, 500: 70, 1000: 120},
}


@pytest.mark.parametrize(("size", "parts"), PA2_PARTS.items())
def test_pa2_number_of_parts(size: float, parts: int) -> None:
    assert parts_required(size) == parts


@pytest.mark.parametrize(("size", "number"), ISO19840_VALUES.items())
def test_iso19840_number_of_values(size: float, number: int) -> None:
    assert values_required(size) == number


@pytest.mark.parametrize(
    ("level", "maximum", "verdict"),
    [
        (3, 1280, CONFORMS),
        (3, None, NOT_ASSESSABLE),
        (4, None, NOT_ASSESSABLE),
        (5, None, CONFORMS),
        (1, 1280, DOES_NOT_CONFORM),
        (2, None, DOES_NOT_CONFORM),
    ],
)
def test_pa2_appendix_1(level: int, maximum: int | None, verdict: str) -> None:
    readings = part_of(APPENDIX_1_SPOTS)
    assert plain_pa2(readings, minimum=640, maximum=maximum, level=level, size_m2=10) == verdict


def test_pa2_single_readings_are_unrestricted() -> None:
    readings = [*part_of(APPENDIX_1_SPOTS)[3:], (1, 1, 380), (1, 1, 460), (1, 1, 1080)]
    assert plain_pa2(readings, minimum=640, maximum=1280, level=3, size_m2=10) == CONFORMS


@pytest.mark.parametrize(
    ("level", "minimum", "maximum", "lowest", "highest"),
    [(3, 80, 120, 64, 144), (3, 30, 50, 24, 60), (4, 30, 50, 24, 75), (4, 50, 70, 40, 105), (4, 20, 40, 16, 60)],
)
def test_pa2_worked_spot_limits(level: int, minimum: int, maximum: int, lowest: int, highest: int) -> None:
    # The worked limits are in mils; any unit serves, as the levels are shares of the specified limits.
    middle = (minimum + maximum) // 2

    def judge(low: int, high: int) -> str:
        readings = part_of([low, high, middle, middle, middle])
        return plain_pa2(readings, minimum=minimum, maximum=maximum, level=level, size_m2=10)

    assert judge(lowest, highest) == CONFORMS
    assert judge(lowest - 1, highest) == DOES_NOT_CONFORM
    assert judge(lowest, highest + 1) == DOES_NOT_CONFORM


@pytest.mark.parametrize(
    ("level", "spots", "verdict"),
    [
        (1, [500, 500, 500, 500, 500], CONFORMS),
        (1, [1000, 1000, 1000, 1000, 1000], CONFORMS),
        (1, [1001, 999, 900, 900, 900], DOES_NOT_CONFORM),
        (2, [1200, 800, 800, 800, 800], CONFORMS),
        (2, [499, 800, 800, 800, 800], DOES_NOT_CONFORM),
        (3, [400, 600, 500, 500, 500], CONFORMS),
        (3, [400, 599, 500, 500, 500], DOES_NOT_CONFORM),
        (3, [1200, 800, 1000, 1000, 1000], CONFORMS),
        (3, [1200, 801, 1000, 1000, 1000], DOES_NOT_CONFORM),
        (4, [1500, 1500, 1500, 1500, 1500], CONFORMS),
        (4, [1501, 1500, 1500, 1500, 1500], DOES_NOT_CONFORM),
        (5, [9000, 9000, 9000, 9000, 9000], CONFORMS),
        (5, [399, 9000, 9000, 9000, 9000], DOES_NOT_CONFORM),
    ],
)
def test_pa2_table_1(level: int, spots: list[int], verdict: str) -> None:
    assert plain_pa2(part_of(spots), minimum=500, maximum=1000, level=level, size_m2=10) == verdict


def test_pa2_area_is_the_mean_of_spots_not_of_readings() -> None:
    readings = part_of([600, 400, 500, 500, 500]) + [(1, 2, 400)] * 3
    assert plain_pa2(readings, minimum=500, maximum=1000, level=3, size_m2=10) == CONFORMS


@pytest.mark.parametrize(
    ("readings", "size", "verdict"),
    [
        ([], 10, NOT_ASSESSABLE),
        (part_of([700] * 4), 10, NOT_ASSESSABLE),
        (part_of([100] * 4), 10, NOT_ASSESSABLE),
        (part_of([700] * 5, readings=2), 10, NOT_ASSESSABLE),
        (part_of([700] * 5)[:-1], 10, NOT_ASSESSABLE),
        (part_of([700] * 5), 10.1, NOT_ASSESSABLE),
        (part_of([700] * 5) + part_of([700] * 5, part=2), 10.1, CONFORMS),
        (part_of([700] * 5) + part_of([700] * 4, part=2), 10, NOT_ASSESSABLE),
        (part_of([300] * 5), 500, DOES_NOT_CONFORM),
        (part_of([300] * 5) + part_of([700] * 4, part=2), 20, DOES_NOT_CONFORM),
    ],
)
def test_pa2_precedence(readings: list[Reading], size: float, verdict: str) -> None:
    assert plain_pa2(readings, minimum=500, maximum=1000, level=3, size_m2=size) == verdict


@pytest.mark.parametrize(("number", "size", "most"), [(20, 30, 3), (5, 1, 0), (30, 100, 5)])
def test_iso19840_share_of_low_values(number: int, size: float, most: int) -> None:
    def judge(low: int) -> str:
        values = [480 + 100] * low + [900 + 100] * (number - low)
        return plain_iso19840(values, nominal=600, maximum=None, profile="fine", size_m2=size)

    assert judge(most) == CONFORMS
    assert judge(most + 1) == DOES_NOT_CONFORM


@pytest.mark.parametrize(
    ("films", "maximum", "verdict"),
    [
        ([600] * 10, None, CONFORMS),
        ([599] + [600] * 9, None, DOES_NOT_CONFORM),
        ([480, 720] + [600] * 8, None, CONFORMS),
        ([479, 721] + [600] * 8, None, DOES_NOT_CONFORM),
        ([1800] * 10, None, CONFORMS),
        ([1801] + [600] * 9, None, DOES_NOT_CONFORM),
        ([1801] + [600] * 9, 1801, CONFORMS),
        ([901] + [600] * 9, 900, DOES_NOT_CONFORM),
        ([600] * 9, None, NOT_ASSESSABLE),
    ],
)
@pytest.mark.parametrize(("profile", "correction"), [("fine", 100), ("medium", 250), ("coarse", 400), ("unknown", 250)])
def test_iso19840_limits(films: list[int], maximum: int | None, verdict: str, profile: str, correction: int) -> None:
    values = [film + correction for film in films]
    assert plain_iso19840(values, nominal=600, maximum=maximum, profile=profile, size_m2=3) == verdict


@pytest.mark.parametrize(
    ("nominal", "profile", "verdict"),
    [(400, "fine", CONFORMS), (399, "fine", NOT_ASSESSABLE), (400, "smooth", NOT_ASSESSABLE)],
)
def test_iso19840_scope(nominal: int, profile: str, verdict: str) -> None:
    assert plain_iso19840([700] * 5, nominal=nominal, maximum=None, profile=profile, size_m2=1) == verdict


@pytest.mark.parametrize(
    ("values", "verdict"),
    [
        ([], NOT_ASSESSABLE),
        ([3200], CONFORMS),
        ([3199], DOES_NOT_CONFORM),
        ([2880] * 2 + [3200] * 18, CONFORMS),
        ([2880] * 3 + [3200] * 17, DOES_NOT_CONFORM),
        ([2879] + [3200] * 19, DOES_NOT_CONFORM),
        ([3199] + [3200] * 9, CONFORMS),
        ([3199] + [3200] * 8, DOES_NOT_CONFORM),
        ([90000] * 3, CONFORMS),
    ],
)
def test_9010(values: list[int], verdict: str) -> None:
    assert plain_9010(values, nominal=3200) == verdict


def test_tenths_and_bad_input() -> None:
    assert tenths("64.3") == 643
    with pytest.raises(ValueError, match="finer"):
        tenths("64.35")
    with pytest.raises(ValueError, match="above zero"):
        parts_required(0)
    with pytest.raises(KeyError):
        plain_pa2([], minimum=1, maximum=None, level=6, size_m2=1)


def test_random_cases_repeat_and_reach_every_verdict() -> None:
    cases = [random_case(random.Random(seed)) for seed in range(3000)]
    assert cases[:50] == [random_case(random.Random(seed)) for seed in range(50)]
    verdicts: dict[str, Counter[str]] = defaultdict(Counter)
    for case in cases:
        verdicts[case["rule"]][plain_verdict(case)] += 1
    assert set(verdicts) == set(PLAIN_RULES)
    for counts in verdicts.values():
        total = sum(counts.values())
        assert counts[CONFORMS] > 0.15 * total
        assert counts[DOES_NOT_CONFORM] > 0.15 * total
        assert counts[NOT_ASSESSABLE] > 0.02 * total
