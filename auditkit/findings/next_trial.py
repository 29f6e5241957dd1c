"""The next trial: a small designed experiment on test panels, in safe windows, for what the records cannot tell."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from auditkit.findings.trial_questions import open_questions, severity_of, trial_answers, wanted_conditions
from auditkit.findings.trial_spreads import SPREADS, WHOLE_PLOT_SHARE, PowerSetup, power_of_plan, sees_all
from auditkit.findings.typed_columns import typed_frame
from auditkit.stats.threads import one_thread
from auditkit.stats.trials import Factorial, alias_table, decoded, fractional_factorial, run_plan
from auditkit.trade.conditions import Condition, load_conditions
from auditkit.trade.grounding import CAUTIONS
from auditkit.trade.trial_levels import TrialLevels, trial_levels

__all__ = ["TRIAL_CAUTIONS", "TrialPlan", "plan_trial"]

TRIAL_CAUTIONS: tuple[str, ...] = (
    "Spray grounded test panels, not the customer's work. Every start-up item holds before every day of the trial.",
    "Grounds are never varied. Measure part and operator to earth before every panel; out of limit means stop work.",
    "Change unit parts with the supply locked off and the unit discharged as the maker's manual says.",
    "No setting leaves its window. If one cannot be held, do not spray that panel: write why, and go on to the next.",
)
"""Carried by the plan beside `grounding.CAUTIONS`."""

_GENERATORS: dict[int, dict[int, tuple[int, ...]]] = {1: {}, 2: {}, 3: {}, 4: {3: (0, 1, 2)}, 5: {4: (0, 1, 2, 3)}}
"""By number of factors: smallest fraction that keeps every factor clear of pairs of others. Montgomery (2013), 8.14."""

_MOST_DEFECTS = 4
_READINGS = {"facing_um": 3, "reverse_um": 3, "wrap_pct": 1}
_RESPONSES = (
    ("facing_um", "Film, facing side", "um", 0.0, 2000.0, 3),
    ("reverse_um", "Film, reverse side", "um", 0.0, 2000.0, 3),
    ("wrap_pct", "Wrap, reverse covered", "pct", 0.0, 100.0, 1),
)
_FACTORS = {
    **dict.fromkeys(("factor", "title", "unit"), "str"),
    **dict.fromkeys(("low", "high", "middle", "recorded_low", "recorded_high"), "float64"),
    "hard": "bool",
    **dict.fromkeys(("how", "source"), "str"),
}
_RESPONSE_KINDS = {
    **dict.fromkeys(("response", "title", "unit"), "str"),
    **dict.fromkeys(("low", "high"), "float64"),
    "readings": "int64",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialPlan:
    """A planned trial.

    Parameters
    ----------
    questions : DataFrame
        One row a defect, condition and side that the records do not settle:
        those three, grade, asked (whether the trial tries it), answer (what
        the trial can say of it, or why it is not tried).
    factors : DataFrame
        factor (condition), title, unit, low, high, middle (missing where it
        cannot be set), recorded_low, recorded_high (5 and 95 % of the runs),
        hard (to change), how, source.
    held : DataFrame
        The same columns: what could have been a factor and is held at its
        middle, or its low level where the middle cannot be set.
    responses : DataFrame
        What is measured on each panel: response, title, unit, low, high
        (of what may be written), readings.
    plan : DataFrame
        One row a run in the order to make them: run_id, run, day, crew,
        whole_plot, replicate, block, point, then each factor in its own unit.
    coded : DataFrame
        The same, factors from -1 to +1.
    aliases : DataFrame
        effect, aliased_with.
    power : DataFrame
        See `trial_spreads.power_of_plan`.
    design : str
        In words.
    resolution : int or None
        None for a full factorial.
    seed : int
        Seed of the order and of the simulated power.
    n, excluded : int
        Questions that are tried, and that are not.
    cautions : tuple of str
    method : str
    why : str
        Why nothing could be planned; blank where it was.
    """

    questions: pd.DataFrame
    factors: pd.DataFrame
    held: pd.DataFrame
    responses: pd.DataFrame
    plan: pd.DataFrame
    coded: pd.DataFrame
    aliases: pd.DataFrame
    power: pd.DataFrame
    design: str
    resolution: int | None
    seed: int
    n: int
    excluded: int
    cautions: tuple[str, ...]
    method: str
    why: str


def plan_trial(
    questions: pd.DataFrame,
    runs: pd.DataFrame,
    conditions: Mapping[str, Condition],
    *,
    seed: int,
    spreads: pd.DataFrame | None = None,
    crews: Sequence[str] | None = None,
    most_runs: int = 32,
    runs_per_day: int = 12,
    most_factors: int = 4,
    simulations: int = 1000,
) -> TrialPlan:
    """Return a trial that would tell what the records cannot.

    Parameters
    ----------
    questions : DataFrame
        Graded causes: defect, condition, side, grade; where there, rank
        (from 1), risk_observed `[-]` and not_separable_from (tuple of
        (condition, side), whose conditions are tried as well). Rows of other
        grades than 'not separable from', 'leaning' and 'cannot tell' are passed over.
    runs : DataFrame
        Runs of the timeline; the conditions' columns and operator_id are used.
    conditions : mapping of str to Condition
        Conditions and windows. A window wider than the shipped one is taken
        as the shipped one.
    seed : int
        Seed of the order of runs and of the simulated power.
    spreads : DataFrame, optional
        From `trial_spreads.response_spreads`; without them no power is told.
    crews : sequence of str, optional
        Who sprays, day by day in turn; left out, the operators of the records.
    most_runs, runs_per_day, most_factors : int
        Most panels in all, on one day, and factors (up to 5).
    simulations : int
        Trials simulated for each power.

    Returns
    -------
    TrialPlan
        As many replicates as each measured response needs to be seen with a
        chance of `trial_spreads.POWER`, two at least and as many as `most_runs` allows at
        most. Where there is nothing to try, or no room, `why` says so.

    Raises
    ------
    ValueError
        A column of `questions` is missing, or a number is out of range.

    Examples
    --------
    >>> rows = pd.DataFrame({"defect": ["dry spray", "crater"], "condition": ["standoff_mm", "part_ground_ohm"],
    ...                      "side": ["above", "above"], "grade": ["leaning", "cannot tell"]})
    >>> plan = plan_trial(rows, pd.DataFrame({"standoff_mm": [180.0]}), load_conditions(), seed=1)
    >>> plan.factors[["factor", "low", "high"]].values.tolist(), plan.questions["asked"].tolist()
    ([['standoff_mm', 160.0, 190.0]], [True, False])
    """
    _check(questions, most_runs, runs_per_day, most_factors, simulations)
    ranked = open_questions(questions)
    shipped = load_conditions()
    levels = {
        name: trial_levels(_narrowest(condition, shipped.get(name)))
        for name, condition in conditions.items()
        if name in shipped or condition.has_window
    }
    wanted = [name for name in wanted_conditions(ranked) if name in levels and not levels[name].why]
    fit = _fit(wanted[:most_factors], levels, most_runs, runs_per_day)
    if fit is None:
        why = (
            "no condition in question can be set to two levels inside its window"
            if not wanted
            else f"two replicates do not fit into {most_runs} runs of at most {runs_per_day} a day; allow more"
        )
        return _none(
            trial_answers(ranked, factors=(), levels=levels, otherwise=why),
            seed=seed,
            why=why if len(ranked) else "nothing is left open",
        )
    names, centre, most_replicates = fit
    factors = _factor_frame(names, levels, runs)
    hard = [name for name in names if levels[name].hard]
    whole_plots = bool(hard) and len(hard) < len(names)
    design = _design(names)
    asked = trial_answers(
        ranked, factors=names, levels=levels, otherwise=f"another trial can; this one has room for {len(names)} factors"
    )
    defects = list(dict.fromkeys(asked.loc[asked["asked"], "defect"]))[:_MOST_DEFECTS]
    responses = _response_frame(defects)
    seen = typed_frame(spreads if spreads is not None else [], SPREADS)
    own_crews = _operators(runs) if crews is None else list(crews)

    def planned(replicates: int) -> pd.DataFrame:
        per_replicate = len(design.runs) + centre
        per_day = min(runs_per_day // per_replicate, -(-replicates // 2))
        frame = run_plan(
            design,
            rng=np.random.default_rng([seed, 0]),
            replicates=replicates,
            centre_runs=centre,
            hard_to_change=hard if whole_plots else (),
        )
        return _with_days(frame, per_day=per_day, crews=own_crews)

    setup = PowerSetup(factors=tuple(names), readings=_READINGS, whole_plots=whole_plots, seed=seed)
    with one_thread():
        replicates = _enough(lambda count: sees_all(planned(count), seen, setup=setup), most_replicates)
        coded = planned(replicates)
        power = power_of_plan(coded, seen, setup=setup, risks=_risks(ranked, defects), simulations=simulations)
    low_high = {name: (levels[name].low, levels[name].high) for name in names}
    plan = decoded(coded.astype(dict.fromkeys(names, "float64")), levels=low_high)
    ids = _run_ids(plan)
    coded, plan = (_led_by_id(frame, ids, names) for frame in (coded, plan))
    held = [name for name in levels if name not in names and not levels[name].why]
    size = f"{len(design.runs)} settings, {replicates} times"
    return TrialPlan(
        questions=asked,
        factors=factors,
        held=_factor_frame(held, levels, runs),
        responses=responses,
        plan=plan,
        coded=coded,
        aliases=alias_table(design),
        power=power,
        design=(
            f"{'full factorial' if design.resolution is None else f'fraction of resolution {design.resolution}'} of "
            f"{len(names)} {'factor' if len(names) == 1 else 'factors'} at two levels: {size}"
            + (f", {int((coded['point'] == 'centre').sum())} runs at the middle" if centre else "")
        ),
        resolution=design.resolution,
        seed=seed,
        n=int(asked["asked"].sum()),
        excluded=int((~asked["asked"]).sum()),
        cautions=(*CAUTIONS, *TRIAL_CAUTIONS),
        method=_method(hard, whole_plots=whole_plots, centre=centre, days=int(coded["block"].nunique()), seed=seed),
        why="",
    )


def _check(questions: pd.DataFrame, most_runs: int, runs_per_day: int, most_factors: int, simulations: int) -> None:
    absent = [name for name in ("defect", "condition", "side", "grade") if name not in questions.columns]
    if absent:
        raise ValueError(f"questions must have the columns defect, condition, side and grade; {absent} are not there")
    if min(most_runs, runs_per_day, simulations) < 1 or not 1 <= most_factors <= max(_GENERATORS):
        raise ValueError(
            f"runs and simulations from 1 and 1 to {max(_GENERATORS)} factors are needed; given most_runs {most_runs}, "
            f"runs_per_day {runs_per_day}, most_factors {most_factors}, simulations {simulations}"
        )


def _narrowest(condition: Condition, shipped: Condition | None) -> Condition:
    """Return the condition with what its own and the shipped window both allow."""
    if shipped is None:
        return condition
    lows = [low for low in (condition.low, shipped.low) if low is not None]
    highs = [high for high in (condition.high, shipped.high) if high is not None]
    return replace(
        condition,
        low=max(lows, default=None),
        high=min(highs, default=None),
        stop_work=condition.stop_work or shipped.stop_work,
        limit_is_outside=condition.limit_is_outside or shipped.limit_is_outside,
    )


def _fit(
    wanted: Sequence[str], levels: Mapping[str, TrialLevels], most_runs: int, runs_per_day: int
) -> tuple[list[str], int, int] | None:
    """Return the factors that fit, hard ones first, runs at the middle of a replicate, and replicates at most."""
    for count in range(len(wanted), 0, -1):
        names = sorted(wanted[:count], key=lambda name: not levels[name].hard)
        middle = all(not np.isnan(levels[name].middle) and not levels[name].hard for name in names)
        for centre in (1, 0) if middle else (0,):
            size = len(_design(names).runs) + centre
            if size <= runs_per_day and 2 * size <= most_runs:
                return names, centre, most_runs // size
    return None


def _design(names: Sequence[str]) -> Factorial:
    generators = _GENERATORS[len(names)]
    made = {names[place]: [names[part] for part in parts] for place, parts in generators.items()}
    return fractional_factorial(names, generators=made)


def _enough(sees: Callable[[int], bool], most: int) -> int:
    """Return the least number of replicates at which every measured response is seen, or as many as fit."""
    if not sees(most):
        return most
    return next(replicates for replicates in range(2, most + 1) if sees(replicates))


def _with_days(frame: pd.DataFrame, *, per_day: int, crews: Sequence[str]) -> pd.DataFrame:
    """Return the plan in blocks of a day and a crew, whole replicates in each."""
    day = (frame["replicate"] - 1) // per_day + 1
    crew = [crews[(number - 1) % len(crews)] if crews else "" for number in day]
    return frame.assign(block=day, day=day, crew=pd.Series(crew, index=frame.index, dtype="str"))


def _operators(runs: pd.DataFrame) -> list[str]:
    if "operator_id" not in runs:
        return []
    counts = runs["operator_id"].dropna().astype("str").value_counts()
    return sorted(counts.index, key=lambda name: (-int(counts[name]), name))


def _risks(ranked: pd.DataFrame, defects: Sequence[str]) -> dict[str, float]:
    if "risk_observed" not in ranked:
        return dict.fromkeys(defects, float("nan"))
    first = ranked.dropna(subset=["risk_observed"]).drop_duplicates("defect").set_index("defect")["risk_observed"]
    return {defect: float(first.get(defect, np.nan)) for defect in defects}


def _run_ids(plan: pd.DataFrame) -> list[str]:
    """Return an id a run that no other plan has, so that a sheet of another trial is not taken for this one's."""
    mark = hashlib.sha256(plan.to_csv(index=False).encode()).hexdigest()[:4].upper()
    return [f"T{mark}-{number:02d}" for number in plan["run"]]


