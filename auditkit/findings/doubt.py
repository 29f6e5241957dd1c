"""How sure a film verdict is: the probability that it is right, given what gauges and spots can know.

References
----------
.. [1] JCGM 106:2012, Evaluation of measurement data - The role of measurement uncertainty in conformity assessment.
.. [2] JCGM 100:2008, Guide to the expression of uncertainty in measurement (GUM).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from auditkit.findings.budget import GAUGE_FROM, Spread, film_budgets, gauge_errors, side_spreads
from auditkit.findings.film import FilmFindings
from auditkit.findings.standing_readings import standing_readings
from auditkit.findings.true_film import (
    ENOUGH_AREAS,
    LEAST_AREAS,
    Limits,
    area_variance,
    draw_film,
    film_places,
    gauge_biases,
    judged_readings,
    side_limits,
    side_probabilities,
    spot_probabilities,
    typical_repeat_pct,
)
from auditkit.findings.typed_columns import typed_frame
from auditkit.findings.verdict_risks import verdict_risks
from auditkit.stats.rows import check_confidence
from auditkit.trade.film_own import read_own_limits
from auditkit.trade.film_rules import FilmRules, load_film_rules

__all__ = ["DoubtFindings", "find_doubt"]

NO_CHECKS = "a gauge it was measured with has no checks: its tolerance is not on record"
ZERO_ONLY = "a gauge it was measured with has no check above 0, so nothing is known of what it reads of a film"
GAUGE_IN_DOUBT = "gauge in doubt: a check beside its readings failed, so the probability does not hold"

_KEY = ["area_id", "side"]
_SIDES = {
    "area_id": "str",
    "job_id": "str",
    "side": "str",
    "verdict": "str",
    "probability_conforms": "float64",
    "probability_right": "float64",
    "doubtful": "boolean",
    "guarded_verdict": "str",
    "prior": "str",
    "n_spots": "int64",
    "n_readings": "int64",
    "suspect_readings": "int64",
    "reason": "str",
}
_SPOTS = {
    "area_id": "str",
    "job_id": "str",
    "side": "str",
    "part": "int64",
    "spot": "int64",
    "n": "int64",
    "film_um": "float64",
    "standard_uncertainty_um": "float64",
    "low_um": "float64",
    "high_um": "float64",
    "probability_conforms": "float64",
    "probability_given_area": "float64",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class DoubtFindings:
    """How sure the film verdicts are.

    Parameters
    ----------
    sides : DataFrame
        One row an area and side, sorted: area_id, job_id, side, verdict,
        probability_conforms (of the film, in the draws), probability_right (of
        the verdict given), doubtful (probability_conforms within the band),
        guarded_verdict, prior ('normal, fitted to the groups', 'normal, its spread given' or 'flat'),
        n_spots, n_readings, suspect_readings, reason (why there is no
        probability, or why it does not hold: 'gauge in doubt ...'; else blank).
    spots : DataFrame
        One row a spot: area_id, job_id, side, part, spot, n, film_um (reading
        less correction), standard_uncertainty_um `[um]`, low_um, high_um (its
        limits, infinite where none), probability_conforms (from this spot
        alone, nothing known beforehand: JCGM 106, 7), probability_given_area
        (in the draws, knowing the other spots). NaN where the spot has too few
        readings to count or no limits.
    budget : DataFrame
        Columns `budget.BUDGET`: job_id, side, gauge_id, source,
        standard_uncertainty_um, df, contribution_pct, basis.
    uncertainty : DataFrame
        Columns `budget.TOTALS`: the budgets added up.
    spread : DataFrame
        job_id, side, place_sd_um, place_df, reading_sd_um, reading_df, basis.
    risks : DataFrame
        One row a job and side: n_accepted, n_rejected (sides with a verdict and
        a probability); accepted_wrongly, rejected_wrongly (expected number, from
        the draws), consumer_pct, producer_pct (as a share of those accepted,
        of those rejected; the latter two NaN under a flat prior, see Notes);
        population_mean_um, population_sd_um (of the areas'
        true means), mean_uncertainty_um, consumer_mean_pct, producer_mean_pct
        (global risks of the test on the mean alone, as a share of all sides,
        JCGM 106, 9.5), reason.
    n, excluded : int
        Sides with a probability of conforming, and without.
    n_judged : int
        Sides with a verdict and the probability that it is right.
    method : str
        What was done, in words.
    settings : mapping
        What it was done with.
    """

    sides: pd.DataFrame
    spots: pd.DataFrame
    budget: pd.DataFrame
    uncertainty: pd.DataFrame
    spread: pd.DataFrame
    risks: pd.DataFrame
    n: int
    excluded: int
    n_judged: int
    method: str
    settings: Mapping[str, object]


def find_doubt(
    tables: Mapping[str, pd.DataFrame],
    film: FilmFindings,
    *,
    rng: np.random.Generator,
    draws: int = 2000,
    gauge_from: str = "tolerance",
    profile_doubt: bool = True,
    guard: float = 0.95,
    band: tuple[float, float] = (0.05, 0.95),
    confidence: float = 0.95,
    rules: FilmRules | None = None,
    own_limits: Mapping[str, Mapping[str, object]] | None = None,
) -> DoubtFindings:
    """Return the probability that each film verdict is right, and where the doubt comes from.

    Films that might be true are drawn under the readings: an error common to
    all readings of a gauge, the doubt of its standard, the doubt of the
    correction for profile, repeats, and where the spots happened to lie. Each
    drawn film is put to the tests of the rule; the share that passes is the
    probability that the film conforms. The test on the mean is put to the mean
    of the whole part or side, the tests on spots, single readings and their
    share to the film at the places that were measured.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        The accepted tables; jobs, areas, film_readings, spray_runs and
        gauge_checks are used. Readings of a film since sprayed over are left out.
    film : FilmFindings
        The verdicts.
    rng : Generator
        Seeded by the caller.
    draws : int
        Films drawn for each side.
    gauge_from : {'tolerance', 'checks'}
        What the gauge's error is learnt from: its stated tolerance, taken as
        rectangular, or the root mean square error of its checks.
    profile_doubt : bool
        Whether ISO 19840's correction is itself in doubt, by
        `trade.film_limits.correction_half_width_um`; otherwise it is a figure
        by agreement.
    guard : float
        Least probability for the guarded verdict 'conforms' (JCGM 106, 8.3.2).
        A side with suspect readings is not shown to conform in any case.
    band : (float, float)
        Probability of conforming between which a side is doubtful.
    confidence : float
        Of the expanded uncertainty.
    rules : FilmRules, optional
        Left out, the rules that ship with the package.
    own_limits : mapping of job_id to mapping, optional
        Limits of jobs judged by a rule of their own.

    Raises
    ------
    ValueError
        An option is out of its range.

    Notes
    -----
    The areas of a job and side are taken as drawn from one normal population,
    fitted to them, where there are five or more; with two to four its spread is
    taken from all jobs, as a share of the film, or, where those have fewer than
    4 degrees of freedom between areas, fitted from three areas on; otherwise
    nothing is held known beforehand (flat); the level of a job as a whole is held unknown in
    either case. In 20,000 simulated areas (jobs of 20, a gauge a job within
    3 %) the share that truly conformed lay within 0.035 of the mean probability
    in every tenth, and of those given 90 to 95 % (mean 92.6 %) 93.4 % conformed.
    Two conditions go with that: jobs differ in level by more than a gauge can
    err (with gauges within 6 % and every job at the same level just inside the
    limit, areas conformed more often than said); and the prior is fitted. A
    flat one is calibrated only where areas differ by much more than their means
    are uncertain. The error of a gauge, and that of a correction for profile, is
    taken as common to all areas of the job it enters; where two gauges read one
    job their errors are drawn apart, which makes the population a little wider
    than it is. Readings of a gauge that failed a check are drawn like the
    others, so their probability holds only if the gauge was within tolerance;
    the guarded verdict does not rest on it. Below five areas a job's level is
    little known and held unknown beforehand, so probabilities are still a
    little low: over 1,200 simulated areas in jobs of two to four, near their
    limit, 2 to 4 hundredths on the mean, with 0.65 to 0.85 of the sides
    wrongly rejected and 1.2 to 1.6 times those wrongly accepted expected.

    References
    ----------
    [1]_ sections 7 to 9, [2]_ of the module.
    """
    _check(draws=draws, gauge_from=gauge_from, guard=guard, band=band, confidence=confidence)
    rules = rules or load_film_rules()
    limits, half_widths = side_limits(tables, film.areas, rules=rules, own=read_own_limits(own_limits or {}))
    readings = judged_readings(standing_readings(tables), film.areas, limits)
    places = film_places(readings, film.areas, half_widths if profile_doubt else {})
    gauges = gauge_errors(tables["gauge_checks"])
    spreads = side_spreads(readings, repeat_pct=typical_repeat_pct(gauges))
    budget, totals = film_budgets(places, gauges, spreads, gauge_from=gauge_from, confidence=confidence)
    biases = gauge_biases(gauges, gauge_from=gauge_from, draws=draws, rng=rng)
    checked = places[places["gauge_id"].isin(list(biases))]
    between_areas = area_variance(checked, spreads, draws=draws, rng=rng)
    found: dict[tuple[str, str], tuple[float, str]] = {}
    spot_rows: list[pd.DataFrame] = []
    populations: dict[tuple[str, str], tuple[float, float]] = {}
    for (job, side), own in checked.groupby(["job_id", "side"], sort=True):
        spread = spreads[str(job), str(side)]
        if math.isnan(spread.place_sd_um):
            continue
        spots = own.reset_index(drop=True)
        drawn = draw_film(spots, spread, biases, between_areas=between_areas, draws=draws, rng=rng)
        populations[str(job), str(side)] = (drawn.population_mean, drawn.population_sd)
        found |= {key: (p, drawn.prior) for key, p in side_probabilities(spots, drawn, limits).items()}
        spot_rows.append(spot_probabilities(spots, drawn, limits, gauges, spread, gauge_from=gauge_from))
    unchecked = places[~places["gauge_id"].isin(list(biases))]
    at_zero = set(tables["gauge_checks"]["gauge_id"]) - set(biases)
    reasons = _reasons(film.areas, limits, unchecked, at_zero, spreads)
    sides = _sides(film.areas, found, reasons, guard=guard, band=band)
    n = int(sides["probability_conforms"].notna().sum())
    judged = sides["probability_right"].notna()
    in_doubt = int((judged & (sides["suspect_readings"] > 0)).sum())
    return DoubtFindings(
        sides=sides,
        spots=_sorted(pd.concat(spot_rows) if spot_rows else pd.DataFrame(), _SPOTS, by=[*_KEY, "part", "spot"]),
        budget=budget,
        uncertainty=totals,
        spread=_spread_frame(spreads),
        risks=verdict_risks(sides, populations, totals, limits),
        n=n,
        excluded=len(sides) - n,
        n_judged=int(judged.sum()),
        method=(
            f"{draws} films were drawn for each side from what its readings, its gauge and the job's other areas "
            "allow, and put to the tests of its rule; the share that passes is the probability that the film conforms "
            "(JCGM 106). The mean is that of the whole side or part, spots are those measured. Areas of a job and side "
            f"are taken as one normal population, fitted to them from {ENOUGH_AREAS} areas on; with fewer its spread "
            f"is that of all jobs as a share of the film, or fitted from {LEAST_AREAS} areas on where those are too "
            "few; probabilities are then a little low still, and producer's risk too small. Else nothing is held "
            "known beforehand, which makes probabilities too low, so no producer's risk is given there. A probability "
            f"holds only where the gauge was within its tolerance: {in_doubt} of {int(judged.sum())} sides with a "
            "verdict and a probability have readings beside a failed check, and are not shown to conform. Consumer's "
            "and producer's risk are expected numbers from the draws; "
            "the global risks are those of the test on the mean alone, over the fitted population."
        ),
        settings={
            "draws": draws,
            "gauge_from": gauge_from,
            "profile_doubt": profile_doubt,
            "guard": guard,
            "band": band,
            "confidence": confidence,
            "enough_areas": ENOUGH_AREAS,
            "least_areas": LEAST_AREAS,
        },
    )


def _check(*, draws: int, gauge_from: str, guard: float, band: tuple[float, float], confidence: float) -> None:
    check_confidence(confidence)
    if gauge_from not in GAUGE_FROM:
        raise ValueError(f"gauge_from must be one of {list(GAUGE_FROM)}; given {gauge_from!r}")
    if draws < 100:
        raise ValueError(f"draws must be 100 or more, else the shares mean nothing; given {draws}")
    if not 0.5 <= guard < 1.0:
        raise ValueError(f"guard must be at least 0.5 and below 1; given {guard}")
    if not 0.0 <= band[0] < band[1] <= 1.0:
        raise ValueError(f"band must be two rising probabilities; given {band}")


def _reasons(
    judged: pd.DataFrame,
    limits: Limits,
    unchecked: pd.DataFrame,
    at_zero: set[str],
    spreads: Mapping[tuple[str, str], Spread],
) -> dict[tuple[str, str], str]:
    """Return why a side has no probability of conforming, blank where it has one."""
    only_zero = unchecked[unchecked["gauge_id"].isin(list(at_zero))]
    never = unchecked[~unchecked["gauge_id"].isin(list(at_zero))]
    bare = dict.fromkeys(zip(only_zero["area_id"], only_zero["side"], strict=True), ZERO_ONLY)
    bare |= dict.fromkeys(zip(never["area_id"], never["side"], strict=True), NO_CHECKS)
    reasons = {}
    for row in judged.to_dict("records"):
        key = (row["area_id"], row["side"])
        spread = spreads.get((row["job_id"], row["side"]))
        reasons[key] = limits[key].unjudged
        if row["n_readings"] == 0:
            reasons[key] = "no readings"
        elif key in bare:
            reasons[key] = bare[key]
        elif spread is not None and math.isnan(spread.place_sd_um):
            reasons[key] = f"the spread between spots is {spread.basis}"
    return reasons


def _sides(
    judged: pd.DataFrame,
    found: Mapping[tuple[str, str], tuple[float, str]],
    reasons: Mapping[tuple[str, str], str],
    *,
    guard: float,
    band: tuple[float, float],
) -> pd.DataFrame:
    """Return the verdict of each side with the probability that it is right."""
    rows = []
    for row in judged.to_dict("records"):
        key, verdict = (row["area_id"], row["side"]), row["verdict"]
        unknown = reasons[key] in (NO_CHECKS, ZERO_ONLY)
        passed, prior = (math.nan, "") if unknown else found.get(key, (math.nan, ""))
        conforms = math.nan if reasons[key] else passed
        suspect = row["suspect_readings"] > 0
        doubts = [reasons[key], GAUGE_IN_DOUBT if suspect else ""]
        # a side that breaks a limit does not conform, whatever else cannot be judged
        right = {"conforms": conforms, "does not conform": 1.0 - passed}.get(verdict, math.nan)
        rows.append(
            {
                **{name: row[name] for name in ("area_id", "job_id", "side", "verdict", "n_spots", "n_readings")},
                "probability_conforms": conforms,
                "probability_right": right,
                "doubtful": pd.NA if math.isnan(conforms) else band[0] < conforms < band[1],
                "guarded_verdict": _guarded(verdict, conforms, guard, suspect=suspect),
                "prior": prior,
                "suspect_readings": row["suspect_readings"],
                "reason": "; ".join(filter(None, doubts)),
            }
        )
    return _sorted(pd.DataFrame(rows), _SIDES, by=_KEY)


def _guarded(verdict: str, conforms: float, guard: float, *, suspect: bool) -> str:
    """Return the verdict under guarded acceptance: to conform takes the probability, and a gauge not in doubt."""
    if suspect and verdict in ("conforms", "does not conform"):
        return "not shown to conform"
    return "not shown to conform" if verdict == "conforms" and not conforms >= guard else verdict


def _spread_frame(spreads: Mapping[tuple[str, str], Spread]) -> pd.DataFrame:
    numbers = ("place_sd_um", "place_df", "reading_sd_um", "reading_df")
    rows = [
        {"job_id": job, "side": side, **{name: getattr(spread, name) for name in numbers}, "basis": spread.basis}
        for (job, side), spread in spreads.items()
    ]
    kinds = {"job_id": "str", "side": "str", **dict.fromkeys(numbers, "float64"), "basis": "str"}
    return _sorted(pd.DataFrame(rows), kinds, by=["job_id", "side"])


def _sorted(frame: pd.DataFrame, kinds: Mapping[str, str], *, by: list[str]) -> pd.DataFrame:
    """Return the columns in order and of fixed types, sorted."""
    return typed_frame(frame, kinds).sort_values(by, kind="stable", ignore_index=True)
