"""What could make a cause fall: groups left out, controls, other diagrams, and a hidden cause."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pytest

from auditkit.findings.cause_sensitivity import choose_control, find_cause_sensitivity, worth_a_look
from auditkit.stats.diagrams import read_diagram
from auditkit.trade.conditions import load_conditions

CONDITIONS = {"standoff_mm": load_conditions()["standoff_mm"]}
ROW = {"defect": "dry spray", "condition": "standoff_mm", "side": "above"}


def diagram_of(*arrows):
    names = {name for arrow in arrows for name in arrow}
    nodes = {name: {"recorded": True} for name in sorted(names)}
    return read_diagram({"nodes": nodes, "arrows": [{"from": a, "to": b, "because": "Invented."} for a, b in arrows]})


DIAGRAM = diagram_of(("operator_id", "standoff_mm"), ("standoff_mm", "dry spray"), ("operator_id", "crater"))


@dataclass(frozen=True)
class Table:
    table: pd.DataFrame


def difference_within(runs, found, *, conditions, adjustments, confidence):
    """Difference far against not far, over all runs, averaged within levels adjusted for: plain on purpose."""
    rows = []
    for row in adjustments.to_dict("records"):
        defect = row["defect"]
        name = row["condition"]
        frame = runs.assign(
            y=runs["run_id"].map(found[defect]).astype(float), x=runs[name] > conditions[name].high, all="all"
        )
        if frame["x"].nunique() < 2:
            raise ValueError("one side only")
        keys = list(row["adjust_for"]) or ["all"]
        means = frame.groupby([*keys, "x"])["y"].mean().unstack("x").dropna()
        estimate = float((means[True] - means[False]).mean()) * frame["x"].mean()
        spread = float(frame["y"].std() / np.sqrt(len(frame))) * 2.0
        low, high = estimate - spread, estimate + spread
        p = 2.0 * float(np.exp(-2.0 * (estimate / spread) ** 2)) if spread else 0.0
        numbers = {
            "n": len(frame),
            "n_outside": int(frame["x"].sum()),
            "found_outside": int(frame.loc[frame["x"], "y"].sum()),
        }
        found_row = {"difference": estimate, "low": low, "high": high, "p": min(p, 1.0), "why": ""}
        rows.append({"defect": defect, "condition": name, "side": "above"} | numbers | found_row)
    return Table(pd.DataFrame(rows))


def adjustments_of(found, adjust_for=("operator_id",), note=""):
    rows = [(defect, "standoff_mm", adjust_for, note) for defect in found]
    return pd.DataFrame(rows, columns=["defect", "condition", "adjust_for", "note"])


def records(n=240):
    rng = np.random.default_rng(4)
    far = rng.random(n) < 0.4
    runs = pd.DataFrame(
        {
            "run_id": [f"R{i:03d}" for i in range(n)],
            "job_id": [f"J{i % 6}" for i in range(n)],
            "operator_id": [f"OP{i % 4}" for i in range(n)],
            "standoff_mm": np.where(far, 230.0, 180.0),
        }
    )
    found = pd.DataFrame({"dry spray": rng.random(n) < np.where(far, 0.5, 0.1), "crater": rng.random(n) < 0.2})
    return runs, found.astype("boolean").set_index(pd.Index(runs["run_id"]))


def look_at(runs, found, *, control=None, **settings):
    """Look at dry spray; the row of crater, whose limits a test may set, is there as a control and not looked at."""
    adjustments = settings.pop("adjustments", adjustments_of(found))
    effects = difference_within(runs, found, conditions=CONDITIONS, adjustments=adjustments, confidence=0.95).table
    is_control = effects["defect"] == "crater"
    for name, value in (control or {}).items():
        effects[name] = effects[name].mask(is_control, value)
    settings = {"diagram": DIAGRAM, "estimate": difference_within} | settings
    return effects, find_cause_sensitivity(
        effects, runs, found, conditions=CONDITIONS, adjustments=adjustments, **settings
    )


def test_each_job_and_operator_is_left_out_and_the_worst_told():
    runs, found = records()
    _, result = look_at(runs, found)
    assert (result.n, result.excluded) == (1, 1)  # crater says nothing
    jobs = result.left_out[result.left_out["by"] == "job"].set_index("group")
    assert sorted(jobs.index) == [f"J{i}" for i in range(6)]
    for job in jobs.index:
        kept = runs[runs["job_id"] != job]
        rows = adjustments_of(["dry spray"])
        alone = difference_within(kept, found, conditions=CONDITIONS, adjustments=rows, confidence=0.95).table.iloc[0]
        assert jobs.loc[job, "difference"] == pytest.approx(alone["difference"])
        assert jobs.loc[job, "low"] == pytest.approx(alone["low"])
    row = result.table.iloc[0]
    assert row["leave_job_low"] == jobs["difference"].min()
    assert row["leave_job_high"] == jobs["difference"].max()
    assert row["leave_job_worst_low"] == jobs["low"].min()
    assert row["leave_job_worst_high"] == jobs["high"].max()
    assert row["leave_job_rests_on"] == jobs["difference"].idxmin()
    assert row["leave_job_same_sign"]
    assert row["leave_operator_same_sign"]
    assert (row["leave_job_unanswered"], row["leave_operator_unanswered"]) == (0, 0)
    assert len(result.left_out) == 6 + 4


def test_a_finding_made_by_one_job_does_not_keep_its_sign():
    runs, found = records()
    far = runs["standoff_mm"] > 200
    in_one = runs["job_id"] == "J3"
    found["dry spray"] = pd.array(np.where(in_one, far, ~far & (runs.index % 29 == 0)), "boolean")
    row = look_at(runs, found)[1].table.iloc[0]
    assert not row["leave_job_same_sign"]
    assert row["leave_job_rests_on"] == "J3"
    assert row["leave_job_low"] < 0 < row["leave_job_high"]


def test_a_job_that_cannot_be_spared_is_named():
    runs, found = records()
    runs["standoff_mm"] = np.where(runs["job_id"] == "J2", runs["standoff_mm"], 180.0)
    far = runs["standoff_mm"] > 200
    found["dry spray"] = pd.array(far | (runs.index % 17 == 0), "boolean")
    row = look_at(runs, found)[1].table.iloc[0]
    assert not row["leave_job_same_sign"]
    assert (row["leave_job_rests_on"], row["leave_job_unanswered"]) == ("J2", 1)


def test_one_job_or_one_operator_leaves_nothing_to_leave_out():
    runs, found = records()
    one = runs.assign(job_id="J1", operator_id=None)
    row = look_at(one, found, adjustments=adjustments_of(found, ()))[1].table.iloc[0]
    assert not row["leave_job_same_sign"]
    assert not row["leave_operator_same_sign"]
    assert np.isnan(row["leave_job_low"])
    assert row["leave_job_rests_on"] == ""


def test_e_value_is_that_of_the_runs_outside():
    # 3.9 (1.8, 8.7) has the E-values 7.26 and 3.0: VanderWeele and Ding (2017). Of 400 runs 100 lie outside, with a
    # risk of .39; had they been inside it would have been .10, so over all runs .29 x 100/400 went.
    effects = pd.DataFrame([ROW | {"n": 400, "n_outside": 100, "found_outside": 39, "p": 0.001, "why": ""}])
    ends = {name: (0.39 - 0.39 / ratio) / 4 for name, ratio in (("low", 1.8), ("difference", 3.9), ("high", 8.7))}
    runs, found = records()
    result = find_cause_sensitivity(
        effects.assign(**ends),
        runs,
        found,
        conditions=CONDITIONS,
        adjustments=adjustments_of(found),
        diagram=DIAGRAM,
        estimate=difference_within,
    )
    row = result.table.iloc[0]
    assert row["ratio_outside"] == pytest.approx(3.9)
    assert row["e_value"] == pytest.approx(7.263034, abs=5e-6)
    assert row["e_value_limit"] == pytest.approx(3.0)
    crossing = effects.assign(**ends | {"low": -0.01})
    again = find_cause_sensitivity(
        crossing,
        runs,
        found,
        conditions=CONDITIONS,
        adjustments=adjustments_of(found),
        diagram=DIAGRAM,
        estimate=difference_within,
    )
    assert again.table.loc[0, "e_value_limit"] == 1.0
    none = find_cause_sensitivity(
        effects.assign(found_outside=0, low=-0.09, difference=-0.05, high=-0.01),
        runs,
        found,
        conditions=CONDITIONS,
        adjustments=adjustments_of(found),
        diagram=DIAGRAM,
        estimate=difference_within,
    )
    assert np.isnan(none.table.loc[0, "e_value"])


def test_a_control_that_a_hidden_cause_moves_is_not_clear():
    runs, found = records()
    sound = look_at(runs, found)[1].table.iloc[0]
    assert sound["negative_control"] == "crater"
    assert sound["negative_control_clear"]
    assert sound["negative_control_words"].startswith("clear")
    far = (runs["standoff_mm"] > 200).to_numpy()
    hidden = np.random.default_rng(1).random(240) < np.where(far, 0.6, 0.1)
    moved = look_at(runs, found.assign(crater=pd.array(hidden, "boolean")))[1]
    row = moved.table.iloc[0]
    assert not row["negative_control_clear"]
    assert row["negative_control_difference"] > 0
    assert row["negative_control_words"].startswith("not clear")
    assert moved.controls == 1


def test_a_control_with_a_wide_interval_is_no_comfort_and_one_of_many_may_miss_alone():
    runs, found = records()

    def answer(low, high, p):
        return look_at(runs, found, control={"low": low, "high": high, "p": p})[1].table.iloc[0]

    assert answer(-0.5, 0.5, 0.9)["negative_control_words"] == "clear, but its interval is too wide to be much comfort"
    assert answer(-0.01, 0.01, 0.9)["negative_control_words"] == "clear"
    assert answer(0.001, 0.01, 0.06)["negative_control_words"].startswith("clear among so many")


def test_controls_are_corrected_for_their_number():
    # Holm (1979): of two p-values .03 and .9 the smaller doubles.
    runs, found = records()
    names = {"standoff_mm": 0.03, "pot_kpa": 0.9}
    conditions = {name: load_conditions()[name] for name in names}
    diagram = diagram_of(
        ("operator_id", "standoff_mm"), ("operator_id", "pot_kpa"), ("standoff_mm", "dry spray"),
        ("pot_kpa", "dry spray"), ("operator_id", "crater"),
    )  # fmt: skip
    effects = pd.DataFrame([ROW | {"condition": name, "defect": d} for d in found for name in names])
    effects = effects.assign(n=240, n_outside=90, found_outside=40, difference=0.1, low=0.05, high=0.2, p=0.01, why="")
    is_control = effects["defect"] == "crater"
    effects["p"] = effects["p"].mask(is_control, effects["condition"].map(names))
    effects["low"] = effects["low"].mask(is_control, -0.1)

    def refuse(runs, found, **settings):
        raise ValueError("nothing can be told")

    rows = [(defect, name, (), "") for defect in found for name in names]
    adjustments = pd.DataFrame(rows, columns=["defect", "condition", "adjust_for", "note"])
    result = find_cause_sensitivity(
        effects, runs, found, conditions=conditions, adjustments=adjustments, diagram=diagram, estimate=refuse
    )
    table = result.table[result.table["defect"] == "dry spray"]
    assert table["negative_control_p"].tolist() == pytest.approx([0.06, 0.9])
    assert table["negative_control_clear"].tolist() == [True, True]
    # An estimator that refuses leaves every group unanswered, and no row steady.
    assert (table["leave_job_unanswered"] == 6).all()
    assert not table["leave_job_same_sign"].any()
    assert result.controls == 2


def test_a_control_is_chosen_by_the_diagram_and_by_how_often_it_was_found():
    diagram = diagram_of(
        ("job", "standoff_mm"), ("standoff_mm", "wet"), ("wet", "sag"), ("standoff_mm", "dry spray"),
        ("job", "crater"), ("job", "spit"), ("rain", "pinhole"),
    )  # fmt: skip
    found = pd.DataFrame({"dry spray": [True] * 40, "sag": True, "pinhole": True, "crater": True, "spit": True})
    found.loc[:9, "crater"] = False
    chosen = choose_control(diagram, found, defect="dry spray", condition="standoff_mm")
    assert chosen == "spit"  # sag comes of it, pinhole shares nothing with it, crater was found less often
    rare = found.assign(spit=[True] * 9 + [False] * 31)
    assert choose_control(diagram, rare, defect="dry spray", condition="standoff_mm") == "crater"
    assert choose_control(diagram, rare[["dry spray", "sag"]], defect="dry spray", condition="standoff_mm") == ""
    assert choose_control(diagram, found, defect="dry spray", condition="nowhere") == ""


def test_without_a_control_it_is_missing_and_said():
    runs, found = records()
    row = look_at(runs, found[["dry spray"]])[1].table.iloc[0]
    assert row["negative_control"] == ""
    assert row["negative_control_clear"] is pd.NA
    assert row["negative_control_words"] == "no defect can serve as a control"
    unanswered = look_at(runs, found, control={"why": "too few"})[1].table.iloc[0]
    assert unanswered["negative_control"] == "crater"
    assert unanswered["negative_control_clear"] is pd.NA
    assert unanswered["negative_control_words"] == "the control could not be estimated"


def test_other_diagrams_are_estimated_anew_only_where_they_ask_for_something_else():
    runs, found = records()
    others = {
        "same": adjustments_of(found),
        "by job": adjustments_of(found, ("job_id",)),
        "turned": adjustments_of(found, (), note="the condition comes of the defect"),
    }
    effects, result = look_at(runs, found, alternatives={name: others[name] for name in ("same", "by job")})
    table = result.alternatives.set_index("alternative")
    assert table.loc["same", "difference"] == effects.loc[0, "difference"]
    assert table["same_set"].tolist() == [True, False]
    rows = adjustments_of(["dry spray"], ("job_id",))
    alone = difference_within(runs, found, conditions=CONDITIONS, adjustments=rows, confidence=0.95).table
    assert table.loc["by job", "difference"] == pytest.approx(alone.loc[0, "difference"])
    assert table.loc["by job", "adjust_for"] == ("job_id",)
    assert result.table.loc[0, "alternatives_same_sign"]
    turned = look_at(runs, found, alternatives=others)[1]
    assert turned.alternatives["why"].tolist() == ["", "", "the condition comes of the defect"]
    assert not turned.table.loc[0, "alternatives_same_sign"]
    assert look_at(runs, found)[1].table.loc[0, "alternatives_same_sign"] is pd.NA


def test_another_diagram_that_turns_the_sign_is_seen():
    # Simpson: far is worse in all, better within either crew.
    far = [True] * 60 + [False] * 20 + [True] * 20 + [False] * 60
    crew = ["a"] * 80 + ["b"] * 80
    bad = (
        [i < 45 for i in range(60)]
        + [i < 18 for i in range(20)]
        + [i < 1 for i in range(20)]
        + [i < 12 for i in range(60)]
    )
    runs, _ = records(160)
    runs = runs.assign(standoff_mm=np.where(far, 230.0, 180.0), crew=crew)
    found = pd.DataFrame({"dry spray": pd.array(bad, "boolean")}, index=pd.Index(runs["run_id"]))
    by_crew = {"by crew": adjustments_of(found, ("crew",))}
    effects, result = look_at(runs, found, adjustments=adjustments_of(found, ()), alternatives=by_crew)
    assert effects.loc[0, "difference"] > 0
    assert result.alternatives.loc[0, "difference"] < 0
    assert not result.table.loc[0, "alternatives_same_sign"]


def test_only_rows_that_say_something_are_looked_at():
    effects = pd.DataFrame(
        {
            "difference": [0.1, 0.1, -0.1, 0.1, np.nan],
            "low": [0.05, -0.1, -0.2, -0.01, np.nan],
            "high": [0.2, 0.3, -0.01, 0.3, np.nan],
            "p": [0.01, 0.4, 0.03, 0.09, np.nan],
            "why": ["", "", "", "", "no run outside the window"],
        }
    )
    assert worth_a_look(effects)["difference"].tolist() == [0.1, -0.1, 0.1]
    assert worth_a_look(effects.assign(why="no")).empty


def test_nothing_to_look_at_is_an_answer():
    runs, found = records()
    columns = [
        "defect",
        "condition",
        "side",
        "n",
        "n_outside",
        "found_outside",
        "difference",
        "low",
        "high",
        "p",
        "why",
    ]
    empty = pd.DataFrame(columns=columns)
    for frame in (runs, runs[:0]):
        result = find_cause_sensitivity(
            empty,
            frame,
            found,
            conditions=CONDITIONS,
            adjustments=adjustments_of(found),
            diagram=DIAGRAM,
            estimate=difference_within,
            alternatives={"other": adjustments_of(found, ("job_id",))},
        )
        assert (result.n, result.excluded, result.controls) == (0, 0, 0)
        assert {"e_value", "leave_job_same_sign", "negative_control_clear", "alternatives_same_sign"} <= set(
            result.table
        )
        assert result.table.empty
        assert result.left_out.empty


def test_row_order_does_not_matter_and_nothing_is_changed():
    runs, found = records()
    before, seen = runs.copy(), found.copy()
    one = look_at(runs, found)[1]
    other = look_at(runs.sample(frac=1, random_state=1), found)[1]
    pd.testing.assert_frame_equal(one.table, other.table)
    pd.testing.assert_frame_equal(one.left_out, other.left_out)
    pd.testing.assert_frame_equal(runs, before)
    pd.testing.assert_frame_equal(found, seen)
