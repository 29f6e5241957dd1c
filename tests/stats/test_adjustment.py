"""Adjustment: a published diagram, ways that stay open, computed causes, and recorded columns that stand in."""

from dataclasses import replace

import numpy as np
import pytest

from auditkit.stats.adjustment import adjustment_set, implied_independencies
from auditkit.stats.diagrams import read_diagram, separated


def diagram(arrows, hidden=(), computed=()):
    names = sorted({name for arrow in arrows for name in arrow})
    nodes = {name: {"recorded": name not in hidden, "computed": name in computed} for name in names}
    return read_diagram(
        {"nodes": nodes, "arrows": [{"from": a, "to": b, "because": "Invented for a test."} for a, b in arrows]}
    )


# Pearl (2009), Causality, figure 3.4, from memory: {X3, X4} and {X4, X5} meet the back-door criterion, {X4} does not.
PEARL = [("x1", "x3"), ("x1", "x4"), ("x2", "x4"), ("x2", "x5"), ("x3", "xi"), ("x4", "xi"), ("x4", "xj")]
PEARL += [("x5", "xj"), ("xi", "x6"), ("x6", "xj")]


@pytest.mark.parametrize(
    ("hidden", "adjust_for", "closes", "wider"),
    [
        ((), ("x3", "x4"), True, None),
        (("x3",), ("x4",), False, {("x1", "x4"), ("x2", "x4"), ("x4", "x5")}),
        (("x1", "x2", "x3"), ("x4",), False, {("x4", "x5")}),
        (("x1", "x2", "x3", "x5"), ("x4",), False, {None}),
    ],
)
def test_back_doors_of_a_published_diagram(hidden, adjust_for, closes, wider):
    found = adjustment_set(diagram(PEARL, hidden), cause="xi", effect="xj")
    assert found.adjust_for == adjust_for
    assert found.closes == closes
    assert found.never == ("x6",)
    got = None if found.wider_set is None else tuple(sorted(found.wider_set))
    assert got in (wider or {None})


def test_only_a_way_that_stays_open_is_named():
    arrows = [("crew", "speed"), ("crew", "fault"), ("rush", "speed"), ("rush", "fault"), ("mood", "speed")]
    found = adjustment_set(
        diagram([*arrows, ("speed", "fault")], hidden=["rush", "mood"]), cause="speed", effect="fault"
    )
    assert set(found.not_recorded) == {"rush", "mood"}
    assert found.open_through == ("rush",)
    shut = adjustment_set(diagram([*arrows, ("speed", "fault")], hidden=["mood"]), cause="speed", effect="fault")
    assert (shut.open_through, shut.closes) == ((), True)


def test_parents_are_kept_where_others_are_added():
    arrows = [("rush", "skip"), ("unit", "skip"), ("rush", "cut"), ("cut", "spit"), ("skip", "spit")]
    found = adjustment_set(diagram(arrows, hidden=["rush"]), cause="skip", effect="spit")
    assert found.adjust_for == ("unit",)
    assert set(found.wider_set) == {"unit", "cut"}


COMPUTED = [("site", "damp"), ("site", "metal"), ("site", "fault"), ("damp", "margin"), ("metal", "margin")]
COMPUTED += [("margin", "fault"), ("metal", "thick"), ("thick", "fault")]


def test_a_computed_cause_is_not_held_by_its_own_inputs():
    drawn = diagram(COMPUTED, computed=["margin"])
    found = adjustment_set(drawn, cause="margin", effect="fault")
    assert set(found.adjust_for) == {"site", "thick"}
    assert found.closes
    plain = adjustment_set(replace(drawn, computed=frozenset()), cause="margin", effect="fault")
    assert set(plain.adjust_for) == {"damp", "metal"}
    direct = adjustment_set(
        diagram([*COMPUTED, ("damp", "fault")], computed=["margin"]), cause="margin", effect="fault"
    )
    assert set(direct.adjust_for) == {"site", "thick", "damp"}


def test_a_computed_cause_has_its_effect_in_an_exact_linear_model():
    """Margin is metal less damp, exactly; the fault gains 0.7 for each of it, and the slope must say so."""
    drawn = diagram([*COMPUTED, ("damp", "fault")], computed=["margin"])
    place = {name: i for i, name in enumerate(drawn.nodes)}
    rng, weights = np.random.default_rng(1), np.zeros((len(place),) * 2)
    for arrow in drawn.arrows:
        weights[place[arrow.effect], place[arrow.cause]] = rng.uniform(0.5, 1.5)
    weights[place["margin"], [place["damp"], place["metal"]]] = (-1.0, 1.0)
    weights[place["fault"], place["margin"]] = 0.7
    total = np.linalg.inv(np.eye(len(place)) - weights)
    noise = np.array([0.0 if name == "margin" else 1.0 for name in drawn.nodes])
    covariance = total @ np.diag(noise) @ total.T
    held = adjustment_set(drawn, cause="margin", effect="fault").adjust_for
    rows = [place[name] for name in ("margin", *held)]
    slope = np.linalg.solve(covariance[np.ix_(rows, rows)], covariance[rows, place["fault"]])[0]
    assert slope == pytest.approx(0.7)


def test_recorded_columns_stand_in_for_a_hidden_parent():
    arrows = [("site", "prep"), ("site", "overlap"), ("prep", "crater"), ("damp", "crater")]
    claims = implied_independencies(diagram(arrows, hidden=["prep"]))
    claim = claims[(claims["one"] == "overlap") | (claims["other"] == "overlap")]
    claim = claim[(claim["one"] == "crater") | (claim["other"] == "crater")].iloc[0]
    assert claim["given"] == ("site",)
    assert claim["testable"]
    alone = claims[claims["one"].isin(["damp", "site"]) & claims["other"].isin(["damp", "site"])].iloc[0]
    assert (alone["given"], alone["testable"]) == ((), True)


def test_what_stands_in_separates_and_is_recorded_or_nothing_could():
    rng, names, stood, none = np.random.default_rng(5), list("abcdefg"), 0, 0
    for _ in range(60):
        order = rng.permutation(names)
        arrows = [(str(a), str(b)) for i, a in enumerate(order) for b in order[i + 1 :] if rng.random() < 0.35]
        hidden = set(rng.choice(names, 2, replace=False))
        present = {name for arrow in arrows for name in arrow}
        drawn = diagram(arrows, hidden)
        for claim in implied_independencies(drawn).itertuples():
            assert separated(drawn, claim.one, claim.other, given=claim.given)
            if {claim.one, claim.other} & hidden:
                continue
            assert claim.testable == (not set(claim.given) & hidden)
            stood += claim.testable
            if not claim.testable:
                rest = present - hidden - {claim.one, claim.other}
                none += 1
                assert not any(
                    separated(
                        drawn, claim.one, claim.other, given=[n for i, n in enumerate(sorted(rest)) if mask >> i & 1]
                    )
                    for mask in range(2 ** len(rest))
                )
    assert min(stood, none) >= 5
