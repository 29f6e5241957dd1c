"""Adjustment: what a causal diagram says must be held equal, what must not be, and what it implies for the records.

References
----------
.. [1] Pearl, J. (2009). Causality, 2nd edition, sections 1.2 and 3.3.
.. [2] van der Zander, B., Liskiewicz, M. and Textor, J. (2014). Constructing separators and adjustment sets in
   ancestral graphs. UAI workshop on causal inference.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import pandas as pd

from auditkit.stats.diagrams import Diagram, ancestors, check_known, descendants, parents, separated

__all__ = ["Adjustment", "adjustment_set", "implied_independencies"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Adjustment:
    """What to adjust for when asking what a cause does to an effect.

    Parameters
    ----------
    cause, effect : str
    adjust_for : tuple of str
        Recorded parents of the cause. Where the cause is computed from its
        parents, holding them all would leave nothing to compare: then what
        closes every back door with as few of them as can be.
    not_recorded : tuple of str
        Parents of the cause that are not recorded.
    open_through : tuple of str
        Those of them through which a back door stays open while `adjust_for`
        is held: what should be held equal and cannot be.
    never : tuple of str
        Descendants of the cause other than the effect: mediators and
        consequences, which adjustment would take for causes.
    closes : bool
        Whether `adjust_for` meets the back-door criterion in the diagram.
    wider_set : tuple of str or None
        Where it does not: recorded nodes that do, or None if none can.
    """

    cause: str
    effect: str
    adjust_for: tuple[str, ...]
    not_recorded: tuple[str, ...]
    open_through: tuple[str, ...]
    never: tuple[str, ...]
    closes: bool
    wider_set: tuple[str, ...] | None


def adjustment_set(diagram: Diagram, *, cause: str, effect: str) -> Adjustment:
    """Return what to adjust for to learn what a cause does to an effect: in general the recorded parents of the cause.

    Parameters
    ----------
    diagram : Diagram
    cause, effect : str

    Returns
    -------
    Adjustment

    Raises
    ------
    ValueError
        A name is not in the diagram, or the effect lies before the cause.

    References
    ----------
    [1]_ of the module, definition 3.3.1 (back-door criterion) and theorem
    3.2.2 (parents suffice); [2]_ for the wider set.

    Examples
    --------
    >>> from auditkit.stats.diagrams import chain, read_diagram
    >>> diagram = read_diagram({
    ...     "nodes": {name: {"recorded": True} for name in ("crew", "speed", "heat", "fault")},
    ...     "arrows": [{"from": a, "to": b, "because": "Invented."}
    ...                for a, b in [("crew", "speed"), ("crew", "fault"), ("speed", "heat"), ("heat", "fault")]],
    ... })
    >>> found = adjustment_set(diagram, cause="speed", effect="fault")
    >>> found.adjust_for, found.never, found.closes
    (('crew',), ('heat',), True)
    """
    check_known(diagram, [cause, effect])
    if cause == effect or effect in ancestors(diagram, cause):
        raise ValueError(f"the effect must not be the cause or lie before it; in the diagram {effect!r} does")
    after = descendants(diagram, cause)
    direct = parents(diagram, cause)
    adjust_for = tuple(name for name in direct if name in diagram.recorded)
    if cause in diagram.computed:
        adjust_for = _around_inputs(diagram, cause, effect, direct)
    closes = _closes_back_doors(diagram, cause, effect, adjust_for)
    hidden = [name for name in direct if name not in diagram.recorded]
    return Adjustment(
        cause=cause,
        effect=effect,
        adjust_for=adjust_for,
        not_recorded=tuple(hidden),
        open_through=tuple(name for name in hidden if not _closes_back_doors(diagram, cause, effect, adjust_for, name)),
        never=tuple(name for name in after if name != effect),
        closes=closes,
        wider_set=None if closes else _closing_set(diagram, cause, effect, keep=adjust_for),
    )


def _closes_back_doors(
    diagram: Diagram, cause: str, effect: str, given: tuple[str, ...], through: str | None = None
) -> bool:
    """Return whether the set, without descendants of the cause, blocks every path into it (or those by one parent)."""
    into = tuple(
        arrow
        for arrow in diagram.arrows
        if arrow.cause != cause and (through is None or arrow.effect != cause or arrow.cause == through)
    )
    return separated(replace(diagram, arrows=into), cause, effect, given=given)


def _around_inputs(diagram: Diagram, cause: str, effect: str, inputs: tuple[str, ...]) -> tuple[str, ...]:
    """Return what closes every back door of a computed cause, its inputs left free as far as can be."""
    before = {parent for name in inputs for parent in parents(diagram, name)} - set(inputs)
    kept = tuple(name for name in diagram.nodes if name in before & diagram.recorded)
    closing = _closing_set(diagram, cause, effect, keep=kept, free=inputs)
    return kept if closing is None else closing


def _closing_set(
    diagram: Diagram, cause: str, effect: str, *, keep: tuple[str, ...], free: tuple[str, ...] = ()
) -> tuple[str, ...] | None:
    """Return recorded nodes that close every back door, without those that can go; None if no recorded nodes do.

    Those to be left free go first, then others from the last to the first;
    those to keep stay.
    """
    before = {*ancestors(diagram, cause), *ancestors(diagram, effect)} & diagram.recorded
    before -= {cause, *descendants(diagram, cause)}
    found = tuple(name for name in diagram.nodes if name in before)
    if not _closes_back_doors(diagram, cause, effect, found):  # [2] if this set does not, none does
        return None
    others = [name for name in reversed(found) if name not in free and name not in keep]
    for name in (*free, *others):
        fewer = tuple(other for other in found if other != name)
        if _closes_back_doors(diagram, cause, effect, fewer):
            found = fewer
    return found


def implied_independencies(diagram: Diagram) -> pd.DataFrame:
    """Return what the diagram says must be independent: one claim for each pair without an arrow.

    Given the parents of the later one, it is independent of the earlier one.
    These claims together imply all others. Where one of those parents is not
    recorded, recorded nodes that separate the two as well stand in for them, as
    few as can be, if there are such.

    Parameters
    ----------
    diagram : Diagram

    Returns
    -------
    DataFrame
        one, other, given (tuple of str), testable (all of them are recorded),
        in the order of the nodes.

    References
    ----------
    [1]_ of the module, theorem 1.2.7 (ordered Markov condition, pair by pair);
    [2]_ for the recorded nodes that stand in.

    Examples
    --------
    >>> from auditkit.stats.diagrams import chain
    >>> implied_independencies(chain("a", "b", "c")).to_dict("records")
    [{'one': 'a', 'other': 'c', 'given': ('b',), 'testable': True}]
    """
    rows = []
    for j, later in enumerate(diagram.nodes):
        direct = parents(diagram, later)
        for earlier in diagram.nodes[:j]:
            if earlier not in direct:
                given = direct
                if {earlier, later} <= diagram.recorded and not set(direct) <= diagram.recorded:
                    stand_in = _recorded_separator(diagram, earlier, later, direct)
                    given = direct if stand_in is None else stand_in
                rows.append((earlier, later, given, {earlier, later, *given} <= diagram.recorded))
    return pd.DataFrame(rows, columns=["one", "other", "given", "testable"])


def _recorded_separator(diagram: Diagram, one: str, other: str, direct: tuple[str, ...]) -> tuple[str, ...] | None:
    """Return recorded nodes that separate two, the other's parents the last to go; None if no recorded nodes do."""
    before = ({*ancestors(diagram, one), *ancestors(diagram, other)} & diagram.recorded) - {one, other}
    found = tuple(name for name in diagram.nodes if name in before)
    if not separated(diagram, one, other, given=found):  # [2] if this set does not, none does
        return None
    for name in (*(n for n in found if n not in direct), *(n for n in found if n in direct)):
        fewer = tuple(kept for kept in found if kept != name)
        if separated(diagram, one, other, given=fewer):
            found = fewer
    return found
