"""How much of an area each published rule asks to measure.

References
----------
.. [1] SSPC-PA 2, section 8.
.. [2] ISO 19840:2012, table of measurements.
.. [3] IMO resolution MSC.215(82), Annex 3.
"""

from __future__ import annotations

import math

from auditkit.trade.film_rules import FilmRules, load_film_rules

__all__ = ["parts_required_pa2", "readings_required_90_10", "readings_required_iso", "repeats_allowed_iso"]


def parts_required_pa2(size_m2: float, *, rules: FilmRules | None = None) -> int:
    """Return how many parts of about 10 m2 of an area must be measured [-].

    Up to 30 m2 every part, up to 100 m2 three, beyond that one more for each
    further 100 m2 or part of it.

    Parameters
    ----------
    size_m2 : float
        Coated size of the area `[m2]`.
    rules : FilmRules, optional
        Left out, the rules that ship with the package.

    Raises
    ------
    ValueError
        The size is not above 0.

    References
    ----------
    SSPC-PA 2, section 8.

    Examples
    --------
    >>> [parts_required_pa2(size) for size in (5, 25, 30, 100, 101, 500)]
    [1, 3, 3, 3, 4, 7]
    """
    _check_size(size_m2)
    pa2 = (rules or load_film_rules()).pa2
    if size_m2 <= pa2.every_part_up_to_m2.value:
        return _ceil(size_m2 / pa2.part_size_m2.value)
    sampled = int(pa2.sampled_parts.value)
    beyond = size_m2 - pa2.sampled_up_to_m2.value
    return sampled if beyond <= 0 else sampled + _ceil(beyond / pa2.further_part_per_m2.value)


def readings_required_iso(size_m2: float, *, rules: FilmRules | None = None) -> int:
    """Return the least number of measurements of an inspection area [-].

    Parameters
    ----------
    size_m2 : float
        Coated size of the area `[m2]`, or its length in metres for profiles
        and pipes.
    rules : FilmRules, optional
        Left out, the rules that ship with the package.

    Raises
    ------
    ValueError
        The size is not above 0.

    References
    ----------
    ISO 19840:2012, table of measurements; rows up to 10 m2 from memory.

    Examples
    --------
    >>> [readings_required_iso(size) for size in (0.5, 3, 10, 10.1, 30, 31, 100, 101, 500)]
    [5, 10, 15, 20, 20, 30, 30, 40, 70]
    """
    _check_size(size_m2)
    iso = (rules or load_film_rules()).iso19840
    for row in iso.measurements:
        if size_m2 <= row.up_to_m2:
            return row.readings
    last = iso.measurements[-1]
    further = _ceil((size_m2 - last.up_to_m2) / iso.further_per_m2.value)
    return last.readings + further * int(iso.further_readings.value)


def repeats_allowed_iso(size_m2: float, *, rules: FilmRules | None = None) -> int:
    """Return how many measurements of an inspection area may be repeated [-].

    Parameters
    ----------
    size_m2 : float
        Coated size of the area `[m2]`.
    rules : FilmRules, optional
        Left out, the rules that ship with the package.

    Raises
    ------
    ValueError
        The size is not above 0.

    References
    ----------
    ISO 19840:2012, table of measurements; from memory.

    Examples
    --------
    >>> [repeats_allowed_iso(size) for size in (1, 2, 10, 30, 100, 500)]
    [1, 2, 3, 4, 6, 14]
    """
    _check_size(size_m2)
    rules = rules or load_film_rules()
    for row in rules.iso19840.measurements:
        if size_m2 <= row.up_to_m2:
            return row.repeats
    share = rules.iso19840.further_repeat_share.value
    return math.floor(readings_required_iso(size_m2, rules=rules) * share + 1e-9)


def readings_required_90_10(size_m2: float, *, rules: FilmRules | None = None) -> int:
    """Return the least number of readings of an area under the 90/10 practice [-].

    One for each 5 m2 of flat surface, and never fewer than three.

    Parameters
    ----------
    size_m2 : float
        Coated size of the area `[m2]`.
    rules : FilmRules, optional
        Left out, the rules that ship with the package.

    Raises
    ------
    ValueError
        The size is not above 0.

    References
    ----------
    IMO resolution MSC.215(82), Annex 3. It asks three readings of complex
    areas only; holding every area to three is this project's choice.

    Examples
    --------
    >>> [readings_required_90_10(size) for size in (2, 15, 16)]
    [3, 3, 4]
    """
    _check_size(size_m2)
    rule = (rules or load_film_rules()).ninety_ten
    return max(int(rule.least_readings.value), _ceil(size_m2 / rule.m2_per_reading.value))


def _check_size(size_m2: float) -> None:
    if not size_m2 > 0 or math.isinf(size_m2):
        raise ValueError(f"size_m2 must be above 0 and finite; given {size_m2}. Correct size_m2 of the area")


def _ceil(quotient: float) -> int:
    """Return the ceiling, where a quotient that ties with a whole number but for rounding counts as that number."""
    return math.ceil(quotient - 1e-9)
