"""Power of a planned trial: how often it would find effects of given size, simulated from components of variance."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.stats.trial_effects import pseudo_errors
from auditkit.stats.trial_strata import contrast_columns, corner_runs, error_strata, stratum_of
from auditkit.stats.trials import effect_name

__all__ = ["trial_power"]

Floats = npt.NDArray[np.float64]


def trial_power(
    plan: pd.DataFrame,
    *,
    factors: Sequence[str],
    effects: Mapping[str, float],
    run_sd: float,
    reading_sd: float = 0.0,
    readings: int = 1,
    whole_plot_sd: float = 0.0,
    whole_plot: str | None = None,
    block: str | None = None,
    order: int = 2,
    alpha: float = 0.05,
    simulations: int = 2000,
    unreplicated: str = "raise",
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Return how often each effect of a trial would be found.

    More readings of a run make its mean better known, but take nothing off
    what sets one run apart from the next.

    Parameters
    ----------
    plan : DataFrame
        From `trials.run_plan`; corner runs are used.
    factors : sequence of str
    effects : mapping of str to float
        Size of an effect (mean at high less mean at low), by its name as
        'a' or 'a x b'; effects not named have none.
    run_sd, reading_sd, whole_plot_sd : float
        Standard deviations between runs of like setting, between readings of a
        run, and between whole plots of like setting.
    readings : int
        Readings of each run.
    whole_plot, block : str, optional
        Columns of the plan, as `trial_effects` will be told them.
    order : int
    alpha : float
        Two-sided.
    simulations : int
    unreplicated : {'raise', 'lenth'}
        Without replicates: refuse, or hold each effect against Lenth's margin.
    rng : Generator

    Returns
    -------
    DataFrame
        effect, size, power, std_error (of the power, by simulation), df (a
        third of the effects under Lenth). For an effect of size 0, power is
        the rate of false alarms.

    Raises
    ------
    ValueError
        An effect is not one that the plan can tell, or no setting is
        replicated in the stratum an effect is held against. Lenth's margin
        needs three effects or more and runs without whole plots.

    References
    ----------
    Montgomery, D. C. (2013). Design and Analysis of Experiments, 8th edition,
    section 14.5 (errors of whole plots and of runs).

    Examples
    --------
    >>> from auditkit.stats.trials import full_factorial, run_plan
    >>> plan = run_plan(full_factorial(["a", "b"]), rng=np.random.default_rng(1), replicates=3)
    >>> found = trial_power(plan, factors=["a", "b"], effects={"a": 2.0}, run_sd=1.0, rng=np.random.default_rng(2))
    >>> found["effect"].tolist(), bool(found["power"][0] > 0.8)
    (['a', 'b', 'a x b'], True)
    """
    from scipy.stats import t

    if min(run_sd, reading_sd, whole_plot_sd) < 0 or readings < 1 or simulations < 1 or not 0 < alpha < 1:
        raise ValueError(
            "standard deviations from 0, readings and simulations from 1, alpha between 0 and 1 are needed"
        )
    runs = plan[corner_runs(plan, factors)].reset_index(drop=True)
    contrasts = contrast_columns(runs, factors=factors, order=order)
    names = [effect_name(contrast.word) for contrast in contrasts]
    strangers = sorted(set(effects) - set(names))
    if strangers:
        raise ValueError(f"effects must be among {names}; given also {strangers}")
    strata = error_strata(runs, factors=factors, whole_plot=whole_plot, block=block)
    level = sum(
        (effects.get(n, 0.0) / 2.0 * c.column for n, c in zip(names, contrasts, strict=True)), np.zeros(len(runs))
    )
    y = level[:, None] + rng.normal(0.0, np.hypot(run_sd, reading_sd / readings**0.5), (len(runs), simulations))
    if whole_plot is not None:
        plots, labels = pd.factorize(runs[whole_plot])
        y = y + rng.normal(0.0, whole_plot_sd, (len(labels), simulations))[plots]
    if unreplicated not in ("raise", "lenth"):
        raise ValueError(f"unreplicated must be 'raise' or 'lenth'; given {unreplicated!r}")
    estimates = np.stack([2.0 * contrast.column @ y / len(runs) for contrast in contrasts])
    by_lenth = unreplicated == "lenth" and not any(basis.shape[1] for basis in strata.values())
    if by_lenth and (whole_plot is not None or len(contrasts) < 3):
        raise ValueError("without replicates, three effects or more and no whole plots are needed")
    rows = []
    for place, (name, contrast) in enumerate(zip(names, contrasts, strict=True)):
        stratum = stratum_of(contrast, runs=runs, whole_plot=whole_plot)
        basis = strata[stratum]
        df = len(contrasts) / 3.0 if by_lenth else float(basis.shape[1])
        if not df:
            raise ValueError(f"{name} has no error to be held against: replicate the {stratum}s")
        error = (
            pseudo_errors(estimates) if by_lenth else np.sqrt(4.0 * ((basis.T @ y) ** 2).sum(axis=0) / df / len(runs))
        )
        found = np.abs(estimates[place]) > float(t.isf(alpha / 2.0, df)) * error
        power = float(found.mean())
        rows.append((name, float(effects.get(name, 0.0)), power, (power * (1 - power) / simulations) ** 0.5, df))
    return pd.DataFrame(rows, columns=["effect", "size", "power", "std_error", "df"])