def _led_by_id(frame: pd.DataFrame, ids: Sequence[str], names: Sequence[str]) -> pd.DataFrame:
    out = frame.assign(run_id=pd.Series(ids, index=frame.index, dtype="str"))
    return out[["run_id", "run", "day", "crew", "whole_plot", "replicate", "block", "point", *names]]


def _factor_frame(names: Sequence[str], levels: Mapping[str, TrialLevels], runs: pd.DataFrame) -> pd.DataFrame:
    rows = []
    for name in names:
        known = runs[name].dropna().astype("float64") if name in runs else pd.Series(dtype="float64")
        low, high = known.quantile([0.05, 0.95]) if len(known) else (np.nan, np.nan)
        found = levels[name]
        rows.append(
            {field: getattr(found, field) for field in ("title", "unit", "low", "high", "middle", "hard", "how")}
            | {"factor": name, "recorded_low": low, "recorded_high": high, "source": found.source}
        )
    return typed_frame(rows, _FACTORS)


def _response_frame(defects: Sequence[str]) -> pd.DataFrame:
    rows = [dict(zip(_RESPONSE_KINDS, row, strict=True)) for row in _RESPONSES]
    rows += [
        dict(zip(_RESPONSE_KINDS, (severity_of(name), f"{name.capitalize()} (0 to 5)", "", 0, 5, 1), strict=True))
        for name in defects
    ]
    return typed_frame(rows, _RESPONSE_KINDS)


