"""Effects of a designed trial: on the level and on the spread, each with the error that belongs to it.

Readings repeated on one run say how the run varies within, not how a run set up
again would come out: they are summarised first and never counted as replicates.

References
----------
.. [1] Box, G. E. P., Hunter, J. S. and Hunter, W. G. (2005). Statistics for Experimenters, 2nd edition, chapter 5.
.. [2] Lenth, R. V. (1989). Quick and easy analysis of unreplicated factorials. Technometrics 31, 469.
.. [3] Montgomery, D. C. (2013). Design and Analysis of Experiments, 8th edition, sections 6.8 and 14.5.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.stats.rows import check_confidence, complete_rows, finite_values
from auditkit.stats.trial_strata import contrast_columns, corner_runs, error_strata, stratum_of
from auditkit.stats.trials import effect_name

__all__ = [
    "Curvature",
    "Lenth",
    "TrialEffects",
    "curvature",
    "lenth",
    "pseudo_errors",
    "repeats_summary",
    "trial_effects",
]

Floats = npt.NDArray[np.float64]

_COLUMNS = ["effect", "aliased_with", "estimate", "coefficient", "std_error", "df", "low", "high", "p", "stratum"]


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialEffects:
    """Effects of a two-level trial.

    Parameters
    ----------
    table : DataFrame
        effect, aliased_with, estimate (mean at high less mean at low),
        coefficient (half of it), std_error, df, low, high, p, stratum ('run' or
        'whole plot'). The last six are NaN without replicates.
    mean : float
        Of the corner runs.
    n, replicated_df : int
        Corner runs, and degrees of freedom between runs of like setting.
    confidence : float
    method : str
    """

    table: pd.DataFrame
    mean: float
    n: int
    replicated_df: int
    confidence: float
    method: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Curvature:
    """Whether the middle lies off the plane of the corners.

    Parameters
    ----------
    estimate : float
        Mean of the corners less mean of the centre runs.
    std_error : float
        From centre runs and from like corners.
    df : int
    low, high, p : float
    """

    estimate: float
    std_error: float
    df: int
    low: float
    high: float
    p: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Lenth:
    """Yardstick for the effects of a trial without replicates.

    Parameters
    ----------
    pseudo_error : float
        Pseudo standard error of an effect.
    margin : float
        Margin of error: one effect named beforehand is beyond chance above it.
    simultaneous_margin : float
        The same for all effects at once.
    n : int
        Effects.
    confidence : float
    """

    pseudo_error: float
    margin: float
    simultaneous_margin: float
    n: int
    confidence: float


def repeats_summary(readings: pd.DataFrame, *, run: str, response: str) -> pd.DataFrame:
    """Return one row a run: its mean, standard deviation and log standard deviation of repeated readings.

    Parameters
    ----------
    readings : DataFrame
        One row a reading, none missing.
    run : str
        Column that names the run, one set-up of the trial.
    response : str

    Returns
    -------
    DataFrame
        The run's column, mean, sd, log_sd, n; by run. sd is NaN for a single
        reading, log_sd also where all readings are alike.

    Examples
    --------
    >>> readings = pd.DataFrame({"run": [1, 1, 2, 2], "y": [4.0, 6.0, 5.0, 5.0]})
    >>> repeats_summary(readings, run="run", response="y").round(3).to_dict("list")
    {'run': [1, 2], 'mean': [5.0, 5.0], 'sd': [1.414, 0.0], 'log_sd': [0.347, nan], 'n': [2, 2]}
    """
    rows, _ = complete_rows(readings, columns=[run, response])
    table = rows.groupby(run, sort=True)[response].agg(mean="mean", sd="std", n="size").reset_index()
    log_sd = np.log(table["sd"].where(table["sd"] > 0))
    return table.assign(log_sd=log_sd)[[run, "mean", "sd", "log_sd", "n"]]


def trial_effects(
    runs: pd.DataFrame,
    *,
    factors: Sequence[str],
    response: str,
    order: int = 2,
    whole_plot: str | None = None,
    block: str | None = None,
    confidence: float = 0.95,
) -> TrialEffects:
    """Return the effects of a two-level trial, with limits where settings were replicated.

    Parameters
    ----------
    runs : DataFrame
        One row a run (not a reading): see `repeats_summary`.
    factors : sequence of str
        Columns, coded -1 and +1; rows with a 0 are centre runs and left to `curvature`.
    response : str
        Column of the run's mean, or of its spread.
    order : int
        Most factors in an effect.
    whole_plot : str, optional
        Column that names the whole plot, where some factors were set once for
        several runs. Effects of those factors are held against the error
        between whole plots.
    block : str, optional
        Column that names the block, whose differences are taken out of the error.
    confidence : float

    Returns
    -------
    TrialEffects

    Raises
    ------
    ValueError
        A level is not -1, 0 or +1, a value is missing, or the runs are not balanced.

    References
    ----------
    [1]_ chapter 5; [3]_ section 14.5 for whole plots.

    Examples
    --------
    >>> runs = pd.DataFrame({"a": [-1, 1, -1, 1], "b": [-1, -1, 1, 1], "y": [1.0, 3.0, 2.0, 6.0]})
    >>> trial_effects(runs, factors=["a", "b"], response="y").table.set_index("effect")["estimate"].to_dict()
    {'a': 3.0, 'b': 2.0, 'a x b': 1.0}
    """
    check_confidence(confidence)
    names = [*factors, *(name for name in (whole_plot, block) if name is not None)]
    kept, _ = complete_rows(runs, columns=[*names, response])
    kept = kept[corner_runs(kept, factors)].reset_index(drop=True)
    y = kept[response].to_numpy(dtype=np.float64)
    strata = error_strata(kept, factors=factors, whole_plot=whole_plot, block=block)
    rows = []
    for contrast in contrast_columns(kept, factors=factors, order=order):
        stratum = stratum_of(contrast, runs=kept, whole_plot=whole_plot)
        estimate = float(2.0 * contrast.column @ y / len(y))
        name, aliases = effect_name(contrast.word), ", ".join(contrast.aliases)
        rows.append(
            (name, aliases, estimate, estimate / 2.0, *_error(y, estimate, strata[stratum], confidence), stratum)
        )
    df = sum(basis.shape[1] for basis in strata.values())
    return TrialEffects(
        table=pd.DataFrame(rows, columns=_COLUMNS),
        mean=float(y.mean()),
        n=len(y),
        replicated_df=df,
        confidence=confidence,
        method="two-level contrasts" + ("; error between runs of like setting" if df else "; no replicates, no error"),
    )


def lenth(effects: npt.ArrayLike, *, confidence: float = 0.95) -> Lenth:
    """Return the yardstick of a trial without replicates, made of its own small effects.

    It supposes that most effects are nothing but chance. Its t is an
    approximation on the safe side: of 15 effects that are all chance, about 3 %
    pass the 95 % margin.

    Parameters
    ----------
    effects : array_like
        All estimated effects, three or more.
    confidence : float

    Returns
    -------
    Lenth

    Raises
    ------
    ValueError
        There are fewer than three effects.

    References
    ----------
    [2]_ of the module.

    Examples
    --------
    >>> yardstick = lenth([3.1025, -.8675, .2125, .1275, .2475, .2975, .1425])
    >>> round(yardstick.pseudo_error, 3), round(yardstick.margin, 2)
    (0.345, 1.3)
    """
    from scipy.stats import t

    check_confidence(confidence)
    sizes = np.abs(finite_values(effects, at_least=3, what="effects"))
    error = float(pseudo_errors(sizes[:, None])[0])
    count = len(sizes)
    each = (1.0 + confidence ** (1.0 / count)) / 2.0
    return Lenth(
        pseudo_error=error,
        margin=float(t.ppf((1.0 + confidence) / 2.0, count / 3.0)) * error,
        simultaneous_margin=float(t.ppf(each, count / 3.0)) * error,
        n=count,
        confidence=confidence,
    )


def pseudo_errors(effects: Floats) -> Floats:
    """Return Lenth's pseudo standard error of each column of effects.

    Examples
    --------
    >>> pseudo_errors(np.array([[0.1], [0.2], [9.0]])).round(3).tolist()
    [0.225]
    """
    sizes = np.abs(effects)
    first = 1.5 * np.median(sizes, axis=0)
    small = np.where(sizes < 2.5 * first, sizes, np.nan)  # [2] eq. 1
    small[:, first == 0.0] = 0.0
    return np.asarray(1.5 * np.nanmedian(small, axis=0), dtype=np.float64)


def curvature(
    runs: pd.DataFrame, *, factors: Sequence[str], response: str, block: str | None = None, confidence: float = 0.95
) -> Curvature:
    """Return whether the middle lies off the plane of the corners.

    Parameters
    ----------
    runs : DataFrame
        One row a run, corners (-1, +1) and two centre runs (0) or more.
    factors : sequence of str
    response : str
    block : str, optional
        Column that names the block, whose differences are taken out of the
        estimate and of the error.
    confidence : float

    Returns
    -------
    Curvature

    Raises
    ------
    ValueError
        There are fewer than two centre runs, or settings and blocks leave no
        difference between like runs.

    References
    ----------
    [3]_ section 6.8.

    Examples
    --------
    >>> runs = pd.DataFrame({"a": [-1, 1, 0, 0, 0], "y": [1.0, 3.0, 5.0, 6.0, 4.0]})
    >>> found = curvature(runs, factors=["a"], response="y")
    >>> round(found.estimate, 3), round(found.std_error, 3), found.df
    (-3.0, 0.913, 2)
    """
    from scipy.stats import t

    check_confidence(confidence)
    kept, _ = complete_rows(runs, columns=[*factors, response, *([block] if block is not None else [])])
    corner = corner_runs(kept, factors)
    if (~corner).sum() < 2:
        raise ValueError(f"two centre runs or more are needed; given {int((~corner).sum())}")
    y = kept[response].to_numpy(dtype=np.float64)
    setting = kept.groupby(list(factors), sort=True).ngroup()
    like = pd.get_dummies(setting).to_numpy(dtype=np.float64)
    of_corners = np.asarray(corner @ like, dtype=np.float64)
    model = like
    if block is not None:
        others = pd.get_dummies(kept[block], drop_first=True).to_numpy(dtype=np.float64)
        model = np.column_stack([like, others])
    weights = np.zeros(model.shape[1])
    weights[: like.shape[1]] = np.where(of_corners > 0, of_corners / corner.sum(), -1.0)
    inverse = np.linalg.pinv(model.T @ model)
    fitted = inverse @ model.T @ y
    df = len(y) - int(np.linalg.matrix_rank(model))
    if df < 1:
        raise ValueError("settings and blocks must leave differences between like runs; they leave none")
    squares = float(((y - model @ fitted) ** 2).sum())
    if squares < 1e-20 * float((y**2).sum()):
        squares = 0.0
    estimate = float(weights @ fitted)
    error = float(np.sqrt(squares / df * (weights @ inverse @ weights)))
    reach = float(t.isf((1.0 - confidence) / 2.0, df)) * error
    p = float(2.0 * t.sf(abs(estimate) / error, df)) if error else float(estimate == 0)
    return Curvature(estimate=estimate, std_error=error, df=df, low=estimate - reach, high=estimate + reach, p=p)


def _error(y: Floats, estimate: float, basis: Floats, confidence: float) -> tuple[float, ...]:
    from scipy.stats import t

    df = basis.shape[1]
    if not df:
        nan = float("nan")
        return nan, nan, nan, nan, nan
    mean_square = float(((basis.T @ y) ** 2).sum()) / df
    error = float(np.sqrt(4.0 * mean_square / len(y)))
    reach = float(t.isf((1.0 - confidence) / 2.0, df)) * error
    p = float(2.0 * t.sf(abs(estimate) / error, df)) if error else float(estimate == 0)
    return error, float(df), estimate - reach, estimate + reach, p
