"""Risks of wrong verdicts, job by job: the consumer's and the producer's.

References
----------
JCGM 106:2012, sections 9.3 to 9.5.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import pandas as pd

from auditkit.findings.true_film import Limits
from auditkit.findings.typed_columns import typed_frame
from auditkit.stats.conformity import acceptance_limits, global_risks
from auditkit.trade.film_limits import FilmLimits

__all__ = ["verdict_risks"]

FLAT = "no producer's risk: with so few areas nothing is held known beforehand, which makes probabilities too low"

_RISKS = {
    "job_id": "str",
    "side": "str",
    "n_accepted": "int64",
    "n_rejected": "int64",
    "accepted_wrongly": "float64",
    "consumer_pct": "float64",
    "rejected_wrongly": "float64",
    "producer_pct": "float64",
    "population_mean_um": "float64",
    "population_sd_um": "float64",
    "mean_uncertainty_um": "float64",
    "consumer_mean_pct": "float64",
    "producer_mean_pct": "float64",
    "reason": "str",
}


def verdict_risks(
    sides: pd.DataFrame,
    populations: Mapping[tuple[str, str], tuple[float, float]],
    totals: pd.DataFrame,
    limits: Limits,
) -> pd.DataFrame:
    """Return consumer's and producer's risk of each job and side."""
    rows = []
    for (job, side), own in sides.groupby(["job_id", "side"], sort=True):
        chance = own["probability_right"]
        accepted = chance[(own["verdict"] == "conforms") & chance.notna()]
        rejected = chance[(own["verdict"] == "does not conform") & chance.notna()]
        mean, sd = populations.get((str(job), str(side)), (math.nan, math.nan))
        parts = totals[(totals["job_id"] == job) & (totals["side"] == side) & (totals["reason"] == "")]
        uncertainty = math.nan
        if len(parts):
            squares = np.average(parts["standard_uncertainty_um"] ** 2, weights=parts["n_sides"])
            uncertainty = math.sqrt(float(squares))
        own_limits = limits[str(own["area_id"].iloc[0]), str(side)]
        consumer, producer, reason = _mean_risks(mean, sd, uncertainty, own_limits)
        flat = len(rejected) > 0 and bool((own["prior"] == "flat").any())
        rows.append(
            {
                "job_id": job,
                "side": side,
                "n_accepted": len(accepted),
                "n_rejected": len(rejected),
                "accepted_wrongly": float((1.0 - accepted).sum()),
                "consumer_pct": 100.0 * float((1.0 - accepted).mean()) if len(accepted) else math.nan,
                "rejected_wrongly": math.nan if flat else float((1.0 - rejected).sum()),
                "producer_pct": 100.0 * float((1.0 - rejected).mean()) if len(rejected) and not flat else math.nan,
                "population_mean_um": mean,
                "population_sd_um": sd,
                "mean_uncertainty_um": uncertainty,
                "consumer_mean_pct": consumer,
                "producer_mean_pct": producer,
                "reason": "; ".join(filter(None, [reason, FLAT if flat else ""])),
            }
        )
    return typed_frame(pd.DataFrame(rows), _RISKS).sort_values(["job_id", "side"], kind="stable", ignore_index=True)


def _mean_risks(mean: float, sd: float, uncertainty: float, limits: FilmLimits) -> tuple[float, float, str]:
    """Return the global risks of the test on the mean `[pct of all sides]`, or why there are none."""
    low, high = (x if math.isfinite(x) else None for x in (limits.mean_low_um, limits.mean_high_um))
    if low is None and high is None:
        return math.nan, math.nan, "the rule sets no limit to the mean"
    if low is not None and high is not None and low >= high:
        return math.nan, math.nan, f"the limits of the mean leave no room: at least {low:g} um and at most {high:g} um"
    if math.isnan(mean) or math.isnan(uncertainty):
        return math.nan, math.nan, "the areas' population is not fitted: too few areas, or no budget"
    if not sd > 0:
        return math.nan, math.nan, "the areas do not differ beyond their uncertainty"
    acceptance = acceptance_limits(standard_uncertainty=uncertainty, lower=low, upper=high, rule="simple acceptance")
    risks = global_risks(
        process_mean=mean,
        process_sd=sd,
        standard_uncertainty=uncertainty,
        acceptance=acceptance,
        lower=low,
        upper=high,
    )
    return 100.0 * risks.consumer, 100.0 * risks.producer, ""
