"""Trial spreads: what is measured on a test panel, how far it strayed in these records, and what a trial would see."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from auditkit.findings.standing_readings import standing_readings
from auditkit.findings.typed_columns import typed_frame
from auditkit.stats.power import two_proportion_power
from auditkit.stats.trial_power import trial_power
from auditkit.stats.variance import nested_components
from auditkit.trade.standing import is_superseded
from auditkit.trade.wrap import wrap_share

__all__ = ["POWER", "SPREADS", "WHOLE_PLOT_SHARE", "PowerSetup", "power_of_plan", "response_spreads", "sees_all"]

POWER = 0.8
"""Chance with which a trial should find an effect worth knowing."""

WORTH_SHARE = 0.10
"""A change of the mean film by this share is worth knowing; our own default, no source."""

WORTH_WRAP = 10.0
"""A change of the wrap rating by this much is worth knowing `[%]`; our own default, no source."""

WHOLE_PLOT_SHARE = 0.5
"""What setting a hard factor anew adds, against the spread between runs; not in the records, our own default."""

SPREADS = {
    "response": "str",
    "mean": "float64",
    "run_sd": "float64",
    "reading_sd": "float64",
    "worth": "float64",
    "n": "int64",
    "areas": "int64",
    "why": "str",
}
_POWER = {
    "response": "str",
    "effect": "str",
    "size": "float64",
    "power": "float64",
    "std_error": "float64",
    "smallest": "float64",
    "df": "float64",
    "run_sd": "float64",
    "reading_sd": "float64",
    "why": "str",
}
_SIZES = np.array([0.25, 0.5, 0.75, 1.0, 1.25, 1.5, 1.75, 2.0, 2.5, 3.0, 4.0, 6.0])


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerSetup:
    """How a trial is simulated.

    Parameters
    ----------
    factors : tuple of str
    readings : mapping of str to int
        Readings of each response on a panel; 1 where not named.
    whole_plots : bool
        Whether some factors are set once for several runs.
    seed : int
    alpha : float
        Two-sided.
    """

    factors: tuple[str, ...]
    readings: Mapping[str, int]
    whole_plots: bool
    seed: int
    alpha: float = 0.05


def response_spreads(tables: Mapping[str, pd.DataFrame], *, components: pd.DataFrame) -> pd.DataFrame:
    """Return how far what a trial would measure strayed in these records.

    Between areas of one job, whatever their settings: what a trial will meet
    between runs is likely less.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        The accepted tables; film_readings, spray_runs, areas and
        wrap_observations are used.
    components : DataFrame
        Components of the film, from `variation.find_variation`.

    Returns
    -------
    DataFrame
        One row a response ('facing_um', 'reverse_um' `[um]`, 'wrap_pct' `[%]`):
        response, mean, run_sd (between areas within jobs), reading_sd (spots
        and repeats, or ratings, within an area), worth (change of the mean that
        is worth knowing: `WORTH_SHARE`, `WORTH_WRAP`), n (readings), areas,
        why (blank where there is a spread).
    """
    readings = standing_readings(tables)
    rows = [_film(readings[readings["side"] == side], components, side=side) for side in ("facing", "reverse")]
    return typed_frame([*rows, _wrap(tables)], SPREADS)


def _film(readings: pd.DataFrame, components: pd.DataFrame, *, side: str) -> dict[str, object]:
    own = components[components["side"] == side] if len(components) else components
    scopes = list(dict.fromkeys(own["scope"])) if len(own) else []
    row: dict[str, object] = {"response": f"{side}_um", "n": len(readings), "areas": readings["area_id"].nunique()}
    if not scopes:
        return {**row, "why": "the records give no spread of the film between areas of a job"}
    variance = own[own["scope"] == scopes[0]].set_index("component")["variance_um2"]
    mean = float(readings["dft_um"].mean())
    return {
        **row,
        "mean": mean,
        "run_sd": float(variance.get("area", np.nan)) ** 0.5,
        "reading_sd": float(variance[variance.index.isin(["spot", "repeat", "spot and repeat"])].sum()) ** 0.5,
        "worth": WORTH_SHARE * mean,
        "why": "",
    }


def _wrap(tables: Mapping[str, pd.DataFrame]) -> dict[str, object]:
    seen = tables["wrap_observations"]
    if len(seen) and len(tables["spray_runs"]):
        seen = seen[~is_superseded(seen, tables["spray_runs"], time="observed_at")]
    seen = seen.merge(tables["areas"][["area_id", "job_id"]], on="area_id")
    row: dict[str, object] = {"response": "wrap_pct", "n": len(seen), "areas": seen["area_id"].nunique()}
    if seen.empty:
        return {**row, "why": "no wrap was rated"}
    rated = seen.assign(wrap_pct=wrap_share(seen["rating"], seen["scale"]))
    nesting = ["job_id", "area_id"] if len(rated["job_id"].unique()) > 1 else ["area_id"]
    try:
        found = nested_components(rated, response="wrap_pct", nesting=nesting)
    except ValueError as fault:
        return {**row, "why": str(fault)}
    variance = found.components.set_index("component")["variance"]
    return {
        **row,
        "mean": float(rated["wrap_pct"].mean()),
        "run_sd": float(variance["area_id"]) ** 0.5,
        "reading_sd": float(variance["residual"]) ** 0.5,
        "worth": WORTH_WRAP,
        "why": "",
    }


def power_of_plan(
    coded: pd.DataFrame,
    spreads: pd.DataFrame,
    *,
    setup: PowerSetup,
    risks: Mapping[str, float],
    simulations: int = 1000,
) -> pd.DataFrame:
    """Return what a planned trial would see: of what is measured by simulation, of a defect as yes or no by formula.

    Parameters
    ----------
    coded : DataFrame
        Plan of the trial, factors from -1 to +1, with block and whole_plot.
    spreads : DataFrame
        From `response_spreads`.
    setup : PowerSetup
    risks : mapping of str to float
        Share of runs with each defect `[-]`.
    simulations : int

    Returns
    -------
    DataFrame
        response, effect, size (worth knowing; of a defect, the rise if its
        share doubled), power, std_error (of the simulation), smallest (size
        found with a chance of `POWER`; missing where over six standard
        deviations), df, run_sd, reading_sd, why (blank where there is a power).
    """
    rows: list[dict[str, object]] = []
    for row in spreads.to_dict("records"):
        sd, why = _strayed(row, setup)
        if why:
            rows += [{"response": row["response"], "effect": factor, "why": why} for factor in setup.factors]
            continue
        worth = _simulated(coded, row, setup, size=row["worth"], simulations=simulations)
        curve = pd.DataFrame(
            {size: _simulated(coded, row, setup, size=sd * size, simulations=simulations)["power"] for size in _SIZES}
        )
        rows += [
            {
                **{name: row[name] for name in ("response", "run_sd", "reading_sd")},
                "effect": factor,
                "size": row["worth"],
                **{name: worth.loc[factor, name] for name in ("power", "std_error", "df")},
                "smallest": _reached(sd * _SIZES, curve.loc[factor].to_numpy()),
                "why": "",
            }
            for factor in setup.factors
        ]
    runs = int((coded["point"] == "corner").sum())
    return typed_frame([*rows, *(_yes_or_no(name, risk, runs, setup.alpha) for name, risk in risks.items())], _POWER)


def sees_all(coded: pd.DataFrame, spreads: pd.DataFrame, *, setup: PowerSetup, simulations: int = 500) -> bool:
    """Return whether each factor's effect worth knowing would be seen in every response that has a spread.

    Parameters
    ----------
    coded, spreads, setup, simulations
        As in `power_of_plan`.

    Returns
    -------
    bool
        Never where no response has a spread.
    """
    known = [row for row in spreads.to_dict("records") if not _strayed(row, setup)[1]]
    return bool(known) and all(
        (_simulated(coded, row, setup, size=row["worth"], simulations=simulations)["power"] >= POWER).all()
        for row in known
    )


def _strayed(row: Mapping[Hashable, Any], setup: PowerSetup) -> tuple[float, str]:
    """Return the standard deviation of a panel's mean, and why there is none."""
    sd = float(np.hypot(row["run_sd"], row["reading_sd"] / setup.readings.get(row["response"], 1) ** 0.5))
    return sd, row["why"] or ("" if sd > 0 else "the records show no spread between areas or readings")


