"""The life line of a unit: its runs and notes in order of time, and nothing of another."""

import pytest

from auditkit import explore
from auditkit.explore.unit_explorer import UnitView


def test_every_run_and_note_of_every_unit_is_an_event_once(findings):
    runs, notes = findings.runs, findings.dossier.tables["maintenance"]
    seen = 0
    for unit in sorted(set(runs["unit_id"].dropna()) | set(notes["unit_id"].dropna())):
        events = explore.unit_table(findings, UnitView(unit=unit))
        made = events[events["event"] == "run"]
        assert set(made["name"]) == set(runs.loc[runs["unit_id"] == unit, "run_id"])
        assert len(events) - len(made) == (notes["unit_id"] == unit).sum()
        assert events["at"].is_monotonic_increasing
        seen += len(events)
    assert seen == runs["unit_id"].notna().sum() + notes["unit_id"].notna().sum() > 400


def test_a_period_holds_its_first_and_its_last_day(findings):
    whole = explore.unit_table(findings, UnitView(unit="U2"))
    days = whole["at"].str[:10]
    first, last = sorted(days.unique())[2], sorted(days.unique())[5]
    some = explore.unit_table(findings, UnitView(unit="U2", first=first, last=last))
    assert some["at"].tolist() == whole.loc[days.between(first, last), "at"].tolist()
    assert len(some) < len(whole)


def test_a_setting_is_told_against_its_window(findings):
    condition = findings.conditions["standoff_mm"]
    events = explore.unit_table(findings, UnitView(unit="U1", setting="standoff_mm"))
    made = events[events["event"] == "run"]
    for row in made.itertuples():
        low = condition.low is not None and row.setting < condition.low
        high = condition.high is not None and row.setting > condition.high
        expected = "below" if low else "above" if high else "inside" if row.setting == row.setting else "not recorded"
        assert row.against_window == expected
    assert made["against_window"].nunique() > 1


def test_defects_found_are_told_on_their_run(findings):
    found = findings.causes.run_defects.found
    hurt = found.index[found["dry spray"].eq(True).fillna(False)]
    unit = findings.runs.set_index("run_id").loc[hurt, "unit_id"].mode()[0]
    events = explore.unit_table(findings, UnitView(unit=unit))
    told = set(events.loc[events["told"].str.contains("dry spray"), "name"])
    own = set(findings.runs.loc[findings.runs["unit_id"] == unit, "run_id"])
    assert told == own & set(hurt)
    assert told
    any_found = found.index[found.eq(True).fillna(False).any(axis="columns")]
    caption = explore.unit_life(findings, UnitView(unit=unit)).shown.caption
    assert f" {len(own & set(any_found))} runs with a defect found." in caption


def test_the_figure_draws_the_setting_of_every_run(findings):
    figure = explore.unit_figure(findings, UnitView(unit="U1", setting="standoff_mm"))
    runs = findings.runs[findings.runs["unit_id"] == "U1"]
    expected = sorted(runs["standoff_mm"].dropna())
    [axis] = [
        name for name in figure.layout if name.startswith("yaxis") and "mm" in (figure.layout[name].title.text or "")
    ]
    heights = [y for trace in figure.data if (trace.yaxis or "y") == axis.replace("axis", "") for y in trace.y]
    assert set(expected) <= set(heights)
    assert len(heights) >= len(expected) > 20


@pytest.mark.parametrize(
    ("view", "words"),
    [
        (UnitView(unit="U99"), "unit must be one of U1, "),
        (UnitView(setting="mood"), "setting must be one of "),
        (UnitView(first="tomorrow"), "first must be a day such as 2027-01-11; given 'tomorrow'"),
        (UnitView(first="2027-02-02", last="2027-02-01"), "first may not lie after last"),
    ],
)
def test_what_is_not_known_is_said(findings, view, words):
    for make in (explore.unit_table, explore.unit_figure, explore.unit_life):
        with pytest.raises(ValueError, match=words):
            make(findings, view)


def test_a_period_with_nothing_says_so(findings):
    figure = explore.unit_figure(findings, UnitView(unit="U1", first="2001-01-01", last="2001-01-02"))
    assert figure.layout.annotations[0].text == "no run and no note in this period"


def test_each_control_changes_the_figure_and_the_code(findings):
    bench = explore.unit_life(findings)
    for name, value in (
        ("unit", "U2"),
        ("setting", "standoff_mm"),
        ("first", bench.widgets["first"].options[4][1]),
        ("last", bench.widgets["last"].options[-3][1]),
    ):
        before, code = bench.figure.to_plotly_json(), bench.shown.code
        bench.widgets[name].value = value
        assert getattr(bench.view, name) == value
        assert bench.figure.to_plotly_json() != before
        assert bench.shown.code != code
    again = eval(bench.shown.code, {"explore": explore, "findings": findings})
    assert again.to_plotly_json() == bench.shown.figure.to_plotly_json()


def test_an_end_before_the_beginning_is_let_go(findings):
    bench = explore.unit_life(findings, UnitView(unit="U1"))
    days = [value for _, value in bench.widgets["first"].options]
    bench.widgets["last"].value = days[2]
    bench.widgets["first"].value = days[5]
    assert bench.view.first == days[5]
    assert bench.view.last is None
    assert days[2] not in [value for _, value in bench.widgets["last"].options]
