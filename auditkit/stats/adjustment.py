"""Adjustment: what a causal diagram says must be held equal, what must not be, and what it implies for the records.

References
----------
.. [1] Pearl, J. (2009). Causality, 2nd edition, sections 1.2 and 3.3.
.. [2] van der Zander, B., Liskiewicz, M. and Textor, J. (2014). Constructing separators and adjustment sets in
   ancestral graphs. UAI workshop on causal inference.
"""

from __future__ import annotations

from dataclasses import dataclass

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
        Recorded parents of the cause.
    not_recorded : tuple of str
        Parents of the cause that are not recorded.
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
    never: tuple[str, ...]
    closes: bool
    wider_set: tuple[str, ...] | None


def adjustment_set(diagram: Diagram, *, cause: str, effect: str) -> Adjustment:
    """Return what to adjust for to learn what a cause does to an effect: the recorded parents of the cause.

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
    closes = _closes_back_doors(diagram, cause, effect, adjust_for)
    return Adjustment(
        cause=cause,
        effect=effect,
        adjust_for=adjust_for,
        not_recorded=tuple(name for name in direct if name not in diagram.recorded),
        never=tuple(name for name in after if name != effect),
        closes=closes,
        wider_set=None if closes else _wider_set(diagram, cause, effect),
    )


def _closes_back_doors(diagram: Diagram, cause: str, effect: str, given: tuple[str, ...]) -> bool:
    """Return whether the set, which holds no descendant of the cause, blocks every path into the cause."""
    into = tuple(arrow for arrow in diagram.arrows if arrow.cause != cause)
    return separated(Diagram(nodes=diagram.nodes, recorded=diagram.recorded, arrows=into), cause, effect, given=given)


def _wider_set(diagram: Diagram, cause: str, effect: str) -> tuple[str, ...] | None:
    """Return recorded nodes that close every back door, by taking out all that can go of those before either."""
    before = {*ancestors(diagram, cause), *ancestors(diagram, effect)} & diagram.recorded
    before -= {cause, *descendants(diagram, cause)}
    found = tuple(name for name in diagram.nodes if name in before)
    if not _closes_back_doors(diagram, cause, effect, found):  # [2] if this set does not, none does
        return None
    for name in found:
        fewer = tuple(other for other in found if other != name)
        if _closes_back_doors(diagram, cause, effect, fewer):
            found = fewer
    return found


def implied_independencies(diagram: Diagram) -> pd.DataFrame:
    """Return what the diagram says must be independent: one claim for each pair without an arrow.

    Given the parents of the later one, it is independent of the earlier one.
    These claims together imply all others.

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
    [1]_ of the module, theorem 1.2.7 (ordered Markov condition, pair by pair).

    Examples
    --------
    >>> from auditkit.stats.diagrams import chain
    >>> implied_independencies(chain("a", "b", "c")).to_dict("records")
    [{'one': 'a', 'other': 'c', 'given': ('b',), 'testable': True}]
    """
    rows = []
    for j, later in enumerate(diagram.nodes):
        given = parents(diagram, later)
        for earlier in diagram.nodes[:j]:
            if earlier not in given:
                rows.append((earlier, later, given, {earlier, later, *given} <= diagram.recorded))
    return pd.DataFrame(rows, columns=["one", "other", "given", "testable"])
