"""Note conflicts: maintenance notes that contradict one another, or say nothing.

None is resolved in silence. Each is shown with what is done about it, and what
it says is left out of the lives of parts wherever it cannot be relied on.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import pandas as pd

from auditkit.trade.columns import require_columns
from auditkit.trade.part_spells import BAD, GOOD, begins_of, days_of_use, looks_of, spell_at
from auditkit.trade.upkeep_rules import WORN, UpkeepRules

__all__ = ["KINDS", "NoteConflicts", "find_note_conflicts"]

KINDS: dict[str, str] = {
    "before fitted": "nothing of it is used",
    "fitted again": "the part's age is taken as unknown from here on",
    "after the records": "nothing of it is used",
    "two states at once": "neither state is used; what was done is",
    "state against wear": "the state is not used; what was done is",
    "wear falls": "neither figure is used for the rate of wear",
    "good after bad": "neither state is used",
    "bad before any use": "the state is not used",
    "no state noted": "nothing is taken from it about the state",
}
"""Every kind of conflict, and what is done about it."""

_KEY = ["unit_id", "part", "mode"]
_ROW = ["unit_id", "part", "action", "done_at", "kind", "words", "treatment"]
_WHEN = "%Y-%m-%d %H:%M UTC"
_NOTE = ["unit_id", "part", "action", "wear_pct", "found", "done_at"]


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteConflicts:
    """Maintenance notes, judged against one another.

    Parameters
    ----------
    table : DataFrame
        One row a conflict, sorted by unit, part, time and kind: unit_id, part,
        action, done_at (the key of the note), kind, words, treatment.
    notes : DataFrame
        The notes, sorted, fresh index, with action_used, state_used and
        wear_used (bool).
    looks : DataFrame
        What the notes say of a state that can be relied on, one row a note and
        mode: note (index of `notes`), unit_id, part, mode, at, state, life_no.
    n, excluded : int
        Notes, and those of which something is not used.
    method : str
    """

    table: pd.DataFrame
    notes: pd.DataFrame
    looks: pd.DataFrame
    n: int
    excluded: int
    method: str


def find_note_conflicts(
    maintenance: pd.DataFrame, runs: pd.DataFrame, *, rules: UpkeepRules, units: pd.DataFrame
) -> NoteConflicts:
    """Return what contradicts what in the maintenance notes, and what of them can be used.

    Parameters
    ----------
    maintenance : DataFrame
        One row a note: unit_id, part, action, wear_pct `[%]`, found, done_at.
    runs : DataFrame
        unit_id, started_at, ended_at, day (local).
    rules : UpkeepRules
    units : DataFrame
        unit_id, in_service_at; may be empty.

    Raises
    ------
    ValueError
        A column is not there.

    Examples
    --------
    >>> from auditkit.trade.upkeep_rules import load_upkeep_rules
    >>> at = pd.to_datetime(["2027-01-11T08:00Z", "2027-01-12T08:00Z", "2027-01-11T09:00Z"])
    >>> notes = pd.DataFrame({
    ...     "unit_id": "U1", "part": "o-rings", "action": ["inspected", "inspected"], "wear_pct": [None, None],
    ...     "found": ["leaking", "good"], "done_at": at[:2]})
    >>> runs = pd.DataFrame({"unit_id": ["U1"], "started_at": at[:1], "ended_at": at[2:], "day": ["2027-01-11"]})
    >>> units = pd.DataFrame({"unit_id": [], "in_service_at": pd.to_datetime([], utc=True)})
    >>> find_note_conflicts(notes, runs, rules=load_upkeep_rules(), units=units).table["kind"].tolist()
    ['good after bad']
    """
    require_columns(maintenance, _NOTE, name="maintenance")
    require_columns(runs, ["unit_id", "started_at", "ended_at", "day"], name="runs")
    require_columns(units, ["unit_id", "in_service_at"], name="units")
    notes = maintenance.sort_values(["unit_id", "part", "done_at", "action"], ignore_index=True)
    notes = notes.astype({"unit_id": "str", "part": "str", "action": "str", "found": "str", "wear_pct": "float64"})
    notes = notes.assign(action_used=True, state_used=True, wear_used=notes["wear_pct"].notna())
    found: list[pd.DataFrame] = []
    for check, unused in (
        (_before_fitted(units), ["action_used", "state_used", "wear_used"]),
        (_after_the_records(runs, rules), ["action_used", "state_used", "wear_used"]),
        (_fitted_again(units), ["action_used", "state_used", "wear_used"]),
        (_two_states_at_once(rules), ["state_used", "wear_used"]),
        (_state_against_wear(rules), ["state_used", "wear_used"]),
        (_no_state_noted, []),
    ):
        rows = check(notes)
        found.append(rows)
        notes.loc[rows.index, unused] = False
    begins = begins_of(notes, runs, rules=rules, units=units)
    looks = looks_of(notes[notes["state_used"]], rules=rules)
    looks = looks.assign(life_no=spell_at(looks, begins, as_found=True), use_d=days_of_use(runs, looks))
    new, looks = _bad_before_any_use(looks, begins, runs, notes)
    turned, looks = _good_after_bad(looks, notes)
    falls, unsure = _wear_falls(notes, begins, rules)
    notes.loc[unsure, "wear_used"] = False
    found += [new, turned, falls]
    full = [rows for rows in found if len(rows)] or [found[0]]
    table = pd.concat(full).assign(treatment=lambda rows: rows["kind"].map(KINDS).astype("str"))[_ROW]
    told = table[table["kind"] != "no state noted"]
    return NoteConflicts(
        table=table.sort_values(["unit_id", "part", "done_at", "action", "kind", "words"], ignore_index=True),
        notes=notes,
        looks=looks.drop(columns="use_d").reset_index(drop=True),
        n=len(notes),
        excluded=int(told.index.nunique()),
        method="Notes on one part of one unit are held against one another and against what was done in between; "
        "a contradiction is shown, and no side of it is believed.",
    )


def _conflicts(notes: pd.DataFrame, rows: pd.Index, *, kind: str, words: pd.Series) -> pd.DataFrame:
    """Return one row a conflict, on the index of its note; the words are on the index `rows`."""
    said = notes.loc[rows, ["unit_id", "part", "action", "done_at"]]
    return said.assign(kind=kind, words=words.reindex(rows).astype("str").to_numpy()).astype({"kind": "str"})


def _first_known(notes: pd.DataFrame, units: pd.DataFrame) -> pd.Series:
    """Return since when each note's part is known to be in the unit: fitted or in service, whichever is first."""
    fitted = notes["done_at"].where(notes["action"] == "fitted")
    fitted = fitted.groupby([notes["unit_id"], notes["part"]]).transform("min")
    return pd.concat([fitted, _in_service(notes, units)], axis="columns").min(axis="columns")


