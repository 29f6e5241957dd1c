"""The causal diagram: shipped one in order, amendments, what is held equal, and disagreements with the records."""

import copy

import numpy as np
import pandas as pd
import pytest

from auditkit.errors import DeclarationError
from auditkit.findings.causal_diagram import DOUBTFUL_P, amend_diagram, find_diagram, load_causal_diagram
from auditkit.stats.adjustment import adjustment_set
from auditkit.stats.diagrams import ancestors
from auditkit.trade.conditions import load_conditions
from auditkit.trade.defects import DEFECTS

DIAGRAM = load_causal_diagram()
CONDITIONS = load_conditions()
CONTEXT = {"job_id", "coating", "geometry", "shift", "operator_id", "unit_id"}
WEATHER = {"air_temp_c", "surface_temp_c", "paint_temp_c"}


@pytest.fixture
def frames():
    """Three hundred invented runs of eight jobs; far standoff gives dry spray, and no more."""
    rng, n = np.random.default_rng(3), 320
    job = np.arange(n) // 40
    operator = job // 2 * 2 + rng.integers(2, size=n)
    standoff = 170 + 12 * (operator % 4) + rng.normal(0, 15, n)
    runs = pd.DataFrame(
        {
            "run_id": [f"R{i:03d}" for i in range(n)],
            "job_id": pd.Series([f"J{j}" for j in job], dtype="str"),
            "operator_id": pd.Series([f"OP{o}" for o in operator], dtype="str"),
            "unit_id": pd.Series(rng.choice(["U1", "U2", "U3"], n), dtype="str"),
            "geometry": pd.Series(rng.choice(["flat", "tube"], n), dtype="str"),
            "day": pd.Series([f"2027-02-{1 + i // 16:02d}" for i in range(n)], dtype="str"),
            "started_at": pd.Timestamp("2027-02-01T08:00Z") + pd.to_timedelta(np.arange(n) // 16 * 24, "h"),
            "standoff_mm": standoff,
            "overlap_pct": rng.normal(50, 5, n),
            "humidity_pct": 60 + 5 * (job % 3) + rng.normal(0, 4, n),
        }
    )
    dry = rng.random(n) < 1 / (1 + np.exp(3 - 0.12 * (standoff - 190)))
    found = pd.DataFrame({"dry spray": dry, "crater": rng.random(n) < 0.1}, index=runs["run_id"]).astype("boolean")
    return runs, found


def of(findings, condition, defect, column="adjust_for"):
    table = findings.adjustments.set_index(["condition", "defect"])
    return table.loc[(condition, defect), column]


def test_every_node_is_a_condition_a_defect_or_a_known_column_and_every_condition_and_defect_is_a_node():
    nodes, recorded = set(DIAGRAM.diagram.nodes), DIAGRAM.diagram.recorded
    assert recorded == CONTEXT | WEATHER | set(CONDITIONS) | set(DEFECTS)
    assert nodes - recorded >= {"surface_preparation", "thinner", "time_pressure"}
    assert not set(DEFECTS) & {arrow.cause for arrow in DIAGRAM.diagram.arrows}


def test_every_condition_has_a_cause_and_every_defect_several_and_every_arrow_a_sentence():
    for name in CONDITIONS:
        assert set(ancestors(DIAGRAM.diagram, name)) & {"operator_id", "unit_id", "job_id"}, name
    for defect in DEFECTS:
        assert len(set(ancestors(DIAGRAM.diagram, defect)) & set(CONDITIONS)) >= 2
    for diagram in (DIAGRAM.diagram, *(other.diagram for other in DIAGRAM.alternatives)):
        for arrow in diagram.arrows:
            assert arrow.because.endswith("."), arrow
            assert arrow.because[0].isupper(), arrow


def test_titles_come_from_the_conditions_and_the_file():
    assert DIAGRAM.titles["standoff_mm"] == CONDITIONS["standoff_mm"].title
    assert DIAGRAM.titles["thinner"] == "thinner added"
    assert DIAGRAM.titles["spit"] == "spit"


@pytest.mark.parametrize(
    ("condition", "defect", "held"),
    [
        ("standoff_mm", "dry spray", {"operator_id", "geometry", "job_id"}),
        ("humidity_pct", "crater", {"job_id", "air_temp_c"}),
        ("brush_wear_pct", "thin back", {"unit_id", "brush_inspected_d"}),
        ("delivery_ratio", "dry spray", {"unit_id", "filter_used_d"}),
        ("surface_margin_c", "pinhole", {"job_id", "shift", "paint_temp_c"}),
    ],
)
def test_what_the_trade_would_hold_equal(condition, defect, held):
    found = adjustment_set(DIAGRAM.diagram, cause=condition, effect=defect)
    assert set(found.adjust_for) == held
    assert found.closes


def test_what_lies_between_is_never_held_equal(frames):
    runs, found = frames
    runs = runs.assign(filter_used_d=1.0, delivery_ratio=0.9, pot_kpa=40.0)
    result = find_diagram(runs, found, diagram=DIAGRAM, conditions=CONDITIONS)
    assert {"delivery_ratio", "pot_kpa"} <= set(of(result, "filter_used_d", "dry spray", "never"))
    for row in result.adjustments.itertuples():
        assert not set(row.adjust_for) & set(row.never)
        assert row.condition not in row.adjust_for


def test_what_should_be_held_equal_and_was_not_recorded_is_named(frames):
    runs, found = frames
    result = find_diagram(runs, found, diagram=DIAGRAM, conditions=CONDITIONS)
    assert of(result, "standoff_mm", "dry spray") == ("job_id", "geometry", "operator_id")
    assert of(result, "standoff_mm", "dry spray", "not_recorded") == ()
    assert of(result, "follow_through_s", "dry spray", "not_recorded") == ("time_pressure",)
    assert not of(result, "follow_through_s", "dry spray", "closes")
    blind = find_diagram(runs.drop(columns="operator_id"), found, diagram=DIAGRAM, conditions=CONDITIONS)
    assert "operator_id" in blind.unrecorded
    assert "operator_id" in of(blind, "standoff_mm", "dry spray", "not_recorded")


def test_a_column_with_too_many_gaps_counts_as_not_recorded(frames):
    runs, found = frames
    gaps = runs.assign(geometry=runs["geometry"].mask(np.arange(len(runs)) % 5 == 0))
    assert "geometry" in of(find_diagram(gaps, found, diagram=DIAGRAM, conditions=CONDITIONS), "standoff_mm", "crater")
    more = runs.assign(geometry=runs["geometry"].mask(np.arange(len(runs)) % 4 == 0))
    result = find_diagram(more, found, diagram=DIAGRAM, conditions=CONDITIONS)
    assert "geometry" not in of(result, "standoff_mm", "crater")
    assert "geometry" in result.unrecorded


def test_acts_says_whether_arrows_lead_there(frames):
    result = find_diagram(*frames, diagram=DIAGRAM, conditions=CONDITIONS)
    assert of(result, "standoff_mm", "dry spray", "acts")
    assert not of(result, "standoff_mm", "crater", "acts")


def test_independencies_name_what_the_diagram_lacks_and_little_else(frames):
    runs, found = frames
    result = find_diagram(runs, found, diagram=DIAGRAM, conditions=CONDITIONS)
    assert result.tested == result.independencies["p"].notna().sum() > 10
    assert (result.independencies["p"] <= DOUBTFUL_P).sum() <= 1
    lacking = amend_diagram(DIAGRAM, {"drop": [{"from": "standoff_mm", "to": "dry spray"}]})
    wrong = find_diagram(runs, found, diagram=lacking, conditions=CONDITIONS).disagreements
    assert set(wrong.loc[0, ["one", "other"]]) == {"standoff_mm", "dry spray"}
    assert wrong.loc[0, "reading"] in ("does not stand", "doubtful")
    assert wrong["p"].is_monotonic_increasing


def test_row_order_does_not_matter_and_nothing_is_changed(frames):
    runs, found = frames
    before, found_before = runs.copy(), found.copy()
    straight = find_diagram(runs, found, diagram=DIAGRAM, conditions=CONDITIONS)
    shuffled = find_diagram(
        runs.sample(frac=1, random_state=1), found.iloc[::-1], diagram=DIAGRAM, conditions=CONDITIONS
    )
    pd.testing.assert_frame_equal(straight.adjustments, shuffled.adjustments)
    pd.testing.assert_frame_equal(straight.independencies, shuffled.independencies)
    pd.testing.assert_frame_equal(runs, before)
    pd.testing.assert_frame_equal(found, found_before)


def test_alternatives_hold_other_things_equal(frames):
    runs, found = frames
    steps = []
    result = find_diagram(
        runs, found, diagram=DIAGRAM, conditions=CONDITIONS, on_progress=lambda *step: steps.append(step)
    )
    assert list(result.alternatives) == [other.name for other in DIAGRAM.alternatives]
    damp = result.alternatives["the weather changes the habits"].set_index(["condition", "defect"])
    assert "humidity_pct" in damp.loc[("standoff_mm", "crater"), "adjust_for"]
    assert "humidity_pct" not in of(result, "standoff_mm", "crater")
    assert steps == [(i, 5) for i in range(1, 6)]


@pytest.mark.parametrize("rows", [0, 1])
def test_hardly_any_runs_give_an_answer_and_no_test(frames, rows):
    runs, found = frames
    result = find_diagram(runs.iloc[:rows], found.iloc[:rows], diagram=DIAGRAM, conditions=CONDITIONS)
    assert (result.n, result.tested, len(result.disagreements)) == (rows, 0, 0)
    assert len(result.adjustments) == 2 * len(CONDITIONS)


def test_no_defects_and_no_clusters(frames):
    runs, found = frames
    assert find_diagram(runs, found[[]], diagram=DIAGRAM, conditions=CONDITIONS).adjustments.empty
    bare = runs[["run_id", "standoff_mm", "humidity_pct"]]
    assert find_diagram(bare, found, diagram=DIAGRAM, conditions=CONDITIONS).tested == 0


def test_a_condition_that_the_diagram_does_not_know_is_said(frames):
    runs, found = frames
    own = {"luck": CONDITIONS["standoff_mm"]}
    row = find_diagram(runs, found, diagram=DIAGRAM, conditions=own).adjustments.iloc[0]
    assert row["note"] == "luck: not in the causal diagram, so that nothing is held equal"
    assert (row["adjust_for"], row["closes"]) == ((), False)
    turned = amend_diagram(DIAGRAM, {"add": [{"from": "crater", "to": "standoff_mm", "because": "They look closer."}]})
    rows = find_diagram(runs, found, diagram=turned, conditions=CONDITIONS).adjustments.set_index(
        ["condition", "defect"]
    )
    assert rows.loc[("standoff_mm", "crater"), "note"] == "in the causal diagram the condition comes of the defect"


def test_amendments_add_drop_and_name():
    changes = {
        "nodes": {"moon": {"title": "phase of the moon", "recorded": False}, "thinner": {"recorded": False}},
        "add": [{"from": "moon", "to": "standoff_mm", "because": "Invented for a test."}],
        "drop": [{"from": "geometry", "to": "standoff_mm"}],
        "alternatives": [{"name": "none of it", "drop": [{"from": "moon", "to": "standoff_mm"}]}],
    }
    before = copy.deepcopy(changes)
    amended = amend_diagram(DIAGRAM, changes)
    assert changes == before
    assert adjustment_set(amended.diagram, cause="standoff_mm", effect="dry spray").adjust_for == (
        "job_id",
        "operator_id",
    )
    assert amended.titles["moon"] == "phase of the moon"
    assert [other.name for other in amended.alternatives] == ["none of it"]
    assert len(amended.alternatives[0].diagram.arrows) == len(amended.diagram.arrows) - 1
    assert amended.source == "causal_diagram.yaml, amended in dossier.yaml"
    assert amend_diagram(DIAGRAM, {}) is DIAGRAM


def test_a_shipped_alternative_that_an_amendment_makes_good_is_no_fault():
    arrow = {"from": "job_id", "to": "pot_kpa", "because": "The foreman says so."}
    assert len(amend_diagram(DIAGRAM, {"add": [arrow]}).alternatives) == len(DIAGRAM.alternatives)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"colours": {}}, "keys must be nodes, add, drop, alternatives; given colours"),
        ({"drop": [{"from": "spit", "to": "crater"}]}, "an arrow to be dropped must be there; given spit -> crater"),
        ({"add": [{"from": "job_id", "to": "coating", "because": "Twice."}]}, "'job_id' to 'coating' is there twice"),
        ({"add": [{"from": "moon", "to": "spit", "because": "It pulls."}]}, "names 'moon', which is not a node"),
        ({"add": [{"from": "unit_id", "to": "spit", "because": " "}]}, "must say why in a sentence"),
        ({"add": [{"from": "pot_kpa", "to": "viscosity_mm2_s", "because": "Back."}]}, "close a circle: "),
        ({"nodes": {"moon": {"recorded": True}}}, "a recorded node must be a column of the runs; given moon"),
        ({"nodes": {"moon": {"recorded": False, "hue": 1}}}, "keys must be among computed, recorded, title; given hue"),
        ({"nodes": {"moon": "new"}}, "given 'new'"),
        ({"nodes": {"moon": {"title": "moon"}}}, "node 'moon' must say 'recorded: true'"),
        ({"alternatives": [{"add": []}]}, "each must have a name, add and drop"),
    ],
)
def test_faults_of_an_amendment(changes, words):
    with pytest.raises(DeclarationError) as caught:
        amend_diagram(DIAGRAM, changes, columns=["run_id", "standoff_mm"])
    assert words in str(caught.value)
    assert "dossier.yaml, causal_diagram" in str(caught.value)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("nodes: {a: {recorded: true}, a: {recorded: true}}\narrows: []", "key 'a' is given twice"),
        ("nodes: {}\ncolours: {}", "keys must be among"),
        ("- 1", "given list"),
        ("nodes: [a]\narrows: []", "must map names to what they are"),
        ("nodes: {a: {recorded: true}}\narrows: [{from: a, to: a, because: It does.}]", "close a circle: a -> a"),
    ],
)
def test_faults_of_the_file(tmp_path, text, words):
    path = tmp_path / "own.yaml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(DeclarationError) as caught:
        load_causal_diagram(path)
    assert words in str(caught.value)
    assert "own.yaml" in str(caught.value)
