"""Upkeep of the sample audit, counted against its own records, and of audits in which nothing was written down."""

from auditkit.findings.upkeep import find_upkeep
from auditkit.trade.timeline import build_timeline


def test_the_sample_is_whole(clean_dossier):
    timeline = build_timeline(clean_dossier.tables, time_zone=clean_dossier.time_zone)
    notes = clean_dossier.tables["maintenance"]
    before = notes.copy()
    upkeep = find_upkeep(timeline, notes)
    runs = timeline.runs
    assert len(upkeep.states.runs) == len(runs)
    assert upkeep.conflicts.n == len(notes)
    assert upkeep.notes["n"].sum() == len(notes)
    replaced = ((notes["part"] == "brush") & (notes["action"] == "replaced")).sum()
    brush = upkeep.lives.lives.query("part == 'brush' and began_by == 'replaced'")
    assert len(brush) == replaced
    worn = upkeep.states.runs.set_index("run_id")["brush_worn_p"]
    doubtful = upkeep.conflicts.table.query("part == 'brush'")["unit_id"].unique()
    at = runs.set_index("run_id")
    known_worn = (at["brush_wear_pct"] >= 50) & ~at["unit_id"].isin(doubtful)
    assert known_worn.sum() > 20
    assert (worn[known_worn] == 1.0).all()
    assert upkeep.wear.table["unit_id"].tolist() == sorted(runs["unit_id"].unique())
    assert upkeep.wear.table["rate_pct_d"].between(3.0, 5.0).all()  # the sample's brushes wear 4 % a day of use
    assert set(upkeep.overdue.overdue["unit_id"]) <= set(runs["unit_id"])
    assert notes.equals(before)


def test_nothing_written_down_and_nothing_done(clean_dossier):
    tables = dict(clean_dossier.tables)
    tables["maintenance"] = tables["maintenance"].iloc[:0]
    timeline = build_timeline(tables, time_zone=clean_dossier.time_zone)
    upkeep = find_upkeep(timeline, tables["maintenance"])
    assert (upkeep.worn_runs, upkeep.n, upkeep.excluded) == (0, 0, len(timeline.runs))
    assert upkeep.states.n == 0
    assert (upkeep.wear.table["verdict"] == "cannot tell").all()
    empty = {name: table.iloc[:0] for name, table in tables.items()}
    nothing = find_upkeep(build_timeline(empty), empty["maintenance"])
    assert (nothing.lives.n, nothing.states.n, len(nothing.overdue.table), len(nothing.wear.table)) == (0, 0, 0, 0)