def _simulated(
    coded: pd.DataFrame, row: Mapping[Hashable, Any], setup: PowerSetup, *, size: float, simulations: int
) -> pd.DataFrame:
    """Return the power of each factor, all of them having an effect of that size."""
    return trial_power(
        coded,
        factors=setup.factors,
        effects=dict.fromkeys(setup.factors, size),
        run_sd=float(row["run_sd"]),
        reading_sd=float(row["reading_sd"]),
        readings=setup.readings.get(row["response"], 1),
        whole_plot_sd=WHOLE_PLOT_SHARE * float(row["run_sd"]) if setup.whole_plots else 0.0,
        whole_plot="whole_plot" if setup.whole_plots else None,
        block="block",
        order=1,
        alpha=setup.alpha,
        simulations=simulations,
        rng=np.random.default_rng([setup.seed, 1]),
    ).set_index("effect")


def _reached(sizes: np.ndarray, power: np.ndarray) -> float:
    """Return the size at which the power reaches `POWER`, between the sizes tried."""
    rising = np.maximum.accumulate(power)
    return float(np.interp(POWER, rising, sizes)) if rising[-1] >= POWER and rising[0] < POWER else float("nan")


def _yes_or_no(defect: str, risk: float, runs: int, alpha: float) -> dict[str, object]:
    row: dict[str, object] = {"response": f"{defect}, yes or no", "effect": "any factor"}
    if not 0.0 < risk < 0.5:
        return {**row, "why": "no share of runs with it is known, or none that could double"}
    power = two_proportion_power(risk, 2 * risk, n=runs / 2, alpha=alpha)
    expected = f"{risk * runs:.1f} of {runs} panels would have it at the share of the records ({100 * risk:.1f} %)"
    weak = f"too rare to count: {expected}; its severity is rated instead" if power < POWER else ""
    return {**row, "size": risk, "power": power, "why": weak}
