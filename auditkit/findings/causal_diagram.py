"""Causal diagram of the audit: read, amended by a dossier, asked what to hold equal, and tested on the records."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pandas as pd
import yaml

from auditkit.contracts.strict_yaml import read_plain_yaml
from auditkit.errors import DeclarationError, Fault
from auditkit.paths import schemas_folder
from auditkit.stats.adjustment import adjustment_set
from auditkit.stats.diagrams import Diagram, ancestors, read_diagram
from auditkit.stats.independencies import check_independencies
from auditkit.trade.conditions import Condition, load_conditions
from auditkit.trade.defects import DEFECTS

__all__ = [
    "Alternative",
    "CausalDiagram",
    "DiagramFindings",
    "amend_diagram",
    "find_diagram",
    "load_causal_diagram",
]

LEAST_RECORDED = 0.8
"""Share of runs that must hold a column for it to be held equal [-]; below, it counts as not recorded. Our default."""

DOUBTFUL_P = 0.01
"""An independence whose own p is this small is doubtful, though it may be one of the few that chance gives [-]."""

CLUSTERS = ("job_id", "operator_id", "day", "unit_week")
"""Columns whose runs hang together, for the tests of independence; a unit's week is made from its runs."""

_WHERE = "dossier.yaml, causal_diagram"
_NODE_KEYS = frozenset({"title", "recorded", "computed"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Alternative:
    """Another diagram that is as plausible.

    Parameters
    ----------
    name : str
        What is different, in words.
    diagram : Diagram
    """

    name: str
    diagram: Diagram


@dataclass(frozen=True, slots=True, kw_only=True)
class CausalDiagram:
    """What acts on what in the audit.

    Parameters
    ----------
    diagram : Diagram
    titles : mapping of str to str
        What each node is called.
    alternatives : tuple of Alternative
    source : str
        Where it stands, and whether it was amended.
    """

    diagram: Diagram
    titles: Mapping[str, str]
    alternatives: tuple[Alternative, ...]
    source: str
    _mapping: Mapping[str, Any] = field(repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class DiagramFindings:
    """What the diagram asks to be held equal, and whether the records agree with it.

    Parameters
    ----------
    diagram : CausalDiagram
        With those nodes as recorded that these records hold.
    adjustments : DataFrame
        One row a defect and condition, in their order: defect, condition,
        adjust_for, not_recorded (what should be held equal and is not in the
        records), never (what comes of the condition) (tuples of str), closes
        (whether the diagram leaves no other way than the condition itself),
        acts (whether there is a path of arrows from condition to defect), note.
    alternatives : mapping of str to DataFrame
        The same under each alternative diagram, by its name.
    independencies : DataFrame
        See `stats.independencies.check_independencies`; reading is 'stands',
        'doubtful', 'does not stand' or 'not testable'.
    disagreements : DataFrame
        Its rows that do not stand or are doubtful, the least probable first.
    unrecorded : tuple of str
        Nodes of the diagram that these records do not hold, or hold for too
        few runs.
    n : int
        Runs.
    tested : int
        Independencies tested.
    method : str
    """

    diagram: CausalDiagram
    adjustments: pd.DataFrame
    alternatives: Mapping[str, pd.DataFrame]
    independencies: pd.DataFrame
    disagreements: pd.DataFrame
    unrecorded: tuple[str, ...]
    n: int
    tested: int
    method: str


def load_causal_diagram(path: Path | None = None) -> CausalDiagram:
    """Return the causal diagram of `causal_diagram.yaml`.

    Raises
    ------
    DeclarationError
        The file is no diagram: an unknown or missing key, an arrow without a
        reason or to no node, a circle. All faults but a circle are named.

    Examples
    --------
    >>> diagram = load_causal_diagram()
    >>> diagram.titles["operator_id"], "standoff_mm" in diagram.diagram.nodes, len(diagram.alternatives)
    ('operator', True, 3)
    """
    path = path or schemas_folder() / "causal_diagram.yaml"
    try:
        document = read_plain_yaml(path.read_text(encoding="utf-8"))
    except yaml.YAMLError as error:
        raise _error(path.name, "must be YAML with each key once", str(error), "correct the file") from error
    known = {"auditkit", "version", "nodes", "arrows", "alternatives"}
    if not isinstance(document, dict) or not {"nodes", "arrows"} <= set(document) <= known:
        given = sorted(map(str, document)) if isinstance(document, dict) else type(document).__name__
        raise _error(path.name, f"keys must be among {', '.join(sorted(known))}", str(given), "correct the keys")
    mapping = {"alternatives": []} | {key: document[key] for key in known - {"auditkit", "version"} if key in document}
    return _build(mapping, where=path.name, source=path.name)


def amend_diagram(
    diagram: CausalDiagram, amendments: Mapping[str, Any], *, columns: Collection[str] | None = None
) -> CausalDiagram:
    """Return the diagram as a dossier amends it; without amendments, as it is.

    Parameters
    ----------
    diagram : CausalDiagram
    amendments : mapping
        `nodes`: name to {title, recorded, computed}, new or in place of old;
        `add`: list of {from, to, because}; `drop`: list of {from, to};
        `alternatives`: list of {name, add, drop}, in place of the shipped ones.
    columns : collection of str, optional
        Columns of the runs: a node declared as recorded must be one of them.

    Raises
    ------
    DeclarationError
        An arrow to be dropped is not there, or one to be added is; a node is
        unknown, or recorded and no column; the arrows close a circle.

    Examples
    --------
    >>> slower = {"add": [{"from": "shift", "to": "stroke_speed", "because": "Nights are long."}]}
    >>> len(amend_diagram(load_causal_diagram(), slower).diagram.arrows) - len(load_causal_diagram().diagram.arrows)
    1
    """
    if not amendments:
        return diagram
    unknown = sorted(map(str, set(amendments) - {"nodes", "add", "drop", "alternatives"}))
    if unknown:
        raise _error(_WHERE, "keys must be nodes, add, drop, alternatives", ", ".join(unknown), "correct the keys")
    nodes = {**diagram._mapping["nodes"], **amendments.get("nodes", {})}
    if columns is not None:
        named = [n for n, entry in amendments.get("nodes", {}).items() if _says(entry, "recorded")]
        absent = sorted(set(named) - {*columns, *DEFECTS})
        if absent:
            cure = "correct the name, or say 'recorded: false'"
            raise _error(f"{_WHERE}.nodes", "a recorded node must be a column of the runs", ", ".join(absent), cure)
    arrows = _amend_arrows(diagram._mapping["arrows"], amendments, where=_WHERE)
    alternatives = amendments.get("alternatives", diagram._mapping["alternatives"])
    mapping = {"nodes": nodes, "arrows": arrows, "alternatives": alternatives}
    return _build(mapping, where=_WHERE, source=f"{diagram.source}, amended in dossier.yaml")


def _error(where: str, holds: str, given: str, cure: str) -> DeclarationError:
    return DeclarationError(Fault(where=where, holds=holds, given=given, cure=cure))


def _says(entry: object, key: str) -> bool:
    return isinstance(entry, Mapping) and entry.get(key) is True


def _build(mapping: Mapping[str, Any], *, where: str, source: str) -> CausalDiagram:
    titles = _titles(mapping["nodes"], where=f"{where}, nodes")
    alternatives = []
    for entry in mapping["alternatives"]:
        if not isinstance(entry, Mapping) or not {"name"} <= set(entry) <= {"name", "add", "drop"}:
            raise _error(f"{where}, alternatives", "each must have a name, add and drop", repr(entry), "correct it")
        here = f"{where}, alternatives, {entry['name']}"
        changed = {"nodes": mapping["nodes"], "arrows": _already_there(mapping["arrows"], entry, where=here)}
        alternatives.append(Alternative(name=str(entry["name"]), diagram=_read(changed, where=here)))
    return CausalDiagram(
        diagram=_read(mapping, where=where),
        titles=titles,
        alternatives=tuple(alternatives),
        source=source,
        _mapping=mapping,
    )


def _already_there(arrows: Sequence[Any], entry: Mapping[str, Any], *, where: str) -> list[Any]:
    """Return the arrows of an alternative; an arrow that an amendment has since added or dropped is no fault there."""
    known = {_ends(arrow) for arrow in arrows}
    fresh = [arrow for arrow in entry.get("add", []) if _ends(arrow) not in known]
    gone = [arrow for arrow in entry.get("drop", []) if _ends(arrow) in known]
    return _amend_arrows(arrows, {"add": fresh, "drop": gone}, where=where)


def _ends(arrow: object) -> tuple[object, object]:
    return (arrow.get("from"), arrow.get("to")) if isinstance(arrow, Mapping) else (None, None)


def _amend_arrows(arrows: Sequence[Any], changes: Mapping[str, Any], *, where: str) -> list[Any]:
    known = {_ends(arrow) for arrow in arrows}
    dropped = {_ends(arrow) for arrow in changes.get("drop", [])}
    absent = [f"{one} -> {other}" for one, other in sorted(dropped - known, key=str)]
    if absent:
        raise _error(f"{where}.drop", "an arrow to be dropped must be there", ", ".join(absent), "correct or remove it")
    return [arrow for arrow in arrows if _ends(arrow) not in dropped] + list(changes.get("add", []))


def _titles(nodes: object, *, where: str) -> dict[str, str]:
    if not isinstance(nodes, Mapping):
        raise _error(where, "must map names to what they are", repr(nodes), "write it as a mapping")
    conditions = load_conditions()
    titles = {}
    for name, entry in nodes.items():
        unknown = sorted(map(str, set(entry) - _NODE_KEYS)) if isinstance(entry, Mapping) else [repr(entry)]
        if unknown:
            holds = f"keys must be among {', '.join(sorted(_NODE_KEYS))}"
            raise _error(f"{where}.{name}", holds, ", ".join(unknown), "correct the spelling or remove the key")
        title = conditions[name].title if name in conditions else name
        titles[str(name)] = str(entry.get("title", title))
    return titles


def _read(mapping: Mapping[str, Any], *, where: str) -> Diagram:
    plain = {
        name: {key: value for key, value in entry.items() if key != "title"} for name, entry in mapping["nodes"].items()
    }
    try:
        return read_diagram({"nodes": plain, "arrows": mapping["arrows"]})
    except ValueError as error:
        raise _error(where, "must be a diagram without faults", str(error), "correct the nodes and arrows") from error


def find_diagram(
    runs: pd.DataFrame,
    found: pd.DataFrame,
    *,
    diagram: CausalDiagram,
    conditions: Mapping[str, Condition],
    false_discovery_rate: float = 0.05,
    on_progress: Callable[[int, int], None] | None = None,
) -> DiagramFindings:
    """Return what each condition must be compared within, and where the records disagree with the diagram.

    A condition is adjusted for its recorded causes. Where one of these was not
    recorded and other recorded columns close the way that it leaves open, they
    are added. What comes of the condition is never adjusted for.

    Parameters
    ----------
    runs : DataFrame
        One row a run: run_id, started_at, day and the nodes of the diagram. A
        node without a column, or recorded for too few runs, counts as not
        recorded.
    found : DataFrame
        One row a run (index run_id), one nullable boolean column a defect.
    diagram : CausalDiagram
    conditions : mapping of str to Condition
    false_discovery_rate : float
        Share of false ones tolerated among the independencies that do not
        stand `[-]`.
    on_progress : callable, optional
        Called with how many diagrams were asked, and of how many.

    Returns
    -------
    DiagramFindings

    Examples
    --------
    >>> from auditkit.trade.conditions import load_conditions
    >>> runs = pd.DataFrame({"run_id": ["R1"], "operator_id": ["OP1"], "standoff_mm": [180.0]})
    >>> found = pd.DataFrame({"spit": pd.array([True], "boolean")}, index=["R1"])
    >>> kept = {"standoff_mm": load_conditions()["standoff_mm"]}
    >>> result = find_diagram(runs, found, diagram=load_causal_diagram(), conditions=kept)
    >>> result.adjustments.loc[0, ["adjust_for", "not_recorded"]].tolist()
    [('operator_id',), ('job_id', 'geometry')]
    """
    frame = _with_defects(runs, found)
    known, unrecorded = _as_recorded(diagram.diagram, frame)
    total, pairs = 2 + len(diagram.alternatives), [(d, c) for d in found.columns for c in conditions]
    report = on_progress or (lambda done, of: None)
    adjustments = _adjustments(known, pairs)
    report(1, total)
    others = {}
    for done, other in enumerate(diagram.alternatives, start=2):
        others[other.name] = _adjustments(_as_recorded(other.diagram, frame)[0], pairs)
        report(done, total)
    independencies = _independencies(known, frame, rate=false_discovery_rate)
    report(total, total)
    wrong = independencies[independencies["reading"].isin(["does not stand", "doubtful"])]
    return DiagramFindings(
        diagram=replace(diagram, diagram=known),
        adjustments=adjustments,
        alternatives=others,
        independencies=independencies,
        disagreements=wrong.sort_values(["p", "one", "other"], ignore_index=True),
        unrecorded=unrecorded,
        n=len(runs),
        tested=int(independencies["p"].notna().sum()),
        method=_METHOD.format(source=diagram.source, rate=false_discovery_rate),
    )


_METHOD = (
    "The causal diagram ({source}) says what acts on what. A condition is compared among runs that are equal in its "
    "own recorded causes (back-door criterion; Pearl 2009); where one of these was not recorded and other records "
    "close the way it leaves open, those are added; a condition computed from others is compared among runs equal in "
    f"what lies behind them. A column recorded for under {LEAST_RECORDED:.0%} of the runs counts as not recorded. What "
    "comes of a condition is never held equal. What the diagram says must be independent is tested on the records: "
    "both columns are cleared of what is given, and their products are summed by job, operator, day and a unit's week "
    "in turn; the least telling of these t tests counts, since runs of one of them hang together. 'Does not stand' "
    "holds the false-discovery rate at {rate:g} over all tests; 'doubtful' is a p of "
    f"{DOUBTFUL_P:g} or less of a single test, of which chance alone gives one in {1 / DOUBTFUL_P:.0f}. With few jobs "
    "or operators a wrong arrow may stay unseen: that it stands does not show the diagram to be right."
)

_COLUMNS = ["defect", "condition", "adjust_for", "not_recorded", "never", "closes", "acts", "note"]


def _with_defects(runs: pd.DataFrame, found: pd.DataFrame) -> pd.DataFrame:
    outcomes = {defect: runs["run_id"].map(found[defect]).astype("boolean") for defect in found.columns}
    frame = runs.drop(columns=[name for name in found.columns if name in runs.columns])
    frame = pd.concat([frame, pd.DataFrame(outcomes, index=runs.index)], axis="columns")
    if {"unit_id", "started_at"} <= set(runs.columns):
        week = runs["started_at"].dt.strftime("%G-%V")
        frame["unit_week"] = (runs["unit_id"].astype("str") + " " + week).where(runs["unit_id"].notna())
    return frame.sort_values("run_id", ignore_index=True)


def _as_recorded(diagram: Diagram, frame: pd.DataFrame) -> tuple[Diagram, tuple[str, ...]]:
    """Return the diagram with those nodes as recorded that the frame holds, and those that it does not."""
    share = {name: float(frame[name].notna().mean()) if len(frame) else 0.0 for name in frame.columns}
    short = [n for n in diagram.nodes if n in diagram.recorded and share.get(n, 0.0) < LEAST_RECORDED]
    return replace(diagram, recorded=diagram.recorded - set(short)), tuple(short)


def _adjustments(diagram: Diagram, pairs: Sequence[tuple[str, str]]) -> pd.DataFrame:
    rows = [
        {"defect": defect, "condition": condition} | _adjust(diagram, condition, defect) for defect, condition in pairs
    ]
    return pd.DataFrame(rows, columns=_COLUMNS).astype({"closes": bool, "acts": bool})


def _adjust(diagram: Diagram, condition: str, defect: str) -> dict[str, object]:
    nothing: dict[str, object] = {"adjust_for": (), "not_recorded": (), "never": (), "closes": False, "acts": False}
    absent = [name for name in (condition, defect) if name not in diagram.nodes]
    if absent:
        return nothing | {"note": f"{' and '.join(absent)}: not in the causal diagram, so that nothing is held equal"}
    if defect in ancestors(diagram, condition):
        return nothing | {"note": "in the causal diagram the condition comes of the defect"}
    answer = adjustment_set(diagram, cause=condition, effect=defect)
    wider = None if answer.closes else answer.wider_set
    return {
        "adjust_for": answer.adjust_for if wider is None else wider,
        "not_recorded": answer.open_through if wider is None else (),
        "never": answer.never,
        "closes": answer.closes or wider is not None,
        "acts": condition in ancestors(diagram, defect),
        "note": "",
    }


def _independencies(diagram: Diagram, frame: pd.DataFrame, *, rate: float) -> pd.DataFrame:
    clusters = [name for name in CLUSTERS if name in frame.columns and frame[name].notna().any()]
    if not clusters:
        # Without a job, an operator or a day nobody can say which runs hang together; then nothing is tested.
        frame, clusters = frame.assign(run_of_its_own="all"), ["run_of_its_own"]
    table = check_independencies(diagram, frame, false_discovery_rate=rate, clusters=clusters)
    doubtful = (table["reading"] == "stands") & (table["p"] <= DOUBTFUL_P)
    return table.assign(reading=table["reading"].mask(doubtful, "doubtful"))
