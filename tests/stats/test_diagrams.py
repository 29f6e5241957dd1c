"""Causal diagrams: separation against every path walked by hand, adjustment against exact linear models."""

import copy
from itertools import combinations

import numpy as np
import pytest

from auditkit.stats.adjustment import adjustment_set, implied_independencies
from auditkit.stats.diagrams import ancestors, children, descendants, parents, read_diagram, separated


def diagram(arrows, hidden=()):
    names = sorted({name for arrow in arrows for name in arrow})
    return read_diagram(plain(names, arrows, hidden))


def plain(names, arrows, hidden=()):
    return {
        "nodes": {name: {"recorded": name not in hidden} for name in names},
        "arrows": [{"from": a, "to": b, "because": "Invented for a test."} for a, b in arrows],
    }


def random_arrows(rng, names, share):
    order = rng.permutation(names)
    return [(str(a), str(b)) for a, b in combinations(order, 2) if rng.random() < share]


def paths(arrows, start, end, walked=()):
    """Every path without a repeat, whichever way its arrows point."""
    walked = (*walked, start)
    if start == end:
        yield walked
        return
    for other in {b for a, b in arrows if a == start} | {a for a, b in arrows if b == start}:
        if other not in walked:
            yield from paths(arrows, other, end, walked)


def below(arrows, node):
    found = {node}
    while more := {b for a, b in arrows if a in found} - found:
        found |= more
    return found


def is_open(arrows, path, given):
    """Pearl (2009), definition 1.2.3, read literally."""
    for left, middle, right in zip(path, path[1:], path[2:], strict=False):
        if (left, middle) in arrows and (right, middle) in arrows:
            if not below(arrows, middle) & given:
                return False
        elif middle in given:
            return False
    return True


def test_separation_is_that_of_every_path_walked():
    rng, names, answers = np.random.default_rng(1), list("abcde"), []
    for _ in range(25):
        arrows = random_arrows(rng, names, 0.45)
        drawn = read_diagram(plain(names, arrows))
        for one, other in combinations(names, 2):
            rest = [name for name in names if name not in (one, other)]
            for size in range(4):
                for given in combinations(rest, size):
                    walked = not any(is_open(arrows, path, set(given)) for path in paths(arrows, one, other))
                    assert separated(drawn, one, other, given=given) == walked
                    assert separated(drawn, other, one, given=given) == walked
                    answers.append(walked)
    assert 0.2 < np.mean(answers) < 0.8


def test_collider_opens_and_so_does_its_consequence():
    m = diagram([("u", "x"), ("u", "z"), ("v", "z"), ("v", "y"), ("z", "w")])
    assert separated(m, "x", "y")
    assert not separated(m, "x", "y", given=["z"])
    assert not separated(m, "x", "y", given=["w"])
    assert separated(m, "x", "y", given=["z", "u"])


def test_kin():
    drawn = diagram([("a", "b"), ("b", "c"), ("a", "c"), ("c", "d"), ("e", "d")])
    assert parents(drawn, "c") == ("a", "b")
    assert children(drawn, "a") == ("b", "c")
    assert ancestors(drawn, "d") == ("a", "b", "c", "e")
    assert descendants(drawn, "b") == ("c", "d")
    assert drawn.nodes.index("e") < drawn.nodes.index("d")


def linear_world(rng, drawn):
    """Exact covariance of a linear model with random arrows, and the total effects."""
    place = {name: i for i, name in enumerate(drawn.nodes)}
    weights = np.zeros((len(place), len(place)))
    for arrow in drawn.arrows:
        weights[place[arrow.effect], place[arrow.cause]] = rng.uniform(0.5, 1.5) * rng.choice([-1, 1])
    total = np.linalg.inv(np.eye(len(place)) - weights)
    return place, total @ np.diag(rng.uniform(0.5, 2, len(place))) @ total.T, total


def regression_slope(covariance, place, effect, cause, given):
    columns = [place[name] for name in (cause, *given)]
    return np.linalg.solve(covariance[np.ix_(columns, columns)], covariance[columns, place[effect]])[0]


def test_adjustment_gives_the_effect_of_an_exact_linear_model_and_says_when_it_does_not():
    rng, names, seen = np.random.default_rng(2), list("abcdefg"), {"parents": 0, "wider": 0, "none": 0}
    for _ in range(150):
        hidden = set(rng.choice(names, 2, replace=False))
        drawn = read_diagram(plain(names, random_arrows(rng, names, 0.4), hidden))
        place, covariance, total = linear_world(rng, drawn)
        cause, effect = drawn.nodes[2], drawn.nodes[-1]
        if {cause, effect} & hidden:
            continue
        found = adjustment_set(drawn, cause=cause, effect=effect)
        truth = total[place[effect], place[cause]]
        right = np.isclose(regression_slope(covariance, place, effect, cause, found.adjust_for), truth)
        assert right == found.closes
        assert set(found.adjust_for) | set(found.not_recorded) == set(parents(drawn, cause))
        assert not set(found.adjust_for) & set(descendants(drawn, cause))
        if found.wider_set is not None:
            assert not found.closes
            assert not set(found.wider_set) & (set(descendants(drawn, cause)) | hidden)
            assert np.isclose(regression_slope(covariance, place, effect, cause, found.wider_set), truth)
        seen["parents" if found.closes else "none" if found.wider_set is None else "wider"] += 1
    assert min(seen.values()) >= 3, seen


