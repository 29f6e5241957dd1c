"""The whole audit of one dossier: every finding, and what they come to."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from itertools import count

import numpy as np
import pandas as pd

from auditkit.dossier import Dossier
from auditkit.findings.application import ApplicationFindings, find_application
from auditkit.findings.area_outcomes import area_outcomes
from auditkit.findings.as_it_was import runs_as_they_were
from auditkit.findings.before_after import BeforeAfter, find_before_after
from auditkit.findings.causal import CausalFindings, find_causal
from auditkit.findings.causal_diagram import amend_diagram, load_causal_diagram
from auditkit.findings.causes import CauseFindings, find_causes
from auditkit.findings.climate import ClimateFindings, find_climate
from auditkit.findings.delivery import DeliveryFindings, find_delivery
from auditkit.findings.doubt import DoubtFindings, find_doubt
from auditkit.findings.enough import EnoughFindings, find_enough
from auditkit.findings.film import FilmFindings, find_film
from auditkit.findings.gauges import GaugeFindings, find_gauges
from auditkit.findings.item_sampling import ItemSamplingFindings, find_item_sampling
from auditkit.findings.measuring import MeasuringFindings, find_measuring
from auditkit.findings.next_trial import TrialPlan, plan_trial
from auditkit.findings.odd_readings import OddReadings, find_odd_readings
from auditkit.findings.paint import PaintFindings, find_paint
from auditkit.findings.process import ProcessFindings, find_process
from auditkit.findings.replacement import ReplacementFindings, find_replacement
from auditkit.findings.run_pressures import RunPressureFindings, find_run_pressures
from auditkit.findings.trial_spreads import response_spreads
from auditkit.findings.unjudged import find_set_aside, find_unjudged, unlooked_rows
from auditkit.findings.upkeep import UpkeepFindings, find_upkeep
from auditkit.findings.variation import VariationFindings, find_variation
from auditkit.findings.wrap import WrapFindings, find_wrap
from auditkit.findings.wrap_model import WrapModel, find_wrap_model
from auditkit.trade.conditions import Condition, load_conditions, override_windows
from auditkit.trade.defects import ABSENCE, defects_by_run
from auditkit.trade.extent import ExtentMap, map_extent
from auditkit.trade.standing import is_superseded
from auditkit.trade.timeline import Timeline, build_timeline
from auditkit.trade.upkeep_rules import load_upkeep_rules

__all__ = ["SEED", "Findings", "audit"]

SEED = 1
"""Seed of everything drawn at random in an audit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """Everything found in one dossier.

    Parameters
    ----------
    dossier : Dossier
        The records it rests on.
    timeline : Timeline
        Every run with what it met.
    conditions : mapping of str to Condition
        The conditions and windows that were used.
    runs : DataFrame
        The runs of the timeline as they were, see `as_it_was`.
    film, wrap, process, upkeep, causes
        The findings of each topic.
    delivery, pressures, climate, application
        What stands behind the process: delivery, pressure logs, climate
        through the day, how the gun was held and moved.
    replacement, before_after, wrap_model
        When parts pay to be changed, what came before and after each time one
        was put right, and what the wrap goes with.
    enough, gauges, doubt, odd, measuring, variation, extent, paint, sampling
        What stands behind the film verdicts: whether enough was measured, the
        gauges, the probability that a verdict is right, odd readings, the
        measuring system, components and stability, how far a failure reaches,
        paint arithmetic, sampling of many small items.
    causal : CausalFindings or None
        What the defects depend on; None where it was not asked.
    trial : TrialPlan or None
        The next trial, for what the records do not settle; None beside no causes.
    absent_defect_means : str
        What it was taken to mean that a run has no record of a defect.
    not_judged : DataFrame
        What could not be judged: topic, what, n, of, why.
    set_aside : DataFrame
        What was set aside before it could be judged, in the same columns.
    seed : int
        Seed of everything drawn at random.
    """

    dossier: Dossier
    timeline: Timeline
    runs: pd.DataFrame
    conditions: Mapping[str, Condition]
    film: FilmFindings
    enough: EnoughFindings
    gauges: GaugeFindings
    doubt: DoubtFindings
    odd: OddReadings
    measuring: MeasuringFindings
    variation: VariationFindings
    extent: ExtentMap
    paint: PaintFindings
    sampling: ItemSamplingFindings
    wrap: WrapFindings
    wrap_model: WrapModel
    process: ProcessFindings
    delivery: DeliveryFindings
    pressures: RunPressureFindings
    climate: ClimateFindings
    application: ApplicationFindings
    upkeep: UpkeepFindings
    replacement: ReplacementFindings
    before_after: BeforeAfter
    causes: CauseFindings
    causal: CausalFindings | None
    trial: TrialPlan | None
    absent_defect_means: str
    not_judged: pd.DataFrame
    set_aside: pd.DataFrame
    seed: int

    @property
    def breaches(self) -> bool:
        """Whether anything does not conform, stops the work, or was set aside before its safety could be looked at."""
        film = (self.film.by_area["verdict"] == "does not conform").any()
        wrap = (self.wrap.areas["verdict"] == "does not conform").any()
        unlooked = unlooked_rows(self.dossier, "spray_runs") + unlooked_rows(self.dossier, "startup_checks")
        return bool(film or wrap or len(self.process.stop_work) or unlooked)