def _in_service(notes: pd.DataFrame, units: pd.DataFrame) -> pd.Series:
    served = units.dropna(subset=["in_service_at"]).groupby("unit_id")["in_service_at"].min()
    return served.reindex(notes["unit_id"]).set_axis(notes.index)


def _before_fitted(units: pd.DataFrame) -> Callable[[pd.DataFrame], pd.DataFrame]:
    def check(notes: pd.DataFrame) -> pd.DataFrame:
        first = _first_known(notes, units)
        early = notes["done_at"] < first
        words = notes["action"] + " before the part was fitted or the unit put into service, "
        return _conflicts(notes, notes.index[early], kind="before fitted", words=words + first.dt.strftime(_WHEN))

    return check


def _after_the_records(runs: pd.DataFrame, rules: UpkeepRules) -> Callable[[pd.DataFrame], pd.DataFrame]:
    def check(notes: pd.DataFrame) -> pd.DataFrame:
        last = runs["ended_at"].max()
        late = notes["done_at"] > last + pd.Timedelta(days=rules.late_note_d)
        words = pd.Series(f"dated more than {rules.late_note_d:g} days after the last run of any unit", notes.index)
        return _conflicts(notes, notes.index[late], kind="after the records", words=words)

    return check


def _fitted_again(units: pd.DataFrame) -> Callable[[pd.DataFrame], pd.DataFrame]:
    def check(notes: pd.DataFrame) -> pd.DataFrame:
        first = _first_known(notes, units)
        served = _in_service(notes, units)
        again = (notes["action"] == "fitted") & (notes["done_at"] > first) & ~(notes["done_at"] <= served)
        words = "first fitted, but in the unit since " + first.dt.strftime(_WHEN)
        return _conflicts(notes, notes.index[again], kind="fitted again", words=words)

    return check


def _two_states_at_once(rules: UpkeepRules) -> Callable[[pd.DataFrame], pd.DataFrame]:
    def check(notes: pd.DataFrame) -> pd.DataFrame:
        moment = notes.groupby(["unit_id", "part", "done_at"])
        is_good = notes["found"].eq("good").where(notes["found"].notna()).astype("float64")
        shares = is_good.groupby([notes["unit_id"], notes["part"], notes["done_at"]]).transform("mean")
        apart = moment["wear_pct"].transform("max") - moment["wear_pct"].transform("min")
        both = ((shares > 0) & (shares < 1)) | (apart > rules.wear_slack_pct)
        pairs = zip(notes["found"].fillna("no state"), notes["wear_pct"], strict=True)
        said = [state if pd.isna(wear) else f"{state}, wear {wear:g} %" for state, wear in pairs]
        words = "another note of the same moment says otherwise; this one says " + pd.Series(
            said, notes.index, dtype="str"
        )
        return _conflicts(notes, notes.index[both], kind="two states at once", words=words)

    return check