def test_no_recorded_set_would_do_where_none_is_offered():
    rng, names, tried = np.random.default_rng(3), list("abcdef"), 0
    for _ in range(120):
        hidden = set(rng.choice(names, 2, replace=False))
        drawn = read_diagram(plain(names, random_arrows(rng, names, 0.5), hidden))
        cause, effect = drawn.nodes[2], drawn.nodes[-1]
        if {cause, effect} & hidden:
            continue
        found = adjustment_set(drawn, cause=cause, effect=effect)
        if found.closes or found.wider_set is not None:
            continue
        place, covariance, total = linear_world(rng, drawn)
        usable = set(names) - hidden - {cause, effect} - set(descendants(drawn, cause))
        for size in range(len(usable) + 1):
            for given in combinations(sorted(usable), size):
                slope = regression_slope(covariance, place, effect, cause, given)
                assert not np.isclose(slope, total[place[effect], place[cause]])
        tried += 1
    assert tried >= 5


def test_mediators_are_never_adjusted_for_and_hidden_parents_are_named():
    arrows = [("crew", "speed"), ("crew", "fault"), ("rush", "speed"), ("rush", "fault"), ("speed", "heat")]
    found = adjustment_set(diagram([*arrows, ("heat", "fault")], hidden=["rush"]), cause="speed", effect="fault")
    assert found.adjust_for == ("crew",)
    assert found.not_recorded == ("rush",)
    assert found.never == ("heat",)
    assert not found.closes
    assert found.wider_set is None


def test_implied_independencies_hold_and_cover_each_pair_without_an_arrow():
    rng, names = np.random.default_rng(4), list("abcdef")
    for _ in range(20):
        arrows = random_arrows(rng, names, 0.4)
        drawn = read_diagram(plain(names, arrows, hidden=["c"]))
        claims = implied_independencies(drawn)
        assert len(claims) == 15 - len(arrows)
        for claim in claims.itertuples():
            assert separated(drawn, claim.one, claim.other, given=claim.given)
            assert claim.testable == ("c" not in (claim.one, claim.other, *claim.given))


def test_order_of_what_is_given_does_not_matter():
    names, arrows = list("abcd"), [("a", "b"), ("b", "d"), ("c", "d")]
    data = plain(names, arrows)
    turned = {"nodes": dict(reversed(data["nodes"].items())), "arrows": data["arrows"][::-1]}
    before = copy.deepcopy(turned)
    assert read_diagram(turned).nodes == read_diagram(data).nodes
    assert turned == before


def test_faults_are_all_named_at_once():
    data = plain(["a", "b"], [("a", "b"), ("a", "b"), ("a", "z")])
    data["arrows"][0]["because"] = " "
    data["nodes"]["b"] = {"recorded": "yes"}
    with pytest.raises(ValueError, match="the diagram does not hold") as caught:
        read_diagram(data)
    for part in (
        "node 'b' must say 'recorded: true'",
        "arrow 1 must say why in a sentence; given ' '",
        "arrow 2 from 'a' to 'b' is there twice",
        "arrow 3 names 'z', which is not a node",
    ):
        assert part in str(caught.value)


def test_circle_is_named():
    with pytest.raises(ValueError, match="close a circle: b -> c -> d -> b"):
        diagram([("a", "b"), ("b", "c"), ("c", "d"), ("d", "b"), ("d", "e")])
    with pytest.raises(ValueError, match="close a circle: a -> a"):
        diagram([("a", "a")])


def test_what_else_is_refused():
    drawn = diagram([("a", "b"), ("b", "c")])
    with pytest.raises(ValueError, match="'nodes' and 'arrows' and nothing else; given"):
        read_diagram({"nodes": {}, "arrows": [], "colours": {}})
    with pytest.raises(ValueError, match=r"\['z'\] are not\. It has \['a', 'b', 'c'\]"):
        parents(drawn, "z")
    with pytest.raises(ValueError, match="two nodes apart from those given"):
        separated(drawn, "a", "b", given=["b"])
    with pytest.raises(ValueError, match="in the diagram 'a' does"):
        adjustment_set(drawn, cause="c", effect="a")


def test_computed_may_be_said_and_nothing_but_true_or_false():
    data = plain(["a", "b"], [("a", "b")])
    data["nodes"]["b"]["computed"] = True
    assert read_diagram(data).computed == {"b"}
    assert read_diagram(plain(["a", "b"], [])).computed == frozenset()
    data["nodes"]["b"]["computed"] = "yes"
    with pytest.raises(ValueError, match=r"node 'b' must say .* and may say 'computed: true', and nothing else"):
        read_diagram(data)
