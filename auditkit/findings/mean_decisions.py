"""Means of film against their limit: what is decided, what is in doubt, and how many more spots would decide it."""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterable, Mapping
from fractions import Fraction

import numpy as np
import pandas as pd

from auditkit.findings.shared_uncertainty import placed_readings
from auditkit.stats.cluster_means import further_groups, mean_standard_error, observations_needed
from auditkit.stats.variance import nested_components
from auditkit.trade.film_rules import FilmRules
from auditkit.trade.film_verdicts import Test, Verdict

__all__ = ["MEANS", "mean_components", "mean_decisions"]

MEANS = (
    "Each mean is held against the nearer limit its rule sets for it, with a standard error from the variance between "
    "spots and within them (nested analysis of variance, pooled over the areas of a job and side), and with what all "
    "readings share: the gauge's and its standard's tolerance and the correction for profile, which no further spot "
    "lessens. Where a gauge has no check above 0 the decision is that of where the spots fell, the gauge apart. Beside "
    "it stands what would follow if every reading counted for itself, which it does not."
)
"""How means are decided, in a sentence."""

_COMPONENTS = (
    ("job_id", "str"),
    ("side", "str"),
    ("places", "int64"),
    ("spots", "int64"),
    ("readings", "int64"),
    ("between_var_um2", "float64"),
    ("within_var_um2", "float64"),
    ("df", "float64"),
    ("single_var_um2", "float64"),
    ("single_df", "float64"),
    ("note", "str"),
)
_DECISIONS = (
    ("area_id", "str"),
    ("job_id", "str"),
    ("side", "str"),
    ("part", "Int64"),
    ("rule", "str"),
    ("n_spots", "int64"),
    ("n_readings", "int64"),
    ("mean_um", "float64"),
    ("holds", "str"),
    ("limit_um", "float64"),
    ("distance_um", "float64"),
    ("se_um", "float64"),
    ("df", "float64"),
    ("shared_um", "float64"),
    ("low_um", "float64"),
    ("high_um", "float64"),
    ("decided", "str"),
    ("further_spots", "Int64"),
    ("further_readings", "Int64"),
    ("naive_se_um", "float64"),
    ("naive_decided", "str"),
    ("naive_readings", "Int64"),
    ("said", "str"),
)
_BY_SPOTS = ("sspc-pa-2", "own")
_DOUBTFUL = "doubtful"
_MOST_NAIVE = 10_000


def mean_components(readings: pd.DataFrame, about: pd.DataFrame) -> pd.DataFrame:
    """Return the variance between spots and within them, pooled over the places of each job and side.

    A place is a part of an area under rules that judge parts, else an area.

    Parameters
    ----------
    readings : DataFrame
        Film readings of the sides judged: area_id, side, spot, dft_um `[um]`,
        part if there.
    about : DataFrame
        area_id, job_id, rule.

    Returns
    -------
    DataFrame
        Grain (job_id, side): places, spots, readings, between_var_um2,
        within_var_um2 (NaN where spots hold one reading each and the two
        cannot be told apart; between is then that of single readings), df
        (of the variance of a mean), single_var_um2, single_df (as if every
        reading counted for itself), note (what a reader must know; what is
        missing where there is no variance).

    Examples
    --------
    >>> film = pd.DataFrame({"area_id": ["A1"] * 4 + ["A2"] * 4, "side": "facing", "spot": [1, 1, 2, 2] * 2,
    ...                      "dft_um": [60.0, 62.0, 70.0, 72.0, 80.0, 82.0, 84.0, 86.0]})
    >>> about = pd.DataFrame({"area_id": ["A1", "A2"], "job_id": "J1", "rule": "sspc-pa-2"})
    >>> mean_components(film, about)[["between_var_um2", "within_var_um2", "df"]].round(3).to_numpy().tolist()
    [[28.0, 2.0, 2.0]]
    """
    rows = [
        {"job_id": job, "side": side, **_pooled(group)}
        for (job, side), group in placed_readings(readings, about).groupby(["job_id", "side"], sort=True)
    ]
    return _typed(rows, _COMPONENTS)