def _state_against_wear(rules: UpkeepRules) -> Callable[[pd.DataFrame], pd.DataFrame]:
    def check(notes: pd.DataFrame) -> pd.DataFrame:
        limit = notes["part"].map({part: rule.wear_limit_pct for part, rule in rules.parts.items()}).astype("float64")
        against = (notes["found"] == "good") & (notes["wear_pct"] >= limit)
        pairs = zip(notes["wear_pct"], limit, strict=True)
        words = pd.Series(
            [f"found good with a wear of {wear:g} %, limit {most:g} %" for wear, most in pairs],
            notes.index,
            dtype="str",
        )
        return _conflicts(notes, notes.index[against], kind="state against wear", words=words)

    return check


def _no_state_noted(notes: pd.DataFrame) -> pd.DataFrame:
    """Return looks and replacements that say no state; a cleaning is often noted without one."""
    silent = notes["action"].isin(["inspected", "replaced"]) & notes["found"].isna() & notes["wear_pct"].isna()
    words = notes["action"] + ", neither state nor wear noted"
    return _conflicts(notes, notes.index[silent], kind="no state noted", words=words)


def _bad_before_any_use(
    looks: pd.DataFrame, begins: pd.DataFrame, runs: pd.DataFrame, notes: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    begun = begins.assign(life_no=begins.groupby(_KEY).cumcount() + 1, begun_d=days_of_use(runs, begins))
    joined = looks.merge(begun[[*_KEY, "life_no", "begun_d", "by"]], on=[*_KEY, "life_no"], how="left")
    new = (joined["state"] == BAD) & (joined["use_d"] <= joined["begun_d"]) & (joined["by"] != "unknown")
    words = pd.Series("bad before the part was used at all since it was restored", notes.index)
    rows = pd.Index(looks.loc[new.to_numpy(), "note"].unique())
    return _conflicts(notes, rows, kind="bad before any use", words=words), looks[~new.to_numpy()]


def _good_after_bad(looks: pd.DataFrame, notes: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the good states with a bad one before them in the same spell, and the looks without either side."""
    spell = [*_KEY, "life_no"]
    bad, good = looks["at"].where(looks["state"] == BAD), looks["at"].where(looks["state"] == GOOD)
    by = [looks[column] for column in spell]
    first_bad, last_good = bad.groupby(by).transform("min"), good.groupby(by).transform("max")
    doubtful = (last_good > first_bad) & looks["at"].between(first_bad, last_good)
    turned = looks.assign(bad_at=first_bad)[doubtful & (looks["state"] == GOOD)].drop_duplicates("note")
    words = "good, with nothing done since it was bad on " + turned.set_index("note")["bad_at"].dt.strftime(_WHEN)
    return _conflicts(notes, pd.Index(turned["note"]), kind="good after bad", words=words), looks[~doubtful]


def _wear_falls(notes: pd.DataFrame, begins: pd.DataFrame, rules: UpkeepRules) -> tuple[pd.DataFrame, pd.Index]:
    """Return the figures below the one before them in the same spell, and the notes of either figure."""
    figures = notes[notes["wear_used"]].assign(at=notes["done_at"], mode=WORN).astype({"mode": "str"})
    figures = figures.assign(life_no=spell_at(figures, begins, as_found=True))
    figures = figures.sort_values(["unit_id", "part", "life_no", "done_at"], kind="stable")
    spell = figures.groupby(["unit_id", "part", "life_no"])
    before, when = spell["wear_pct"].shift(), spell["done_at"].shift()
    falls = figures["wear_pct"] < before - rules.wear_slack_pct
    also = figures.index[falls.groupby([figures["unit_id"], figures["part"], figures["life_no"]]).shift(-1) == True]  # noqa: E712
    pairs = zip(figures["wear_pct"], before, when, strict=True)
    words = pd.Series(
        [
            f"{now:g} % after {then:g} % on {at.strftime(_WHEN)}, and no replacement between" if pd.notna(at) else ""
            for now, then, at in pairs
        ],
        figures.index,
        dtype="str",
    )
    rows = figures.index[falls]
    return _conflicts(notes, rows, kind="wear falls", words=words), rows.union(also)
