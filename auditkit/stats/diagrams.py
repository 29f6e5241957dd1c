"""Causal diagrams: what is held to act on what, and what is then independent of what.

A diagram is an opinion with consequences. It is plain data (names and arrows,
each with its reason), so that anyone can read it and amend it.

References
----------
.. [1] Pearl, J. (2009). Causality, 2nd edition, section 1.2.
.. [2] Lauritzen, S. L., Dawid, A. P., Larsen, B. N. and Leimer, H.-G. (1990). Independence properties of directed
   Markov fields. Networks 20, 491.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import pairwise

__all__ = [
    "Arrow",
    "Diagram",
    "ancestors",
    "chain",
    "check_known",
    "children",
    "descendants",
    "parents",
    "read_diagram",
    "separated",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrow:
    """One thing acts on another.

    Parameters
    ----------
    cause, effect : str
    because : str
        One sentence that says why.
    """

    cause: str
    effect: str
    because: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagram:
    """A causal diagram without a circle.

    Parameters
    ----------
    nodes : tuple of str
        Causes before effects; by name among those that could stand anywhere.
    recorded : frozenset of str
        Nodes that the records hold.
    arrows : tuple of Arrow
    computed : frozenset of str
        Nodes that follow from their parents by arithmetic.
    """

    nodes: tuple[str, ...]
    recorded: frozenset[str]
    arrows: tuple[Arrow, ...]
    computed: frozenset[str] = frozenset()


def read_diagram(mapping: Mapping[str, object]) -> Diagram:
    """Return the diagram that plain data describe.

    Parameters
    ----------
    mapping : mapping
        `nodes`: mapping of name to {'recorded': True or False}, and where it
        follows from its parents by arithmetic 'computed': True.
        `arrows`: list of {'from': name, 'to': name, 'because': sentence}.

    Returns
    -------
    Diagram

    Raises
    ------
    ValueError
        Something else is there, or missing; an arrow names an unknown node,
        occurs twice, gives no reason, or closes a circle (which is named). All
        faults but the circle are given at once.

    Examples
    --------
    >>> diagram = read_diagram({
    ...     "nodes": {"rain": {"recorded": True}, "slip": {"recorded": True}},
    ...     "arrows": [{"from": "rain", "to": "slip", "because": "Water lies between shoe and stone."}],
    ... })
    >>> diagram.nodes
    ('rain', 'slip')
    """
    if set(mapping) != {"nodes", "arrows"}:
        raise ValueError(f"a diagram has 'nodes' and 'arrows' and nothing else; given {sorted(map(str, mapping))}")
    nodes, arrows = mapping["nodes"], mapping["arrows"]
    if not isinstance(nodes, Mapping) or not isinstance(arrows, list):
        raise ValueError("'nodes' must map names to {'recorded': true or false}, and 'arrows' must be a list")
    faults = [fault for name, entry in nodes.items() for fault in _node_faults(name, entry)]
    faults += _arrow_faults(arrows, set(nodes))
    if faults:
        raise ValueError("the diagram does not hold: " + "; ".join(faults))
    read = tuple(Arrow(cause=arrow["from"], effect=arrow["to"], because=arrow["because"]) for arrow in arrows)
    return Diagram(
        nodes=_in_order(sorted(nodes), read),
        recorded=frozenset(name for name, entry in nodes.items() if entry["recorded"]),
        arrows=read,
        computed=frozenset(name for name, entry in nodes.items() if entry.get("computed", False)),
    )


def _node_faults(name: object, entry: object) -> list[str]:
    if not isinstance(name, str) or not name:
        return [f"a node must have a name; given {name!r}"]
    if (
        not isinstance(entry, Mapping)
        or not {"recorded"} <= set(entry) <= {"recorded", "computed"}
        or not all(isinstance(value, bool) for value in entry.values())
    ):
        cure = "and may say 'computed: true', and nothing else"
        return [f"node {name!r} must say 'recorded: true' or 'recorded: false', {cure}; given {entry!r}"]
    return []


def _arrow_faults(arrows: list[object], known: set[object]) -> list[str]:
    faults, seen = [], set()
    for i, arrow in enumerate(arrows, start=1):
        if not isinstance(arrow, Mapping) or set(arrow) != {"from", "to", "because"}:
            faults.append(f"arrow {i} must have 'from', 'to' and 'because' and nothing else; given {arrow!r}")
            continue
        pair = (arrow["from"], arrow["to"])
        faults += [f"arrow {i} names {end!r}, which is not a node" for end in pair if end not in known]
        if pair in seen:
            faults.append(f"arrow {i} from {pair[0]!r} to {pair[1]!r} is there twice")
        seen.add(pair)
        if not isinstance(arrow["because"], str) or not arrow["because"].strip():
            faults.append(f"arrow {i} must say why in a sentence; given {arrow['because']!r}")
    return faults


def _in_order(names: list[str], arrows: tuple[Arrow, ...]) -> tuple[str, ...]:
    """Return causes before effects; refuse a circle by naming it."""
    above = {name: {arrow.cause for arrow in arrows if arrow.effect == name} for name in names}
    ordered: list[str] = []
    while above:
        free = [name for name in above if not above[name]]
        if not free:
            circle = _circle(above)
            raise ValueError(f"nothing may cause itself; the arrows close a circle: {' -> '.join(circle)}")
        ordered.append(free[0])
        del above[free[0]]
        for causes in above.values():
            causes.discard(free[0])
    return tuple(ordered)


def _circle(above: Mapping[str, set[str]]) -> list[str]:
    walked = [min(above)]
    while True:
        cause = min(above[walked[-1]])
        if cause in walked:
            return [cause, *reversed(walked[walked.index(cause) :])]
        walked.append(cause)


def parents(diagram: Diagram, node: str) -> tuple[str, ...]:
    """Return what acts on a node directly, in the order of the nodes.

    Raises
    ------
    ValueError
        The node is not in the diagram.

    Examples
    --------
    >>> parents(chain("a", "b", "c"), "c")
    ('b',)
    """
    check_known(diagram, [node])
    found = {arrow.cause for arrow in diagram.arrows if arrow.effect == node}
    return tuple(name for name in diagram.nodes if name in found)


def children(diagram: Diagram, node: str) -> tuple[str, ...]:
    """Return what a node acts on directly, in the order of the nodes.

    Raises
    ------
    ValueError
        The node is not in the diagram.

    Examples
    --------
    >>> children(chain("a", "b", "c"), "a")
    ('b',)
    """
    check_known(diagram, [node])
    found = {arrow.effect for arrow in diagram.arrows if arrow.cause == node}
    return tuple(name for name in diagram.nodes if name in found)


def ancestors(diagram: Diagram, node: str) -> tuple[str, ...]:
    """Return what acts on a node directly or through others, in the order of the nodes.

    Raises
    ------
    ValueError
        The node is not in the diagram.

    Examples
    --------
    >>> ancestors(chain("a", "b", "c"), "c")
    ('a', 'b')
    """
    check_known(diagram, [node])
    return _reached(diagram, node, [(arrow.effect, arrow.cause) for arrow in diagram.arrows])


def descendants(diagram: Diagram, node: str) -> tuple[str, ...]:
    """Return what a node acts on directly or through others, in the order of the nodes.

    Raises
    ------
    ValueError
        The node is not in the diagram.

    Examples
    --------
    >>> descendants(chain("a", "b", "c"), "a")
    ('b', 'c')
    """
    check_known(diagram, [node])
    return _reached(diagram, node, [(arrow.cause, arrow.effect) for arrow in diagram.arrows])


def _reached(diagram: Diagram, node: str, steps: Iterable[tuple[str, str]]) -> tuple[str, ...]:
    next_to: dict[str, list[str]] = {name: [] for name in diagram.nodes}
    for here, there in steps:
        next_to[here].append(there)
    found: set[str] = set()
    waiting = list(next_to[node])
    while waiting:
        name = waiting.pop()
        if name not in found:
            found.add(name)
            waiting += next_to[name]
    return tuple(name for name in diagram.nodes if name in found)


def separated(diagram: Diagram, one: str, other: str, *, given: Iterable[str] = ()) -> bool:
    """Return whether the diagram makes two nodes independent, given others (d-separation).

    Parameters
    ----------
    diagram : Diagram
    one, other : str
    given : iterable of str

    Returns
    -------
    bool

    Raises
    ------
    ValueError
        A name is not in the diagram, or the nodes are not apart.

    References
    ----------
    [2]_ of the module: separation in the moral graph of the smallest ancestral set.

    Examples
    --------
    >>> separated(chain("a", "b", "c"), "a", "c"), separated(chain("a", "b", "c"), "a", "c", given=["b"])
    (False, True)
    """
    held = set(given)
    check_known(diagram, [one, other, *held])
    if one == other or held & {one, other}:
        raise ValueError(f"two nodes apart from those given are needed; given {one!r}, {other!r}, {sorted(held)}")
    above: dict[str, set[str]] = {name: set() for name in diagram.nodes}
    for arrow in diagram.arrows:
        above[arrow.effect].add(arrow.cause)
    kept, climbing = set[str](), [one, other, *held]
    while climbing:
        name = climbing.pop()
        if name not in kept:
            kept.add(name)
            climbing += above[name]
    joined: dict[str, set[str]] = {name: set() for name in kept}
    for effect in kept:
        causes = above[effect]
        for cause in causes:
            joined[effect].add(cause)
            joined[cause] |= {effect, *causes} - {cause}  # parents of one child are married
    reached, waiting = {one}, [one]
    while waiting:
        fresh = joined[waiting.pop()] - reached - held
        reached |= fresh
        waiting += fresh
    return other not in reached


def chain(*names: str) -> Diagram:
    """Return the diagram in which each name acts on the next, all recorded.

    Examples
    --------
    >>> chain("a", "b").arrows[0].cause
    'a'
    """
    return read_diagram(
        {
            "nodes": {name: {"recorded": True} for name in names},
            "arrows": [{"from": one, "to": other, "because": "It comes next."} for one, other in pairwise(names)],
        }
    )


def check_known(diagram: Diagram, names: Iterable[str]) -> None:
    """Return nothing; refuse a name that is not a node.

    Raises
    ------
    ValueError
        A name is not in the diagram.

    Examples
    --------
    >>> check_known(chain("a", "b"), ["c"])
    Traceback (most recent call last):
    ...
    ValueError: every name must be a node of the diagram; ['c'] are not. It has ['a', 'b']
    """
    unknown = sorted(set(names) - set(diagram.nodes))
    if unknown:
        raise ValueError(f"every name must be a node of the diagram; {unknown} are not. It has {list(diagram.nodes)}")
