"""The whole audit of one dossier: every finding, and what they come to."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import count

import numpy as np
import pandas as pd

from auditkit.dossier import Dossier
from auditkit.findings.causes import CauseFindings, find_causes
from auditkit.findings.doubt import DoubtFindings, find_doubt
from auditkit.findings.enough import EnoughFindings, find_enough
from auditkit.findings.film import FilmFindings, find_film
from auditkit.findings.gauges import GaugeFindings, find_gauges
from auditkit.findings.item_sampling import ItemSamplingFindings, find_item_sampling
from auditkit.findings.measuring import MeasuringFindings, find_measuring
from auditkit.findings.odd_readings import OddReadings, find_odd_readings
from auditkit.findings.paint import PaintFindings, find_paint
from auditkit.findings.process import ProcessFindings, find_process
from auditkit.findings.unjudged import find_set_aside, find_unjudged, unlooked_rows
from auditkit.findings.upkeep import UpkeepFindings, find_upkeep
from auditkit.findings.variation import VariationFindings, find_variation
from auditkit.findings.wrap import WrapFindings, find_wrap
from auditkit.trade.conditions import Condition, load_conditions, override_windows
from auditkit.trade.defects import ABSENCE, defects_by_run
from auditkit.trade.extent import ExtentMap, map_extent
from auditkit.trade.standing import is_superseded
from auditkit.trade.timeline import Timeline, build_timeline

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
    film, wrap, process, upkeep, causes
        The findings of each topic.
    enough, gauges, doubt, odd, measuring, variation, extent, paint, sampling
        What stands behind the film verdicts: whether enough was measured, the
        gauges, the probability that a verdict is right, odd readings, the
        measuring system, components and stability, how far a failure reaches,
        paint arithmetic, sampling of many small items.
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
    process: ProcessFindings
    upkeep: UpkeepFindings
    causes: CauseFindings
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
    on_progress: Callable[[str, int, int], None] | None = None,
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
    on_progress : callable, optional
        Called as each step starts with its name, its number and how many there
        are.

    Raises
    ------
    DeclarationError
        The dossier overrides a condition's window in a way that cannot be.
    """
    tables, zone, own = dossier.tables, dossier.time_zone, dossier.settings["film_limits"]
    conditions = override_windows(load_conditions(), dossier.settings["conditions"])
    step = _steps(on_progress)
    step("timeline of the runs")
    timeline = build_timeline(tables, time_zone=zone)
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
    step("wrap, settings and upkeep")
    standing = ~is_superseded(tables["wrap_observations"], tables["spray_runs"], time="observed_at")
    wrap = find_wrap(tables, film.spots, tables["wrap_observations"][standing])
    process = find_process(timeline, tables, conditions=conditions)
    upkeep = find_upkeep(timeline, tables["maintenance"])
    step("defects against conditions")
    declared = dossier.settings["absent_defect_means"]
    absent = ABSENCE[1] if tables["defects"].empty else declared or ABSENCE[0]
    run_defects = defects_by_run(tables["defects"], timeline.runs, absent=absent)
    causes = find_causes(
        timeline.runs,
        run_defects,
        conditions=conditions,
        confidence=confidence,
        false_discovery_rate=false_discovery_rate,
    )
    return Findings(
        dossier=dossier,
        timeline=timeline,
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
        process=process,
        upkeep=upkeep,
        causes=causes,
        absent_defect_means=absent,
        not_judged=find_unjudged(film=film, gauges=gauges, wrap=wrap, process=process, causes=causes, absent=declared),
        set_aside=find_set_aside(dossier),
        seed=seed,
    )


def _stream(seed: int, topic: int) -> np.random.Generator:
    """Return the random stream of one topic, which no other topic's draws disturb."""
    return np.random.default_rng([seed, topic])


_STEPS = 10


def _steps(on_progress: Callable[[str, int, int], None] | None) -> Callable[[str], None]:
    """Return a function to be called as each step starts, which counts them."""
    counter = count(1)

    def step(name: str) -> None:
        if on_progress is not None:
            on_progress(name, next(counter), _STEPS)

    return step