def mean_decisions(
    readings: pd.DataFrame,
    verdicts: Mapping[tuple[str, str], Verdict],
    about: pd.DataFrame,
    components: pd.DataFrame,
    *,
    rules: FilmRules,
    confidence: float,
    power: float,
    most_spots: int,
    shared: Mapping[tuple[str, str, int], float] | None = None,
) -> pd.DataFrame:
    """Return each mean against its nearer limit, whether it is decided, and what would decide it.

    Parameters
    ----------
    readings, about : DataFrame
        As for `mean_components`.
    verdicts : mapping of (area_id, side) to Verdict
        See `trade.film.verdicts_by_side`.
    components : DataFrame
        See `mean_components`.
    rules : FilmRules
        Says how many readings a spot must have.
    confidence, power : float
        Confidence is two-sided.
    most_spots : int
        More further spots than this are not feasible.
    shared : mapping, optional
        See `shared_uncertainty`. Where it is missing, the gauge is left out
        of the decision, and `said` says so.

    Returns
    -------
    DataFrame
        Grain (area_id, side, part), part blank where the rule judges the
        whole: job_id, rule, n_spots, n_readings, mean_um, holds ('at least',
        'at most'), limit_um, distance_um (above 0 on the conforming side),
        se_um, df (of where the spots fell), shared_um (NaN where not known),
        low_um, high_um (of the mean, both counted in) `[um]`, decided ('conforms',
        'does not conform', 'doubtful', blank where no variance is known),
        further_spots, further_readings (0 where decided, blank where not
        feasible), naive_se_um, naive_decided, naive_readings (as if every
        reading counted for itself), said.

    Notes
    -----
    The interval is the root sum square of t times the standard error and the
    normal quantile times the shared uncertainty. More spots lessen the first
    alone: the distance they must cover is what the second leaves of it, and
    where it leaves nothing no number of spots is enough.

    References
    ----------
    `stats.cluster_means`; JCGM 100:2008, 5.1.2.
    """
    variances = {(row["job_id"], row["side"]): row for row in components.to_dict("records")}
    jobs = dict(zip(about["area_id"], about["job_id"], strict=True))
    sizes = _sizes(placed_readings(readings, about))
    rows: list[dict[str, object]] = []
    for (area, side), verdict in sorted(verdicts.items(), key=lambda item: item[0]):
        least = _least(verdict, rules=rules)
        for test in _nearest(verdict):
            counted = [n for n in sizes[area, side, test.part or 0] if n >= least]
            known = variances[jobs[area], side]
            rows.append(
                {"area_id": area, "side": side, "job_id": jobs[area], "part": test.part, "rule": verdict.rule}
                | _decision(
                    test,
                    counted,
                    known,
                    shared=(shared or {}).get((area, side, test.part or 0), math.nan),
                    by_spots=verdict.rule in _BY_SPOTS,
                    size=least if verdict.rule in _BY_SPOTS else round(float(np.median(counted))),
                    confidence=confidence,
                    power=power,
                    most_spots=most_spots,
                )
            )
    return _typed(rows, _DECISIONS)


def _sizes(placed: pd.DataFrame) -> dict[tuple[str, str, int], list[int]]:
    """Return how many readings each spot of a place has."""
    sizes: dict[tuple[str, str, int], list[int]] = {}
    counts = placed.groupby(["area_id", "side", "judged_part", "spot"], sort=True).size().rename("n").reset_index()
    for row in counts.to_dict("records"):
        sizes.setdefault((row["area_id"], row["side"], row["judged_part"]), []).append(int(row["n"]))
    return sizes


def _least(verdict: Verdict, *, rules: FilmRules) -> int:
    """Return how many readings a spot must have to count."""
    if verdict.rule == "sspc-pa-2":
        return int(rules.pa2.readings_per_spot.value)
    return 1 if verdict.spec.own is None else verdict.spec.own.readings_per_spot


