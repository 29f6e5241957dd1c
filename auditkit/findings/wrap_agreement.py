"""Agreement of wrap ratings: how far two inspectors of the same area say the same."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd

from auditkit.stats.agreement import cohen_kappa, icc_forms, percent_agreement
from auditkit.trade.wrap import wrap_share

__all__ = ["find_agreement"]

AGREEMENT_COLUMNS = [
    "first",
    "second",
    "scale",
    "statistic",
    "estimate",
    "low",
    "high",
    "n",
    "excluded",
    "assessable",
    "reason",
    "method",
]
PAIR_COLUMNS = [
    "area_id",
    "first",
    "second",
    "first_at",
    "second_at",
    "first_rating",
    "second_rating",
    "first_scale",
    "second_scale",
    "first_pct",
    "second_pct",
    "used",
    "reason",
]
_FIVE_BEST = tuple(x / 2.0 for x in range(11))
_WEIGHTS = ("unweighted", "linear", "quadratic")
_HALF = 0.5


def find_agreement(
    tables: Mapping[str, pd.DataFrame], *, confidence: float = 0.95, at_least: int = 20
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the agreement of each two inspectors, and the pairs of ratings it rests on.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        The accepted tables; wrap observations and spray runs are used.
    confidence : float
    at_least : int
        Pairs needed for an estimate.

    Returns
    -------
    agreement : DataFrame
        For each two inspectors who rated one area or more in common: first,
        second, scale ('five-best' for kappa and shares of equal ratings, both
        rating on it; 'percent' for the intraclass correlations and the mean
        difference, every scale read as a share), statistic ('kappa
        unweighted', 'kappa linear', 'kappa quadratic', 'same rating', 'within
        half a point', 'ICC 1,1' to 'ICC 3,k', 'mean difference' (second less
        first, percentage points)), estimate, low, high, n (pairs), excluded
        (pairs left out), assessable, reason, method.
    pairs : DataFrame
        One row an area and two inspectors, the ratings nearest in time:
        area_id, first, second, first_at, second_at, first_rating,
        second_rating, first_scale, second_scale, first_pct, second_pct `[%]`,
        used, reason (why not).

    Notes
    -----
    Two ratings between which the area was sprayed again are of two different
    coats and are left out. Ratings on the five-best scale are given in half
    points, so it has eleven categories, and weights count half points.
    """
    pairs = _pairs(tables["wrap_observations"], tables["spray_runs"])
    rows: list[dict[str, Any]] = []
    for (first, second), part in pairs.groupby(["first", "second"], sort=True):
        used = part[part["used"]]
        on_five = used[(used["first_scale"] == "five-best") & (used["second_scale"] == "five-best")]
        for scale, kept, compute in (("five-best", on_five, _on_five_best), ("percent", used, _on_percent)):
            left = len(part) - len(kept)
            found = compute(kept, confidence, at_least)
            rows += [{"first": first, "second": second, "scale": scale, "excluded": left, **row} for row in found]
    agreement = pd.DataFrame(rows, columns=AGREEMENT_COLUMNS)
    kinds = {"n": "int64", "excluded": "int64", "assessable": "bool"}
    return agreement.astype({**kinds, **dict.fromkeys(("estimate", "low", "high"), "float64")}), pairs


def _pairs(observations: pd.DataFrame, runs: pd.DataFrame) -> pd.DataFrame:
    rated = observations.assign(pct=wrap_share(observations["rating"], observations["scale"]))
    rows = []
    for area, part in rated.groupby("area_id", sort=True):
        sprayed = runs.loc[runs["area_id"] == area, "started_at"]
        for first, second in combinations(sorted(part["inspector_id"].unique()), 2):
            one, two = _nearest(part[part["inspector_id"] == first], part[part["inspector_id"] == second])
            early, late = sorted((one["observed_at"], two["observed_at"]))
            between = bool(((sprayed > early) & (sprayed < late)).any())
            rows.append(
                {
                    "area_id": area,
                    "first": first,
                    "second": second,
                    **{f"first_{name}": one[column] for name, column in _TAKEN.items()},
                    **{f"second_{name}": two[column] for name, column in _TAKEN.items()},
                    "used": not between,
                    "reason": "the area was sprayed between the two ratings" if between else "",
                }
            )
    frame = pd.DataFrame(rows, columns=PAIR_COLUMNS)
    return frame.astype({"used": "bool", "first_pct": "float64", "second_pct": "float64"})


_TAKEN = {"at": "observed_at", "rating": "rating", "scale": "scale", "pct": "pct"}


