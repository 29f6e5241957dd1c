"""Wrap model: what the wrap round to the back goes with, side by side, as a description and not as causes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.findings.typed_columns import typed_frame
from auditkit.stats.coding import code_terms, design_matrix
from auditkit.stats.lifetimes import CANNOT_TELL
from auditkit.stats.models import linear_model
from auditkit.stats.multiplicity import benjamini_hochberg
from auditkit.stats.rows import check_confidence

__all__ = ["FILM_RATIO", "RATED_WRAP", "WrapModel", "find_wrap_model"]

Floats = npt.NDArray[np.float64]

FILM_RATIO = "film ratio"
"""Film on the reverse over film on the facing side, modelled on the log scale."""

RATED_WRAP = "rated wrap"
"""Share of the reverse rated as covered."""

LEAST_JOBS = 5
"""Fewest jobs for limits that rest on the spread between jobs; ours, no source."""

LEAST_A_COEFFICIENT = 5
"""Fewest areas for each coefficient; ours, no source."""

LEAST_SHARE = 0.5
"""A term recorded for less than this share of the areas is left out; ours, no source."""

TRAVELS = 5.0
"""Inflation of variance from which a term is said to travel with others; ours, no source."""

_STEPS: Mapping[str, tuple[str, float, str]] = {
    "part_ground_log10_ohm": ("resistance of the part to earth", 1.0, "tenfold"),
    "standoff_mm": ("standoff", 10.0, "10 mm more"),
    "brush_wear_pct": ("brush wear when last known", 10.0, "10 points more"),
    "brush_worn_p": ("probability that the brush was worn", 0.1, "0.1 more"),
    "viscosity_mm2_s": ("viscosity", 10.0, "10 mm2/s more"),
    "bell_diameter_mm": ("bell diameter", 10.0, "10 mm more"),
}
_GEOMETRY = "geometry"
_NOT_RECORDED = "not recorded: no such record is kept"
_TERM_KINDS: Mapping[str, str] = {
    "outcome": "str",
    "term": "str",
    "title": "str",
    "step": "str",
    "estimate": "float64",
    "low": "float64",
    "high": "float64",
    "reading": "str",
    "p": "float64",
    "q": "float64",
    "partial_r2": "float64",
    "inflation": "float64",
    "travels_with": "str",
}
_MODEL_KINDS: Mapping[str, str] = {
    "outcome": "str",
    "verdict": "str",
    "reason": "str",
    "n": "int64",
    "excluded": "int64",
    "bare": "int64",
    "jobs": "int64",
    "r2": "float64",
    "reference": "str",
}
_LEFT_KINDS: Mapping[str, str] = {"outcome": "str", "term": "str", "reason": "str"}


@dataclass(frozen=True, slots=True, kw_only=True)
class WrapModel:
    """What wrap goes with.

    Parameters
    ----------
    terms : DataFrame
        One row an outcome ('film ratio', 'rated wrap') and term: outcome,
        term (a geometry as 'geometry[mesh]'), title, step (what the estimate
        is for), estimate with low and high (film ratio: factor on it `[-]`;
        rated wrap: difference in points `[%]`), reading ('goes with more
        wrap', 'goes with less wrap', 'not clear'), p, q, partial_r2 (share of
        what the other terms leave unexplained that goes with this one),
        inflation (of variance, by the other terms), travels_with (the terms
        it can hardly be told from).
    models : DataFrame
        One row an outcome: outcome, verdict ('described', 'cannot tell'),
        reason, n (areas used), excluded (areas with the outcome that have a
        gap in a term, or a geometry that occurs in one job only), bare (areas
        without any film on the reverse, whose ratio has no logarithm), jobs, r2,
        reference (the geometry others are held against).
    left_out : DataFrame
        One row an outcome and term that is not in the model: outcome, term, reason.
    n, excluded : int
        Areas used for either outcome, and areas used for neither.
    confidence, false_discovery_rate : float
    method : str
    """

    terms: pd.DataFrame
    models: pd.DataFrame
    left_out: pd.DataFrame
    n: int
    excluded: int
    confidence: float
    false_discovery_rate: float
    method: str


def find_wrap_model(
    areas: pd.DataFrame, runs: pd.DataFrame, *, confidence: float = 0.95, false_discovery_rate: float = 0.05
) -> WrapModel:
    """Return what the film ratio and the rated wrap of the areas go with.

    Parameters
    ----------
    areas : DataFrame
        `WrapFindings.areas`: area_id, job_id, geometry, ratio `[-]`, wrap_pct `[%]`.
    runs : DataFrame
        Runs of the timeline: area_id, part_ground_ohm `[ohm]`, standoff_mm,
        bell_diameter_mm `[mm]`, brush_wear_pct `[%]`, viscosity_mm2_s
        `[mm2/s]` and, if there, brush_worn_p `[-]`, which then stands for wear.
    confidence : float
        Level of every interval.
    false_discovery_rate : float
        Held over all terms of both outcomes (Benjamini and Hochberg 1995).

    Raises
    ------
    ValueError
        The confidence is not a share.

    Examples
    --------
    >>> rng = np.random.default_rng(3)
    >>> areas = pd.DataFrame({"area_id": [f"A{i:03d}" for i in range(80)], "job_id": np.repeat(list("ABCDEFGH"), 10),
    ...                       "geometry": np.tile(["flat", "mesh"], 40), "wrap_pct": np.nan})
    >>> runs = pd.DataFrame({"area_id": areas["area_id"], "standoff_mm": rng.uniform(150, 250, 80),
    ...                      "part_ground_ohm": 1e5, "bell_diameter_mm": 70.0, "brush_wear_pct": np.nan,
    ...                      "viscosity_mm2_s": np.nan})
    >>> areas["ratio"] = np.where(areas["geometry"] == "mesh", 0.8, 0.4) * np.exp(
    ...     -0.003 * runs["standoff_mm"] + rng.normal(0, 0.1, 80))
    >>> found = find_wrap_model(areas, runs)
    >>> found.terms[["term", "reading"]].values.tolist()
    [['geometry[mesh]', 'goes with more wrap'], ['standoff_mm', 'goes with less wrap']]
    """
    check_confidence(confidence)
    frame = areas[["area_id", "job_id", _GEOMETRY]].assign(
        bare=areas["ratio"] == 0, log_ratio=np.log(areas["ratio"].where(areas["ratio"] > 0)), wrap_pct=areas["wrap_pct"]
    )
    frame = frame.merge(_of_areas(runs), on="area_id", how="left").sort_values("area_id", ignore_index=True)
    terms: list[dict[str, Any]] = []
    models: list[dict[str, Any]] = []
    left: list[dict[str, Any]] = []
    used: set[str] = set()
    for outcome, column in ((FILM_RATIO, "log_ratio"), (RATED_WRAP, "wrap_pct")):
        told, rows, dropped, names = _describe(frame, outcome, column, confidence=confidence)
        models.append(told)
        terms += rows
        left += dropped
        used |= names
    return WrapModel(
        terms=_read(typed_frame(terms, _TERM_KINDS), false_discovery_rate),
        models=typed_frame(models, _MODEL_KINDS),
        left_out=typed_frame(left, _LEFT_KINDS),
        n=len(used),
        excluded=len(areas) - len(used),
        confidence=confidence,
        false_discovery_rate=false_discovery_rate,
        method=(
            "One row an area, with the means of its runs. The logarithm of reverse over facing film, and the rated "
            "wrap in points, are each described by a straight line in all terms at once, so that each is read with the "
            "others held; what is known of the brush is what was last noted. Areas of a job resemble one another: "
            "limits rest on leaving out each job in turn (cluster jackknife, CV3), with Student's t on one fewer than "
            "the jobs. Rated wrap ends at 100, where a line does not bend. A resistance below 1 ohm counts as 1 ohm. "
            "A term goes with wrap, or not: nothing here says that it causes it, since what is not recorded is not "
            "held."
        ),
    )


def _of_areas(runs: pd.DataFrame) -> pd.DataFrame:
    """Return the mean of each term over the runs of an area."""
    own = runs.assign(part_ground_log10_ohm=np.log10(runs["part_ground_ohm"].astype("float64").clip(lower=1.0)))
    present = [name for name in _STEPS if name in own.columns]
    if "brush_worn_p" in present and own["brush_worn_p"].notna().any():
        present.remove("brush_wear_pct")
    elif "brush_worn_p" in present:
        present.remove("brush_worn_p")
    return own.groupby("area_id")[present].mean().astype("float64").reset_index()


def _describe(
    frame: pd.DataFrame, outcome: str, column: str, *, confidence: float
) -> tuple[dict[str, Any], list[dict[str, Any]], list[dict[str, Any]], set[str]]:
    """Return what is told of one outcome's model, its terms, the terms left out, and the areas used."""
    known = frame[frame[column].notna()]
    bare = int(frame["bare"].sum()) if column == "log_ratio" else 0
    terms, dropped = _recorded(known)
    terms, followers = _told_apart(_complete(known, terms), terms)
    dropped |= followers | {"resistivity of the paint": _NOT_RECORDED}
    rows = _complete(known, terms)
    left = [{"outcome": outcome, "term": term, "reason": reason} for term, reason in dropped.items()]
    told = {
        "outcome": outcome,
        "verdict": CANNOT_TELL,
        "n": len(rows),
        "excluded": len(known) - len(rows),
        "bare": bare,
        "jobs": int(rows["job_id"].nunique()),
    }
    coefficients = 1 + sum(max(len(rows[name].unique()) - 1, 0) if name == _GEOMETRY else 1 for name in terms)
    reason = _why_not(rows, terms, coefficients)
    if not reason:
        try:
            fit = linear_model(rows, outcome=column, terms=terms, cluster="job_id", confidence=confidence)
        except ValueError as fault:
            reason = str(fault)
    if reason:
        return told | {"reason": reason}, [], left, set()
    table = fit.table.set_index("term").drop(index="intercept")
    extra, r2 = _association(rows, column, terms)
    scale = [_STEPS.get(str(name), ("", 1.0, ""))[1] for name in table.index]
    limits = table[["estimate", "low", "high"]].mul(scale, axis=0)
    if column == "log_ratio":
        limits = limits.apply(np.exp)
    described = limits.assign(p=table["p"]).join(extra).reset_index().assign(outcome=outcome)
    reference = fit.coding.levels.get(_GEOMETRY, ("",))[0]
    described["title"] = [
        _STEPS.get(term, (term.removeprefix("geometry[").rstrip("]"),))[0] for term in described["term"]
    ]
    described["step"] = [_STEPS[term][2] if term in _STEPS else f"against {reference}" for term in described["term"]]
    told |= {"verdict": "described", "reason": "", "r2": r2, "reference": reference}
    return (
        told,
        [{str(name): value for name, value in row.items()} for row in described.to_dict("records")],
        left,
        set(rows["area_id"]),
    )


