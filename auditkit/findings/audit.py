"""The whole audit of one dossier: every finding, and what they come to."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import count

import pandas as pd

from auditkit.dossier import Dossier
from auditkit.findings.causes import CauseFindings, find_causes
from auditkit.findings.film import FilmFindings, find_film
from auditkit.findings.process import ProcessFindings, find_process
from auditkit.findings.unjudged import find_unjudged
from auditkit.findings.upkeep import UpkeepFindings, find_upkeep
from auditkit.findings.wrap import WrapFindings, find_wrap
from auditkit.trade.conditions import Condition, load_conditions, override_windows
from auditkit.trade.defects import ABSENCE, defects_by_run
from auditkit.trade.standing import is_superseded
from auditkit.trade.timeline import Timeline, build_timeline

__all__ = ["Findings", "audit"]


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
    absent_defect_means : str
        What it was taken to mean that a run has no record of a defect.
    not_judged : DataFrame
        What could not be judged: topic, what, n, of, why.
    """

    dossier: Dossier
    timeline: Timeline
    conditions: Mapping[str, Condition]
    film: FilmFindings
    wrap: WrapFindings
    process: ProcessFindings
    upkeep: UpkeepFindings
    causes: CauseFindings
    absent_defect_means: str
    not_judged: pd.DataFrame

    @property
    def breaches(self) -> bool:
        """Whether anything does not conform to its specification, or stops the work."""
        film = (self.film.by_area["verdict"] == "does not conform").any()
        wrap = (self.wrap.areas["verdict"] == "does not conform").any()
        return bool(film or wrap or len(self.process.stop_work))


def audit(
    dossier: Dossier,
    *,
    confidence: float = 0.95,
    false_discovery_rate: float = 0.05,
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
    on_progress : callable, optional
        Called as each step starts with its name, its number and how many there
        are.

    Raises
    ------
    DeclarationError
        The dossier overrides a condition's window in a way that cannot be.
    """
    conditions = override_windows(load_conditions(), dossier.settings["conditions"])
    step = _steps(on_progress)
    step("timeline of the runs")
    timeline = build_timeline(dossier.tables, time_zone=dossier.time_zone)
    step("film thickness")
    film = find_film(dossier.tables)
    step("wrap")
    observations = dossier.tables["wrap_observations"]
    standing = ~is_superseded(observations, dossier.tables["spray_runs"], time="observed_at")
    wrap = find_wrap(dossier.tables, film.spots, observations[standing])
    step("settings and upkeep")
    process = find_process(timeline, dossier.tables, conditions=conditions)
    upkeep = find_upkeep(timeline, dossier.tables["maintenance"])
    step("defects against conditions")
    declared = dossier.settings["absent_defect_means"] or ABSENCE[0]
    absent = ABSENCE[1] if dossier.tables["defects"].empty else declared
    run_defects = defects_by_run(dossier.tables["defects"], timeline.runs, absent=absent)
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
        wrap=wrap,
        process=process,
        upkeep=upkeep,
        causes=causes,
        absent_defect_means=absent,
        not_judged=find_unjudged(film, wrap, process, causes, absent=dossier.settings["absent_defect_means"]),
    )


_STEPS = 5


def _steps(on_progress: Callable[[str, int, int], None] | None) -> Callable[[str], None]:
    """Return a function to be called as each step starts, which counts them."""
    counter = count(1)

    def step(name: str) -> None:
        if on_progress is not None:
            on_progress(name, next(counter), _STEPS)

    return step