def _nearest(one: pd.DataFrame, two: pd.DataFrame) -> tuple[pd.Series, pd.Series]:
    """Return the two ratings nearest in time, the earlier ones of equally near."""
    first, second = (frame.sort_values("observed_at", kind="stable") for frame in (one, two))
    times = [frame["observed_at"].astype("int64").to_numpy() for frame in (first, second)]
    apart = np.abs(times[0][:, None] - times[1][None, :])
    i, j = np.unravel_index(int(apart.argmin()), apart.shape)
    return first.iloc[int(i)], second.iloc[int(j)]


def _refused(names: list[str], n: int, reason: str) -> list[dict[str, Any]]:
    blank = {"estimate": np.nan, "low": np.nan, "high": np.nan, "n": n, "assessable": False, "method": ""}
    return [{**blank, "statistic": name, "reason": reason} for name in names]


def _too_few(n: int, at_least: int) -> str:
    return f"{n} areas rated by both, {at_least} are needed" if n < at_least else ""


def _row(name: str, found: Any) -> dict[str, Any]:
    """Return one result, a Kappa or an Interval, as a row."""
    return {
        "statistic": name,
        "estimate": found.estimate,
        "low": found.low,
        "high": found.high,
        "n": found.n,
        "assessable": True,
        "reason": "",
        "method": found.method,
    }


def _on_five_best(pairs: pd.DataFrame, confidence: float, at_least: int) -> list[dict[str, Any]]:
    kappas = [f"kappa {weights}" for weights in _WEIGHTS]
    shares = ["same rating", "within half a point"]
    reason = _too_few(len(pairs), at_least)
    if reason:
        return _refused([*kappas, *shares], len(pairs), reason)
    columns = {"first": "first_rating", "second": "second_rating"}
    off = ~pairs[["first_rating", "second_rating"]].isin(_FIVE_BEST).all(axis=1)
    ratings = pd.concat([pairs["first_rating"], pairs["second_rating"]])
    if off.any():
        rows = _refused(kappas, len(pairs), f"{int(off.sum())} ratings lie between half points: kappa has no category")
    elif ratings.nunique() < 2:
        rows = _refused(kappas, len(pairs), "both gave one and the same rating throughout: kappa is not defined")
    else:
        rows = [
            _row(name, cohen_kappa(pairs, **columns, categories=_FIVE_BEST, weights=weights, confidence=confidence))
            for name, weights in zip(kappas, _WEIGHTS, strict=True)
        ]
    for name, within in zip(shares, (0.0, _HALF), strict=True):
        rows.append(_row(name, percent_agreement(pairs, **columns, within=within, confidence=confidence)))
    return rows


def _on_percent(pairs: pd.DataFrame, confidence: float, at_least: int) -> list[dict[str, Any]]:
    forms = [f"ICC {form}" for form in ("1,1", "2,1", "3,1", "1,k", "2,k", "3,k")]
    names = [*forms, "mean difference"]
    reason = _too_few(len(pairs), at_least)
    if not reason and pd.concat([pairs["first_pct"], pairs["second_pct"]]).nunique() < 2:
        reason = "the ratings are all the same: no correlation is defined"
    if reason:
        return _refused(names, len(pairs), reason)
    long = pd.DataFrame(
        {
            "area_id": [*pairs["area_id"], *pairs["area_id"]],
            "inspector": ["first"] * len(pairs) + ["second"] * len(pairs),
            "pct": [*pairs["first_pct"], *pairs["second_pct"]],
        }
    )
    table = icc_forms(long, target="area_id", rater="inspector", rating="pct", confidence=confidence)
    figures = table[["estimate", "low", "high"]].to_numpy(dtype=float).tolist()
    rows = [
        {
            "statistic": f"ICC {form}",
            "estimate": estimate,
            "low": low,
            "high": high,
            "n": len(pairs),
            "assessable": True,
            "reason": "",
            "method": "intraclass correlation, F limits of Shrout and Fleiss",
        }
        for form, (estimate, low, high) in zip(table["form"], figures, strict=True)
    ]
    return [*rows, _mean_difference(pairs, confidence)]


def _mean_difference(pairs: pd.DataFrame, confidence: float) -> dict[str, Any]:
    from scipy.stats import t

    difference = (pairs["second_pct"] - pairs["first_pct"]).to_numpy(dtype=float)
    mean = float(difference.mean())
    error = float(difference.std(ddof=1)) / float(np.sqrt(len(difference)))
    reach = float(t.isf((1.0 - confidence) / 2.0, len(difference) - 1)) * error
    return {
        "statistic": "mean difference",
        "estimate": mean,
        "low": mean - reach,
        "high": mean + reach,
        "n": len(difference),
        "assessable": True,
        "reason": "",
        "method": "mean of the differences, Student's t",
    }