def _nearest(verdict: Verdict) -> list[Test]:
    """Return the test of each mean whose limit lies nearest to it."""
    nearest: dict[int | None, Test] = {}
    for test in verdict.tests:
        name = test.name.removeprefix(f"part {test.part}: ")
        if name not in ("mean", "mean of the spots") or test.observed is None or test.limit is None:
            continue
        other = nearest.get(test.part)
        if other is None or abs(_distance(test)) < abs(_distance(other)):
            nearest[test.part] = test
    return list(nearest.values())


def _distance(test: Test) -> float:
    """Return how far the observed lies from the limit, above 0 on the conforming side."""
    observed, limit = float(test.observed or 0.0), float(test.limit or 0.0)
    return observed - limit if test.holds == "at least" else limit - observed


def _pooled(group: pd.DataFrame) -> dict[str, object]:
    """Return the variance between spots and within them, over the places of one job and side."""
    place = group.groupby(["area_id", "judged_part"], sort=True).ngroup()
    frame = group.assign(place=place, spot_id=group.groupby(["area_id", "judged_part", "spot"], sort=True).ngroup())
    places, spots, n = int(place.nunique()), int(frame["spot_id"].nunique()), len(frame)
    counts: dict[str, object] = {"places": places, "spots": spots, "readings": n}
    if spots == places:
        note = "no place has two spots, so nothing is known of the spread between them"
        return {**counts, **_unknown(note)}
    centred = frame["dft_um"] - frame.groupby("place")["dft_um"].transform("mean")
    single = {"single_var_um2": float((centred**2).sum()) / (n - places), "single_df": float(n - places)}
    if spots == n:  # one reading a spot: the spread of single readings is all there is
        between = {"between_var_um2": single["single_var_um2"], "within_var_um2": np.nan, "df": single["single_df"]}
        return {
            **counts,
            **between,
            **single,
            "note": "one reading a spot: spread between and within spots taken as one",
        }
    nesting = ["place", "spot_id"] if places > 1 else ["spot_id"]
    found = nested_components(frame, response="dft_um", nesting=nesting)
    variance = found.components.set_index("component")["variance"]
    freedom = found.table.set_index("source")["df"]
    truncated = bool(found.components.set_index("component").loc["spot_id", "truncated"])
    return {
        **counts,
        "between_var_um2": float(variance["spot_id"]),
        "within_var_um2": float(variance["residual"]),
        "df": float(freedom["spot_id"]),
        **single,
        "note": "the variance between spots came out below zero and is set to zero" if truncated else "",
    }


def _unknown(note: str) -> dict[str, object]:
    names = ("between_var_um2", "within_var_um2", "df", "single_var_um2", "single_df")
    return {**dict.fromkeys(names, np.nan), "note": note}


