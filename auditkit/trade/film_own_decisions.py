"""Decisions by spots and their mean: what SSPC-PA 2 and a job's own limits have in common, and the latter."""

from __future__ import annotations

from collections.abc import Iterable

from auditkit.trade.film_measures import PartMeasure, SideMeasure
from auditkit.trade.film_own import OwnLimits
from auditkit.trade.film_verdicts import (
    NOT_ASSESSABLE,
    FilmSpec,
    Finding,
    Test,
    Verdict,
    limit_finding,
    sampling_finding,
    verdict_of,
)

__all__ = ["decide_own", "over_parts", "spots_finding"]

_UNDECLARED = "the job's own limits"


def decide_own(measured: SideMeasure | None, *, spec: FilmSpec) -> Verdict:
    """Return the verdict by the limits the job has of its own.

    Each part with readings is judged and the worst decides. The limits do not
    say how many parts an area has, so one is required.

    Examples
    --------
    >>> spec = FilmSpec(rule="own", level=None, minimum_um=60, nominal_um=80, maximum_um=None,
    ...                 surface_profile="fine", size_m2=2)
    >>> decide_own(None, spec=spec).reason
    'no limits declared'
    """
    own = spec.own
    parts = () if measured is None else measured.parts
    findings: list[Finding] = []
    if own is None:
        findings.append(_undeclared())
    else:
        for part in parts:
            where = f"part {part.part}: " if len(parts) > 1 else ""
            findings.append(spots_finding(part, own.spots_per_part, where=where, clause=own.source, from_memory=False))
            findings.extend(_part_limits(part, own, where=where))
    required = 0 if own is None else own.spots_per_part
    lacking = sum(max(0, required - part.n_spots) for part in parts)
    return verdict_of(
        measured,
        findings,
        spec=spec,
        level=None,
        clause=_UNDECLARED if own is None else own.source,
        n_spots=sum(part.n_spots for part in parts),
        n_short_spots=sum(part.n_short_spots for part in parts),
        required=required * max(1, len(parts)),
        required_of="spots",
        short_by=lacking if parts else required,
        values=over_parts(parts),
        correction_um=0.0,
    )


def over_parts(parts: tuple[PartMeasure, ...]) -> tuple[float, float, float] | None:
    """Return mean, lowest and highest of all spot measurements, or None where there is none.

    Examples
    --------
    >>> over_parts(()) is None
    True
    """
    measured = [part for part in parts if part.n_spots]
    if not measured:
        return None
    n_spots = sum(part.n_spots for part in measured)
    return (
        sum(part.mean_um * part.n_spots for part in measured) / n_spots,
        min(part.lowest_um for part in measured),
        max(part.highest_um for part in measured),
    )


def spots_finding(part: PartMeasure, required: int, *, where: str, clause: str, from_memory: bool) -> Finding:
    """Return the finding on how many spots of a part were measured.

    Parameters
    ----------
    part : PartMeasure
        What was measured.
    required : int
        Least number of spots.
    where, clause : str
        The part in words, for the name of the test; clause of the rule.
    from_memory : bool
        Whether the number rests on a figure that was not seen printed.

    Examples
    --------
    >>> part = PartMeasure(part=1, n_spots=4, n_short_spots=1, mean_um=70.0, lowest_um=66.0, highest_um=75.0,
    ...                    lowest_reading_um=60.0, highest_reading_um=80.0)
    >>> spots_finding(part, 5, where="", clause="3.2", from_memory=False).words
    '4 of the 5 spots were measured; 1 more had too few readings'
    """
    short = f"; {part.n_short_spots} more had too few readings" if part.n_short_spots else ""
    return sampling_finding(
        f"{where}spots measured",
        part.n_spots,
        required,
        words=f"{where}{part.n_spots} of the {required} spots were measured{short}",
        clause=clause,
        from_memory=from_memory,
        part=part.part,
    )


def _undeclared() -> Finding:
    test = Test(
        name="limits declared",
        clause=_UNDECLARED,
        observed=None,
        holds="",
        limit=None,
        outcome=NOT_ASSESSABLE,
        from_memory=False,
    )
    return Finding(test=test, words="no limits declared")


def _part_limits(part: PartMeasure, own: OwnLimits, *, where: str) -> Iterable[Finding]:
    if not part.n_spots:
        return
    enough = part.n_spots >= own.spots_per_part
    bounds: tuple[tuple[str, float, float | None, bool], ...] = (
        ("lowest spot", part.lowest_um, own.spot_min_um, True),
        ("highest spot", part.highest_um, own.spot_max_um, False),
        ("mean of the spots", part.mean_um, own.area_min_um, True),
        ("mean of the spots", part.mean_um, own.area_max_um, False),
    )
    for name, value, limit, least in bounds:
        if limit is None:
            continue
        yield limit_finding(
            f"{where}{name}",
            value,
            limit,
            least=least,
            basis=f"the job's own {'least' if least else 'greatest'}",
            clause=own.source,
            enough=enough,
            from_memory=False,
            part=part.part,
        )
