"""Settings, safety and upkeep, counted against the sample's own records."""

from auditkit.findings.process import find_process
from auditkit.findings.upkeep import find_upkeep
from auditkit.trade.conditions import load_conditions
from auditkit.trade.timeline import build_timeline


def test_every_run_is_in_one_place_of_every_window(findings):
    windows = findings.process.windows
    places = windows[["inside", "below", "above", "not_recorded", "does_not_apply", "no_window"]].sum(axis="columns")
    assert (places == findings.process.n).all()
    standoff = findings.timeline.runs["standoff_mm"]
    row = windows.set_index("condition").loc["standoff_mm"]
    assert (row["below"], row["above"]) == ((standoff < 150).sum(), (standoff > 200).sum())


def test_grounds_are_held_to_their_own_limits(findings):
    runs = findings.timeline.runs
    stop = findings.process.stop_work
    on_runs = stop[stop["what"] == "run"]
    part = runs.loc[runs["part_ground_ohm"] > 1e6, "run_id"]
    person = runs.loc[(runs["operator_ground_ohm"] > 1e8) | (runs["operator_ground_ohm"] < 1e6), "run_id"]
    assert len(part) > 0
    assert sorted(on_runs["where"]) == sorted([*part, *person])
    assert findings.breaches


def test_a_value_that_was_not_recorded_is_no_breach_and_no_pass(clean_dossier):
    tables = dict(clean_dossier.tables)
    tables["spray_runs"] = tables["spray_runs"].assign(part_ground_ohm=float("nan"))
    process = find_process(build_timeline(tables), tables, conditions=load_conditions())
    unrecorded = process.safety_not_recorded
    named = unrecorded[unrecorded["rule"].str.contains("part being painted")]
    assert len(named) == len(tables["spray_runs"])
    assert not process.stop_work["rule"].str.contains("part being painted").any()


def test_units_add_up_to_the_runs(findings):
    assert findings.process.units["runs"].sum() == len(findings.timeline.runs)


def test_worn_brushes_are_counted_at_half_wear_and_over(clean_dossier):
    timeline = build_timeline(clean_dossier.tables, time_zone=clean_dossier.time_zone)
    upkeep = find_upkeep(timeline, clean_dossier.tables["maintenance"])
    wear = timeline.runs["brush_wear_pct"]
    assert upkeep.worn_runs == (wear >= 50).sum() > 0
    assert upkeep.n + upkeep.excluded == len(timeline.runs)
    assert len(upkeep.parts) == timeline.runs["unit_id"].nunique() * timeline.parts["part"].nunique()
    last = timeline.runs.groupby("unit_id")["run_id"].last()
    assert upkeep.parts.groupby("unit_id")["last_run_id"].first().to_dict() == last.to_dict()


def test_cup_times_without_a_viscosity_and_start_up_lists_are_told(clean_dossier):
    tables = dict(clean_dossier.tables)
    settings = tables["pressure_settings"].copy()
    first = settings.index[settings["cup"].eq("zahn-2")][0]
    settings.loc[first, "cup_s"] = 95.0
    tables["pressure_settings"] = settings
    timeline = build_timeline(tables, time_zone=clean_dossier.time_zone)
    process = find_process(timeline, tables, conditions=load_conditions())
    counts = process.not_joined.set_index("what")["n"]
    told = process.cup_faults
    assert settings.loc[first, "run_id"] in told.loc[told["cup_s"] == 95.0, "run_id"].tolist()
    assert len(told) >= counts["cup times outside their cup's valid range"] > 0
    lists = process.startup_lists
    assert len(lists) == process.startups
    of_startups = process.stop_work["what"] == "start-up of a unit"
    assert lists["breaches"].sum() == of_startups.sum()
    unanswered = (process.safety_not_recorded["what"] == "start-up of a unit").sum()
    assert (lists["items"] - lists["answered"]).sum() == unanswered