def _decision(
    test: Test,
    sizes: list[int],
    known: Mapping[Hashable, float],
    *,
    shared: float,
    by_spots: bool,
    size: int,
    confidence: float,
    power: float,
    most_spots: int,
) -> dict[str, object]:
    """Return one row of `mean_decisions` but for its key."""
    from scipy.stats import norm, t

    distance, n = _distance(test), sum(sizes)
    row: dict[str, object] = {
        "n_spots": len(sizes),
        "n_readings": n,
        "mean_um": test.observed,
        "holds": test.holds,
        "limit_um": test.limit,
        "distance_um": distance,
        "shared_um": shared,
    }
    if math.isnan(known["df"]):
        blank = dict.fromkeys(("se_um", "df", "low_um", "high_um", "naive_se_um"), np.nan)
        missing = dict.fromkeys(("further_spots", "further_readings", "naive_readings"), pd.NA)
        return row | blank | missing | {"decided": "", "naive_decided": "", "said": str(known["note"])}
    between, within = known["between_var_um2"], known["within_var_um2"]
    within = 0.0 if math.isnan(within) else within
    mean_of = "groups" if by_spots else "observations"
    error = mean_standard_error(sizes, between=between, within=within, mean_of=mean_of)
    common = 0.0 if math.isnan(shared) else shared
    common_half = float(norm.ppf((1 + confidence) / 2)) * common
    half = math.hypot(float(t.ppf((1 + confidence) / 2, known["df"])) * error, common_half)
    # what the shared part leaves of the distance for the spots to cover
    left = math.sqrt(max(distance**2 - (common_half + float(norm.ppf(power)) * common) ** 2, 0.0))
    decided = _decided(distance, half)
    single_sd = math.sqrt(known["single_var_um2"])
    naive_error = single_sd / math.sqrt(n)
    naive_half = math.hypot(float(t.ppf((1 + confidence) / 2, known["single_df"])) * naive_error, common_half)
    needed = observations_needed(left, sd=single_sd, df=known["single_df"], confidence=confidence, power=power)
    naive = _more(float(needed), n) if _decided(distance, naive_half) == _DOUBTFUL else 0
    more: int | None = 0
    if decided == _DOUBTFUL and not left:
        more = None
    elif decided == _DOUBTFUL:
        more = further_groups(
            sizes,
            distance=left,
            between=between,
            within=within,
            df=known["df"],
            size=size,
            most=most_spots,
            mean_of=mean_of,
            confidence=confidence,
            power=power,
        )
    observed = float(test.observed or 0.0)
    return row | {
        "se_um": error,
        "df": known["df"],
        "low_um": observed - half,
        "high_um": observed + half,
        "decided": decided,
        "further_spots": pd.NA if more is None else more,
        "further_readings": pd.NA if more is None else more * size,
        "naive_se_um": naive_error,
        "naive_decided": _decided(distance, naive_half),
        "naive_readings": pd.NA if naive is None else naive,
        "said": _said(
            decided,
            more,
            size,
            most_spots,
            power=power,
            shared_alone=common > 0.0 and not left,
            gauge_known=not math.isnan(shared),
        ),
    }


def _decided(distance: float, half: float) -> str:
    """Return on which side of its limit a mean lies, for sure."""
    if abs(distance) < half or (half == 0.0 and distance == 0.0):
        return _DOUBTFUL
    return "conforms" if distance > 0 else "does not conform"


def _more(needed: float, n: int) -> int | None:
    """Return how many more single readings are needed; None beyond any sense."""
    return None if needed > _MOST_NAIVE else max(0, math.ceil(needed - 1e-9) - n)


def _said(
    decided: str,
    more: int | None,
    size: int,
    most_spots: int,
    *,
    power: float,
    shared_alone: bool,
    gauge_known: bool,
) -> str:
    """Return in words what would decide a mean.

    Examples
    --------
    >>> _said("doubtful", 4, 3, 50, power=0.8, shared_alone=False, gauge_known=True)
    '4 more spots (12 readings) would decide it 4 times in 5, if the mean truly lies there'
    >>> _said("doubtful", None, 3, 50, power=0.8, shared_alone=False, gauge_known=True)
    'not feasible: more than 50 further spots would be needed'
    """
    apart = "" if gauge_known else ", the gauge apart"
    if decided != _DOUBTFUL:
        return f"decided as to where the spots fell{apart}" if apart else "the mean is decided"
    if shared_alone:
        return "not feasible: gauge, standard and correction alone leave too much doubt, however many spots are read"
    if more is None:
        return f"not feasible: more than {most_spots} further spots would be needed"
    spots = "1 more spot" if more == 1 else f"{more} more spots"
    readings = "1 reading" if more * size == 1 else f"{more * size} readings"
    share = Fraction(power).limit_denominator(100)
    odds = f"{share.numerator} times in {share.denominator}"
    return f"{spots} ({readings}) would decide it {odds}, if the mean truly lies there{apart}"


def _typed(rows: list[dict[str, object]], columns: Iterable[tuple[str, str]]) -> pd.DataFrame:
    """Return the rows as a frame whose types do not depend on which values are there."""
    return pd.DataFrame({column: pd.Series([row[column] for row in rows], dtype=kind) for column, kind in columns})
