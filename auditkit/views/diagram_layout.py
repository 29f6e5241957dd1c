"""Places of a diagram's nodes on a page: causes left, what comes of them right, arrows bent round what lies between.

References
----------
.. [1] Sugiyama, K., Tagawa, S. and Toda, M. (1981). Methods for visual understanding of hierarchical system
   structures. IEEE Transactions on Systems, Man, and Cybernetics 11, 109.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import fmean

from auditkit.stats.diagrams import Arrow, Diagram, children, parents

__all__ = ["Layout", "lay_out"]

_SWEEPS = 24
_SLOT = 0.28
"""Height that an arrow passing through a layer takes, where a node takes 1."""

Point = tuple[str, int]
"""A node in its layer, or an arrow (named 'cause -> effect') where it passes through one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """Where everything stands.

    Parameters
    ----------
    nodes : mapping of str to (float, float)
        x (layer, from 0) and y (0 at the middle, 1 a node's height).
    routes : tuple of (Arrow, tuple of (float, float))
        Each arrow with the points it passes, from cause to effect.
    layers : int
    height : float
    """

    nodes: Mapping[str, tuple[float, float]]
    routes: tuple[tuple[Arrow, tuple[tuple[float, float], ...]], ...]
    layers: int
    height: float


def lay_out(diagram: Diagram, *, last: Sequence[str] = (), heights: Mapping[str, float] | None = None) -> Layout:
    """Return places such that every arrow points to the right, with few crossings.

    Parameters
    ----------
    diagram : Diagram
    last : sequence of str
        Nodes without arrows of their own that stand in the last layer.
    heights : mapping of str to float, optional
        Height that a node takes, where it is not 1.

    Returns
    -------
    Layout

    References
    ----------
    [1]_ of the module: layers by longest path, order by barycentres.

    Examples
    --------
    >>> from auditkit.stats.diagrams import chain
    >>> lay_out(chain("a", "b")).nodes
    {'a': (0, 0.0), 'b': (1, 0.0)}
    """
    if not diagram.nodes:
        return Layout(nodes={}, routes=(), layers=0, height=0.0)
    layer = _layers(diagram, last)
    rows: list[list[Point]] = [[] for _ in range(max(layer.values()) + 1)]
    for name in diagram.nodes:
        rows[layer[name]].append((name, layer[name]))
    links: list[tuple[Point, Point]] = []
    through: list[list[Point]] = []
    for arrow in diagram.arrows:
        between = [
            (f"{arrow.cause} -> {arrow.effect}", at) for at in range(layer[arrow.cause] + 1, layer[arrow.effect])
        ]
        points = [(arrow.cause, layer[arrow.cause]), *between, (arrow.effect, layer[arrow.effect])]
        links += pairwise(points)
        through.append(points)
        for point in between:
            rows[point[1]].append(point)
    place = _places(_in_order(rows, links), dict.fromkeys(diagram.nodes, 1.0) | dict(heights or {}))
    return Layout(
        nodes={name: place[name, layer[name]] for name in diagram.nodes},
        routes=tuple((a, tuple(place[p] for p in points)) for a, points in zip(diagram.arrows, through, strict=True)),
        layers=len(rows),
        height=2 * max(abs(y) for _, y in place.values()) + 1,
    )


def _layers(diagram: Diagram, last: Sequence[str]) -> dict[str, int]:
    """Return the layer of each node: as far left as its causes let it, and first causes next to what they act on."""
    layer: dict[str, int] = {}
    for name in diagram.nodes:
        layer[name] = max((layer[cause] + 1 for cause in parents(diagram, name)), default=0)
    far = max(layer.values())
    layer |= {name: far for name in last if name in layer and not children(diagram, name)}
    for name in diagram.nodes:
        nearest = min((layer[effect] for effect in children(diagram, name)), default=0)
        if not parents(diagram, name) and nearest:
            layer[name] = nearest - 1
    return layer


def _in_order(rows: list[list[Point]], links: Sequence[tuple[Point, Point]]) -> list[list[Point]]:
    """Return the order in each layer with the fewest crossings met while sweeping to and fro."""
    left: dict[Point, list[Point]] = {}
    right: dict[Point, list[Point]] = {}
    for one, other in links:
        left.setdefault(other, []).append(one)
        right.setdefault(one, []).append(other)
    order = [sorted(row) for row in rows]
    best, fewest = order, _crossings(order, right)
    for sweep in range(_SWEEPS):
        forward = sweep % 2 == 0
        beside = left if forward else right
        order = [list(row) for row in order]
        for at in range(1, len(order)) if forward else range(len(order) - 2, -1, -1):
            rank = {point: i for i, point in enumerate(order[at - 1 if forward else at + 1])}
            here = {point: i for i, point in enumerate(order[at])}
            middle = {p: fmean(rank[q] for q in beside[p]) if p in beside else float(here[p]) for p in order[at]}
            order[at].sort(key=lambda point, m=middle, h=here: (m[point], h[point]))  # type: ignore[misc]
        if (crossings := _crossings(order, right)) < fewest:
            best, fewest = order, crossings
    return best


def _crossings(order: Sequence[Sequence[Point]], right: Mapping[Point, Sequence[Point]]) -> int:
    count = 0
    for here, there in pairwise(order):
        rank = {point: i for i, point in enumerate(there)}
        ends = [sorted(rank[end] for end in right.get(point, ())) for point in here]
        seen: list[int] = []
        for own in ends:
            count += sum(1 for end in own for before in seen if before > end)
            seen += own
    return count


def _places(order: Sequence[Sequence[Point]], sizes: Mapping[str, float]) -> dict[Point, tuple[float, float]]:
    place: dict[Point, tuple[float, float]] = {}
    for at, row in enumerate(order):
        heights = [sizes.get(name, _SLOT) for name, _ in row]
        top = sum(heights) / 2
        for point, height in zip(row, heights, strict=True):
            place[point] = (at, top - height / 2)
            top -= height
    return place