def _recorded(known: pd.DataFrame) -> tuple[list[str], dict[str, str]]:
    """Return the terms that are recorded and vary, and why others are left out."""
    terms: list[str] = []
    dropped: dict[str, str] = {}
    for name in [name for name in (_GEOMETRY, *_STEPS) if name in known.columns]:
        values = known[name].dropna()
        if values.empty or len(values) < LEAST_SHARE * len(known):
            dropped[name] = f"recorded for {len(values)} of {len(known)} areas"
        elif len(values.unique()) < 2:
            dropped[name] = "the same for all areas"
        else:
            terms.append(name)
    return terms, dropped


def _complete(known: pd.DataFrame, terms: Sequence[str]) -> pd.DataFrame:
    """Return the areas with every term, of geometries that occur in two jobs or more."""
    rows = known.dropna(subset=list(terms))
    return rows[rows.groupby(_GEOMETRY)["job_id"].transform("nunique") >= 2] if _GEOMETRY in terms else rows


def _told_apart(rows: pd.DataFrame, terms: Sequence[str]) -> tuple[list[str], dict[str, str]]:
    """Return the terms that can be told from those before them, whichever job is left out, and why others cannot."""
    kept: list[str] = []
    dropped: dict[str, str] = {}
    jobs = sorted(rows["job_id"].unique())
    without = [rows["job_id"].to_numpy() != job for job in jobs]
    for name in terms:
        x = _design(rows, [*kept, name])
        if not _is_free(x):
            alone = [other for other in kept if not _is_free(_design(rows, [other, name]))]
            before = alone[0] if alone else "the terms before it together"
            dropped[name] = f"it follows from {before}: it cannot be told apart"
            continue
        tied = [job for job, others in zip(jobs, without, strict=True) if not _is_free(x[others])]
        if tied:
            dropped[name] = f"without job {tied[0]} it is the same for all areas or follows from the other terms"
        else:
            kept.append(name)
    return kept, dropped