def _method(hard: Sequence[str], *, whole_plots: bool, centre: int, days: int, seed: int) -> str:
    parts = [
        "Both levels of each factor lie inside its window (the narrower of the declared and the shipped one), away "
        "from its ends by what a setting may stray, on steps a crew can set. Grounds are never a factor.",
        f"Order drawn at random from seed {seed}; blocked by day and crew, {days} days with whole replicates in each; "
        "a day's crew is part of its block, so crews are not compared.",
        "A run is one panel set up anew; readings on one panel are no replicates.",
    ]
    if whole_plots:
        parts.append(
            f"Hard to change: {', '.join(hard)}, set once for a group of runs and set anew for the next, even to the "
            f"same level; what that adds is taken as {WHOLE_PLOT_SHARE:g} of the spread between runs (own default)."
        )
    elif hard:
        parts.append(f"Hard to change: {', '.join(hard)}; it must be set anew for every run, even to the same level.")
    if not centre:
        parts.append("No runs at the middle, so that a bend between the levels cannot be seen.")
    parts.append(
        "Power from simulated trials with the spread between areas of a job and between readings, as recorded: an "
        "upper estimate of what panels will show. Replicates are as few as see every measured response, where they fit."
    )
    return " ".join(parts)


def _none(questions: pd.DataFrame, *, seed: int, why: str) -> TrialPlan:
    empty = pd.DataFrame({"run_id": pd.Series(dtype="str")})
    return TrialPlan(
        questions=questions,
        factors=typed_frame([], _FACTORS),
        held=typed_frame([], _FACTORS),
        responses=_response_frame([]),
        plan=empty,
        coded=empty,
        aliases=pd.DataFrame({"effect": pd.Series(dtype="str"), "aliased_with": pd.Series(dtype="str")}),
        power=typed_frame([], {"response": "str", "effect": "str", "power": "float64", "why": "str"}),
        design="none",
        resolution=None,
        seed=seed,
        n=0,
        excluded=len(questions),
        cautions=(*CAUTIONS, *TRIAL_CAUTIONS),
        method="No trial was planned.",
        why=why,
    )