def audit(
    dossier: Dossier,
    *,
    confidence: float = 0.95,
    false_discovery_rate: float = 0.05,
    seed: int = SEED,
    causes: bool = True,
    on_progress: Callable[[str, int, int], None] | None = None,
    on_log: Callable[[str, int], None] | None = None,
) -> Findings:
    """Return the findings of a dossier.

    Parameters
    ----------
    dossier : Dossier
        The records.
    confidence : float
        Level of every interval.
    false_discovery_rate : float
        Rate held over the table of defects against conditions.
    seed : int
        Seed of everything drawn at random; each topic draws from its own stream.
    causes : bool
        Whether to ask what the defects depend on, which takes most of the time;
        otherwise `causal` is None, and no report can be made of the findings.
    on_progress : callable, optional
        Called as each step starts with its name, its number and how many there
        are.
    on_log : callable, optional
        Called with the name of a pressure log and its rows read so far.

    Raises
    ------
    DeclarationError
        The dossier overrides a condition's window in a way that cannot be.
    """
    tables, zone, own = dossier.tables, dossier.time_zone, dossier.settings["film_limits"]
    conditions, rules = override_windows(load_conditions(), dossier.settings["conditions"]), load_upkeep_rules()
    step = _steps(on_progress, _STEPS + (_CAUSAL_STEPS if causes else 0))
    step("timeline of the runs")
    timeline = build_timeline(tables, time_zone=zone, viscosity_points=dossier.settings["viscosity_points"])
    step("film thickness")
    film = find_film(tables, own_limits=own)
    step("was enough measured")
    enough = find_enough(tables, own_limits=own, confidence=confidence)
    step("gauges")
    gauges = find_gauges(tables, time_zone=zone, confidence=confidence, own_limits=own)
    step("are the verdicts right")
    doubt = find_doubt(tables, film, rng=_stream(seed, 1), confidence=confidence, own_limits=own)
    step("odd readings")
    odd = find_odd_readings(tables, rng=_stream(seed, 2), time_zone=zone)
    measuring = find_measuring(tables, confidence=confidence)
    step("variation and stability")
    variation = find_variation(tables, timeline.runs, rng=_stream(seed, 3), confidence=confidence)
    step("paint and sampling")
    paint = find_paint(tables, timeline, film, rng=_stream(seed, 4), confidence=confidence)
    sampling = find_item_sampling(tables, film, confidence=confidence)
    extent = map_extent(tables["extent_spots"], tables["areas"], tables["jobs"])
    step("wrap, settings and delivery")
    wrap = find_wrap(tables, film.spots, _standing_ratings(tables))
    delivery = find_delivery(timeline.runs)
    climate = find_climate(timeline.runs, conditions=conditions, time_zone=zone)
    application = find_application(timeline.runs, conditions=conditions)
    step("pressure logs")
    pressures = find_run_pressures(
        dossier.settings["pressure_logs"],
        timeline.runs,
        window=conditions.get("pot_kpa"),
        on_progress=on_log,
    )
    step("state of upkeep at each run")
    upkeep = find_upkeep(timeline, tables["maintenance"], units=tables["units"], rules=rules, confidence=confidence)
    runs = runs_as_they_were(timeline.runs, delivery, upkeep.states)
    process = find_process(replace(timeline, runs=runs), tables, conditions=conditions)
    step("replacement, before and after")
    declared = dossier.settings["absent_defect_means"]
    absent = ABSENCE[1] if tables["defects"].empty else declared or ABSENCE[0]
    run_defects = defects_by_run(tables["defects"], timeline.runs, absent=absent)
    replacement = find_replacement(
        pd.concat([upkeep.lives.lives, upkeep.lives.unknown], ignore_index=True),
        timeline.runs,
        costs=dossier.settings["replacement_costs"],
        rng=_stream(seed, 5),
        confidence=confidence,
        least_failures=rules.least_failures,
    )
    of_areas = area_outcomes(wrap.areas, tables["jobs"])
    before_after = find_before_after(
        runs,
        tables["maintenance"],
        of_areas,
        run_defects.found,
        confidence=confidence,
        false_discovery_rate=false_discovery_rate,
    )
    wrap_model = find_wrap_model(wrap.areas, runs, confidence=confidence, false_discovery_rate=false_discovery_rate)
    step("defects against conditions")
    diagram = amend_diagram(load_causal_diagram(), dossier.settings["causal_diagram"], columns=runs.columns)
    associated = find_causes(
        runs,
        run_defects,
        conditions=conditions,
        confidence=confidence,
        false_discovery_rate=false_discovery_rate,
    )
    causal, trial = None, None
    if causes:
        causal = find_causal(
            runs,
            run_defects.found,
            ratings=tables["defects"],
            areas=wrap.areas.merge(tables["areas"][["area_id", "size_m2"]], on="area_id", how="left"),
            diagram=diagram,
            conditions=conditions,
            rng=_stream(seed, 6),
            confidence=confidence,
            false_discovery_rate=false_discovery_rate,
            on_progress=step,
        )
        step("next trial")
        trial = _next_trial(causal, runs, conditions, tables, variation, seed=seed)
    return Findings(
        dossier=dossier,
        timeline=timeline,
        runs=runs,
        conditions=conditions,
        film=film,
        enough=enough,
        gauges=gauges,
        doubt=doubt,
        odd=odd,
        measuring=measuring,
        variation=variation,
        extent=extent,
        paint=paint,
        sampling=sampling,
        wrap=wrap,
        wrap_model=wrap_model,
        process=process,
        delivery=delivery,
        pressures=pressures,
        climate=climate,
        application=application,
        upkeep=upkeep,
        replacement=replacement,
        before_after=before_after,
        causes=associated,
        causal=causal,
        trial=trial,
        absent_defect_means=absent,
        not_judged=find_unjudged(
            film=film, gauges=gauges, wrap=wrap, process=process, causes=associated, absent=declared
        ),
        set_aside=find_set_aside(dossier),
        seed=seed,
    )


def _standing_ratings(tables: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Return the wrap ratings that are of the film that is there."""
    ratings = tables["wrap_observations"]
    return ratings[~is_superseded(ratings, tables["spray_runs"], time="observed_at")]


def _next_trial(
    causal: CausalFindings,
    runs: pd.DataFrame,
    conditions: Mapping[str, Condition],
    tables: Mapping[str, pd.DataFrame],
    variation: VariationFindings,
    *,
    seed: int,
) -> TrialPlan:
    spreads = response_spreads(tables, components=variation.components)
    return plan_trial(causal.table, runs, conditions, seed=seed, spreads=spreads)


def _stream(seed: int, topic: int) -> np.random.Generator:
    """Return the random stream of one topic, which no other topic's draws disturb."""
    return np.random.default_rng([seed, topic])


_STEPS = 13
_CAUSAL_STEPS = 7


def _steps(on_progress: Callable[[str, int, int], None] | None, total: int) -> Callable[[str], None]:
    """Return a function to be called as each step starts, which counts them."""
    counter = count(1)

    def step(name: str) -> None:
        if on_progress is not None:
            on_progress(name, next(counter), total)

    return step