def _design(rows: pd.DataFrame, terms: Sequence[str]) -> Floats:
    if any(len(rows[name].unique()) < 2 for name in terms):
        return np.zeros((len(rows), 1))
    return design_matrix(rows, coding=code_terms(rows, terms=terms)).to_numpy(dtype=np.float64)


def _is_free(x: Floats) -> bool:
    """Return whether no column of a design follows from the others."""
    sizes = np.sqrt((x**2).sum(axis=0))
    return bool(sizes.all() and np.linalg.matrix_rank(x / sizes) == x.shape[1])


def _why_not(rows: pd.DataFrame, terms: Sequence[str], coefficients: int) -> str:
    jobs = rows["job_id"].nunique()
    if not terms:
        return "no term is recorded that varies"
    if jobs < LEAST_JOBS:
        return f"areas of {jobs} jobs; limits that rest on jobs need {LEAST_JOBS}"
    if len(rows) < LEAST_A_COEFFICIENT * coefficients:
        return f"{len(rows)} areas for {coefficients} coefficients; {LEAST_A_COEFFICIENT} for each are needed"
    return ""


def _association(rows: pd.DataFrame, column: str, terms: Sequence[str]) -> tuple[pd.DataFrame, float]:
    """Return partial R2, inflation and fellow travellers of each column of the design, and R2 of the whole."""
    design = design_matrix(rows, coding=code_terms(rows, terms=terms))
    x, y = design.to_numpy(dtype=np.float64), rows[column].to_numpy(dtype=np.float64)
    whole = _left_over(x, y)
    found = []
    for place in range(1, x.shape[1]):
        others = np.delete(x, place, axis=1)
        own = x[:, place]
        spread = float(((own - own.mean()) ** 2).sum())
        without = _left_over(others, y)
        inflation = spread / max(_left_over(others, own), 1e-12 * spread)
        found.append(
            {
                "term": design.columns[place],
                "partial_r2": (without - whole) / without if without else np.nan,
                "inflation": inflation,
                "travels_with": _fellows(design.iloc[:, 1:], place - 1) if inflation >= TRAVELS else "",
            }
        )
    total = float(((y - y.mean()) ** 2).sum())
    return pd.DataFrame(found).set_index("term"), 1.0 - whole / total if total else np.nan


def _left_over(x: Floats, y: Floats) -> float:
    """Return the sum of squares of y that least squares on x leaves."""
    return float(((y - x @ np.linalg.lstsq(x, y, rcond=None)[0]) ** 2).sum())


def _fellows(design: pd.DataFrame, place: int) -> str:
    """Return the two columns that go most closely with one."""
    own = design.corr().iloc[place].drop(index=design.columns[place]).abs()
    nearest = own.sort_values(ascending=False, kind="stable").index[:2]
    return ", ".join(map(str, nearest))


def _read(terms: pd.DataFrame, rate: float) -> pd.DataFrame:
    """Return the terms with q and how each reads."""
    q = benjamini_hochberg(terms["p"].to_numpy(dtype="float64"))
    none = np.where(terms["outcome"] == FILM_RATIO, 1.0, 0.0)
    more = terms["estimate"] > none
    reading = pd.Series("not clear", index=terms.index, dtype="str")
    reading = reading.mask(more & (q <= rate), "goes with more wrap").mask(~more & (q <= rate), "goes with less wrap")
    return terms.assign(q=q, reading=reading)
