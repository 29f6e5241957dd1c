"""Verdicts on film thickness: what was measured on one side of one area, held against a published rule.

A value that ties with its limit conforms, see `film_measures.TIE`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from auditkit.trade.film_measures import TIE, SideMeasure
from auditkit.trade.film_own import OwnLimits
from auditkit.trade.film_rules import FilmRules

__all__ = [
    "CONFORMS",
    "NOT_ASSESSABLE",
    "NOT_CONFORMING",
    "FilmSpec",
    "Finding",
    "Test",
    "Verdict",
    "counting_limits",
    "falls_short",
    "limit_finding",
    "micrometres",
    "sampling_finding",
    "share_finding",
    "verdict_of",
]

CONFORMS = "conforms"
NOT_CONFORMING = "does not conform"
NOT_ASSESSABLE = "not assessable"

_SHOWN = 4  # findings told in a reason
_RULES = ("sspc-pa-2", "iso-19840", "90-10", "own")
_PROFILES = ("smooth", "fine", "medium", "coarse", "unknown")


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmSpec:
    """What was specified for one side of one area.

    Parameters
    ----------
    rule : {'sspc-pa-2', 'iso-19840', '90-10', 'own'}
        Published rule it is judged by, or the job's own limits.
    level : int, optional
        SSPC-PA 2 restriction level 1 to 5; None means the rule's default level.
    minimum_um, nominal_um : float
        Specified minimum, which SSPC-PA 2 judges by, and nominal, which the
        other rules judge by `[um]`.
    maximum_um : float, optional
        Specified maximum `[um]`; None where none was specified.
    surface_profile : {'smooth', 'fine', 'medium', 'coarse', 'unknown'}
        ISO 8503-1 grade of the surface under the film.
    size_m2 : float
        Coated size of the area `[m2]`.
    own : OwnLimits, optional
        The job's own limits, under the rule 'own'; None where none were
        declared.
    """

    rule: str
    level: int | None
    minimum_um: float
    nominal_um: float
    maximum_um: float | None
    surface_profile: str
    size_m2: float
    own: OwnLimits | None = None

    def __post_init__(self) -> None:
        """Refuse a specification that no rule can judge by."""
        if self.rule not in _RULES:
            raise ValueError(f"rule must be one of {', '.join(_RULES)}; given {self.rule!r}")
        if self.level is not None and self.level not in range(1, 6):
            raise ValueError(f"level must be 1 to 5, or None for the rule's default; given {self.level!r}")
        if self.surface_profile not in _PROFILES:
            raise ValueError(f"surface_profile must be one of {', '.join(_PROFILES)}; given {self.surface_profile!r}")
        if self.own is not None and self.rule != "own":
            raise ValueError(f"own limits go with the rule own only; given {self.rule!r}. Leave one of them out")
        if not (self.minimum_um > 0 and self.nominal_um > 0 and (self.maximum_um is None or self.maximum_um > 0)):
            raise ValueError(
                "minimum_um, nominal_um and, where there is one, maximum_um must be above 0; "
                f"given {self.minimum_um}, {self.nominal_um} and {self.maximum_um}"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Test:
    """One test of a rule: what was observed, the limit, and the outcome in the words of a verdict.

    `holds` says how the observed must stand to the limit, such as 'at least';
    `part` is the part of the area that was tested, None for the whole of it.
    """

    __test__ = False

    name: str
    clause: str
    observed: float | None
    holds: str
    limit: float | None
    outcome: str
    from_memory: bool
    part: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """The verdict on one side of one area.

    Parameters
    ----------
    verdict : {'conforms', 'does not conform', 'not assessable'}
        The worst outcome among the tests.
    rule, level : str, int or None
        Rule judged by, and the SSPC-PA 2 level, where it applies.
    clause, reason : str
        Clause that decided, and why in words.
    tests : tuple of Test
        Every test that was run or could not be run.
    deciding : tuple of Test
        Those that decided: all of them where every test passed.
    n_readings, n_spots, n_short_spots, n_parts : int
        Readings; spots (under SSPC-PA 2 only those with enough readings, the
        others are the short spots); parts with readings.
    required, short_by : int
        Least number of spots (SSPC-PA 2) or readings (other rules), and how
        many are lacking.
    required_of : {'spots', 'readings'}
        What `required` counts.
    from_memory : bool
        Whether the verdict rests on a figure that was not seen printed: check
        it against your copy of the standard.
    mean_um, lowest_um, highest_um : float or None
        Of what the rule judges: spot measurements under SSPC-PA 2, single
        readings less the correction under the others `[um]`.
    share_below_pct : float or None
        Share of single readings, less the correction, below the specified
        minimum (SSPC-PA 2) or nominal (other rules) `[%]`.
    correction_um : float
        What was taken off each reading for the surface profile `[um]`.
    spec, measured : FilmSpec, SideMeasure or None
        What was specified, and what was measured, if anything was.
    """

    verdict: str
    rule: str
    level: int | None
    clause: str
    reason: str
    tests: tuple[Test, ...]
    deciding: tuple[Test, ...]
    n_readings: int
    n_spots: int
    n_short_spots: int
    n_parts: int
    required: int
    short_by: int
    required_of: str
    from_memory: bool
    mean_um: float | None
    lowest_um: float | None
    highest_um: float | None
    share_below_pct: float | None
    correction_um: float
    spec: FilmSpec
    measured: SideMeasure | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """A test, and the words for it where it did not simply pass."""

    test: Test
    words: str


def falls_short(value: float, limit: float) -> bool:
    """Return whether a value lies below a limit and does not tie with it.

    Examples
    --------
    >>> 0.7 * 80 < 56, falls_short((55.9 + 56.0 + 56.1) / 3, 0.7 * 80), falls_short(55.99, 0.7 * 80)
    (False, False, True)
    """
    return value < limit - TIE * abs(limit)


def counting_limits(spec: FilmSpec, *, rules: FilmRules) -> tuple[float, float, float]:
    """Return the readings to count below, far below, and the correction of a rule `[um]`.

    The first two are limits for readings as the gauge shows them, so they
    include the correction.

    Examples
    --------
    >>> from auditkit.trade.film_rules import load_film_rules
    >>> spec = FilmSpec(rule="iso-19840", level=None, minimum_um=80, nominal_um=80, maximum_um=None,
    ...                 surface_profile="medium", size_m2=2)
    >>> counting_limits(spec, rules=load_film_rules())
    (105.0, 89.0, 25.0)
    """
    if spec.rule in ("sspc-pa-2", "own"):
        return spec.minimum_um, spec.minimum_um, 0.0
    if spec.rule == "90-10":
        return spec.nominal_um, rules.ninety_ten.reading_min.value * spec.nominal_um, 0.0
    iso = rules.iso19840
    profile = iso.profile_correction_um.get(spec.surface_profile)
    correction = 0.0 if profile is None else profile.value
    return spec.nominal_um + correction, iso.reading_min.value * spec.nominal_um + correction, correction


def limit_finding(
    name: str,
    value: float,
    limit: float | None,
    *,
    least: bool,
    basis: str,
    clause: str,
    enough: bool,
    from_memory: bool,
    part: int | None = None,
) -> Finding:
    """Return the finding on a value that may not lie below, or else not above, a limit.

    Parameters
    ----------
    name : str
        What was observed.
    value, limit : float, float or None
        Observed value and limit `[um]`; the limit is None where none was specified.
    least : bool
        Whether the limit is a least value; otherwise it is a greatest.
    basis : str
        Where the limit comes from, in words.
    clause : str
        Clause of the rule.
    enough : bool
        Whether enough was measured for the test to count.
    from_memory : bool
        Whether the limit rests on a figure that was not seen printed.
    part : int, optional
        Part of the area the value is of.

    Examples
    --------
    >>> limit_finding("lowest spot", 45.0, 48.0, least=True, basis="80 % of the specified minimum", clause="Table 1",
    ...               enough=True, from_memory=False).words
    'lowest spot 45 um is below 48 um (80 % of the specified minimum)'
    """
    if limit is None:
        outcome, words = (
            NOT_ASSESSABLE,
            f"{name} {micrometres(value)} has no maximum to be held against: none is specified",
        )
    else:
        breached = falls_short(value, limit) if least else falls_short(limit, value)
        side = "below" if least else "above"
        outcome = _outcome(breached=breached, enough=enough)
        words = (
            f"{name} {micrometres(value)} is {'' if enough else 'already '}{side} {micrometres(limit)} ({basis})"
            if breached
            else ""
        )
    test = Test(
        name=name,
        clause=clause,
        observed=value,
        holds="at least" if least else "at most",
        limit=limit,
        outcome=outcome,
        from_memory=from_memory,
        part=part,
    )
    return Finding(test=test, words=words)


def share_finding(
    name: str, share: float, limit: float, *, breached: bool, holds: str, clause: str, enough: bool, from_memory: bool
) -> Finding:
    """Return the finding on a share of readings `[-]`.

    Examples
    --------
    >>> share_finding("share at or above the nominal", 0.85, 0.9, breached=True, holds="must be at least",
    ...               clause="definition 2.7", enough=True, from_memory=False).words
    'share at or above the nominal is 85 %, and must be at least 90 %'
    """
    test = Test(
        name=name,
        clause=clause,
        observed=share,
        holds=holds.removeprefix("must be "),
        limit=limit,
        outcome=_outcome(breached=breached, enough=enough),
        from_memory=from_memory,
    )
    so_far = "" if enough else "so far "
    words = f"{name} is {so_far}{100 * share:.3g} %, and {holds} {100 * limit:.3g} %" if breached else ""
    return Finding(test=test, words=words)


def sampling_finding(
    name: str,
    measured: int,
    required: int,
    *,
    words: str,
    clause: str,
    from_memory: bool,
    part: int | None = None,
) -> Finding:
    """Return the finding on how much was measured: too little leaves the rule without a verdict.

    Examples
    --------
    >>> sampling_finding("readings", 12, 15, words="12 of 15", clause="table", from_memory=True).test.outcome
    'not assessable'
    """
    outcome = CONFORMS if measured >= required else NOT_ASSESSABLE
    test = Test(
        name=name,
        clause=clause,
        observed=float(measured),
        holds="at least",
        limit=float(required),
        outcome=outcome,
        from_memory=from_memory,
        part=part,
    )
    return Finding(test=test, words=words)


def verdict_of(
    measured: SideMeasure | None,
    findings: Sequence[Finding],
    *,
    spec: FilmSpec,
    level: int | None,
    clause: str,
    n_spots: int,
    n_short_spots: int,
    required: int,
    required_of: str,
    short_by: int,
    values: tuple[float, float, float] | None,
    correction_um: float,
) -> Verdict:
    """Return the verdict the findings add up to: the worst outcome, and the words of those that decided it.

    A verdict that conforms rests on every figure used; any other rests on a
    figure from memory only if each finding that decided it does.
    """
    outcomes = {finding.test.outcome for finding in findings}
    worst = next((word for word in (NOT_CONFORMING, NOT_ASSESSABLE, CONFORMS) if word in outcomes), NOT_ASSESSABLE)
    deciding = [finding for finding in findings if finding.test.outcome == worst and finding.words]
    decided_by = [finding.test for finding in (findings if worst == CONFORMS else deciding)]
    memories = [test.from_memory for test in decided_by]
    mean, lowest, highest = (None, None, None) if values is None else values
    return Verdict(
        verdict=worst,
        rule=spec.rule,
        level=level,
        clause=clause if worst == CONFORMS or not deciding else deciding[0].test.clause,
        reason=_reason(worst, deciding, n_short_spots),
        tests=tuple(finding.test for finding in findings),
        deciding=tuple(decided_by),
        n_readings=0 if measured is None else measured.n_readings,
        n_spots=n_spots,
        n_short_spots=n_short_spots,
        n_parts=0 if measured is None else len(measured.parts),
        required=required,
        short_by=short_by,
        required_of=required_of,
        from_memory=any(memories) if worst == CONFORMS else bool(memories) and all(memories),
        mean_um=mean,
        lowest_um=lowest,
        highest_um=highest,
        share_below_pct=None if measured is None else 100 * measured.n_below / measured.n_readings,
        correction_um=correction_um,
        spec=spec,
        measured=measured,
    )


def micrometres(value: float) -> str:
    """Return a thickness in words, to three decimals at most.

    Examples
    --------
    >>> micrometres(48.0), micrometres(63.9667)
    ('48 um', '63.967 um')
    """
    return f"{value:.3f}".rstrip("0").rstrip(".") + " um"


def _outcome(*, breached: bool, enough: bool) -> str:
    if not enough:
        return NOT_ASSESSABLE
    return NOT_CONFORMING if breached else CONFORMS


def _reason(worst: str, deciding: Sequence[Finding], n_short_spots: int) -> str:
    if worst == CONFORMS:
        short = f"; {n_short_spots} more spots had too few readings and count for nothing" if n_short_spots else ""
        return f"every test passed{short}"
    if not deciding:
        return "no readings"
    shown = "; ".join(finding.words for finding in deciding[:_SHOWN])
    more = len(deciding) - _SHOWN
    return f"{shown}; and {more} more" if more > 0 else shown
