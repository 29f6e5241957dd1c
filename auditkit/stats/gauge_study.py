"""Gauge study: how much of a spread is the measuring and how much the things measured.

Every operator measures every part equally often; parts and operators are
samples of more.

References
----------
[1] AIAG (2010), Measurement Systems Analysis, 4th edition, chapter III.
[2] R. K. Burdick, C. M. Borror and D. C. Montgomery (2005), Design and Analysis
    of Gauge R&R Studies, SIAM, chapter 3.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.stats.anova import anova_table
from auditkit.stats.mean_squares import modified_large_sample_limits, satterthwaite_limits
from auditkit.stats.rows import check_confidence

__all__ = ["GaugeStudy", "gauge_study"]

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeStudy:
    """Components of a measuring-system study with crossed parts and operators.

    Attributes
    ----------
    anova : DataFrame
        source ('part', 'operator', 'part x operator' unless pooled,
        'repeat'), df, ss, ms, f, p.
    components : DataFrame
        component ('repeatability', 'reproducibility', 'operator', 'part x
        operator', 'gauge', 'part', 'total'), variance (not below 0),
        raw_variance, truncated, low, high (limits of the variance), sd,
        contribution_pct (of the total variance), study_variation_pct (of the
        total standard deviation), tolerance_pct (spread over the tolerance;
        NaN where none was given).
    interaction_p : float
        p of the interaction before any pooling.
    pooled : bool
        Whether the interaction was pooled into the repeatability.
    categories_ratio, categories : float, int
        1.41 times part over gauge standard deviation, and the whole number
        below it, at least 1; NaN and -1 where the gauge shows no spread.
    n, excluded : int
        Rows used and left out.
    """

    anova: pd.DataFrame
    components: pd.DataFrame
    interaction_p: float
    pooled: bool
    categories_ratio: float
    categories: int
    n: int
    excluded: int
    confidence: float
    method: str
    notes: tuple[str, ...]


def gauge_study(
    frame: pd.DataFrame,
    *,
    response: str,
    part: str,
    operator: str,
    pool_above: float = 0.25,
    tolerance: float | None = None,
    spread: float = 6.0,
    confidence: float = 0.95,
    missing: str = "raise",
) -> GaugeStudy:
    """Return repeatability, reproducibility and part variation of a crossed study.

    Parameters
    ----------
    frame : DataFrame
        One row per measurement.
    response, part, operator : str
        Columns.
    pool_above : float
        The interaction is pooled into the repeatability where its p is above
        this; 1 never pools, 0 always does.
    tolerance : float, optional
        Width of the tolerance, for tolerance_pct.
    spread : float
        Standard deviations taken for the width of a spread.
    confidence : float
    missing : {'raise', 'exclude'}

    Returns
    -------
    GaugeStudy

    Raises
    ------
    ValueError
        The study is not balanced, or a figure is out of its range.

    Notes
    -----
    The usual factor of the number of distinct categories is 1.41, not the
    square root of 2, and so it is here.

    References
    ----------
    [1]_ for the quantities and the pooling rule, [2]_ for the limits.

    Examples
    --------
    >>> frame = pd.DataFrame(
    ...     {
    ...         "part": [p for p in "abc" for _ in range(4)],
    ...         "who": list("mmnn") * 3,
    ...         "y": [1.0, 1.2, 1.1, 1.0, 3.0, 3.1, 3.3, 3.1, 5.0, 5.1, 5.2, 5.0],
    ...     }
    ... )
    >>> study = gauge_study(frame, response="y", part="part", operator="who")
    >>> study.pooled, study.categories
    (True, 25)
    """
    check_confidence(confidence)
    if not 0.0 <= pool_above <= 1.0:
        raise ValueError(f"pool_above must be a probability, 0 to 1; given {pool_above}")
    if tolerance is not None and not tolerance > 0:
        raise ValueError(f"tolerance must be above 0, or left out; given {tolerance}")
    result = anova_table(
        frame,
        response=response,
        factors=[part, operator],
        random=[part, operator],
        model="unrestricted",
        missing=missing,
    )
    parts, operators = int(result.table["df"].iloc[0]) + 1, int(result.table["df"].iloc[1]) + 1
    repeats = result.n // (parts * operators)
    interaction_p = float(result.table["p"].iloc[2])
    pooled = interaction_p > pool_above
    anova = _anova(result.table, pooled=pooled)
    weights = _weights(parts, operators, repeats, pooled=pooled)
    components = _components(anova, weights, confidence)
    total_sd = float(components["sd"].iloc[-1])
    components["contribution_pct"] = 100.0 * components["variance"] / total_sd**2 if total_sd > 0 else np.nan
    components["study_variation_pct"] = 100.0 * components["sd"] / total_sd if total_sd > 0 else np.nan
    components["tolerance_pct"] = np.nan if tolerance is None else 100.0 * spread * components["sd"] / tolerance
    sds = components.set_index("component")["sd"]
    ratio = 1.41 * float(sds["part"]) / float(sds["gauge"]) if sds["gauge"] > 0 else np.nan  # [1] chapter III
    relation = "above" if pooled else "not above"
    return GaugeStudy(
        anova=anova,
        components=components,
        interaction_p=interaction_p,
        pooled=pooled,
        categories_ratio=ratio,
        categories=-1 if np.isnan(ratio) else max(1, int(ratio)),
        n=result.n,
        excluded=result.excluded,
        confidence=confidence,
        method="two-factor random analysis of variance; modified large-sample limits",
        notes=(
            f"the interaction has p {interaction_p:.3g}, {relation} {pool_above:g}, and was "
            f"{'pooled into the repeatability' if pooled else 'kept'}",
            *(
                f"the component of {row.component} came out at {row.raw_variance:.4g}, below zero, and is set to zero"
                for row in components.itertuples()
                if row.truncated
            ),
        ),
    )


def _anova(table: pd.DataFrame, *, pooled: bool) -> pd.DataFrame:
    """Return the table under the standard names, its interaction pooled if so decided."""
    from scipy.stats import f as f_distribution

    out = pd.DataFrame(
        {"source": ["part", "operator", "part x operator", "repeat"], "df": table["df"], "ss": table["ss"]}
    )
    if pooled:
        out.loc[3, ["df", "ss"]] = out.loc[2:3, ["df", "ss"]].sum()
        out = out.drop(index=2).reset_index(drop=True)
        out["df"] = out["df"].astype(int)
    out["ms"] = out["ss"] / out["df"]
    last = len(out) - 1
    below = [last, last] if pooled else [2, 2, 3]  # both main effects stand on the interaction where it is kept
    ratios = [
        float(out["ms"].iloc[i]) / float(out["ms"].iloc[j]) if out["ms"].iloc[j] > 0 else np.nan
        for i, j in enumerate(below)
    ]
    out["f"] = [*ratios, np.nan]
    out["p"] = [
        *(
            float(f_distribution.sf(ratio, out["df"].iloc[i], out["df"].iloc[below[i]]))
            for i, ratio in enumerate(ratios)
        ),
        np.nan,
    ]
    return out


def _weights(parts: int, operators: int, repeats: int, *, pooled: bool) -> dict[str, Floats]:
    """Return each component as a combination of the mean squares, in the order of the table."""
    if pooled:
        expected = np.array([[operators * repeats, 0, 1], [0, parts * repeats, 1], [0, 0, 1]], dtype=float)
        part, operator, repeat = np.linalg.inv(expected)
        interaction = np.zeros(3)
    else:
        expected = np.array(
            [
                [operators * repeats, 0, repeats, 1],
                [0, parts * repeats, repeats, 1],
                [0, 0, repeats, 1],
                [0, 0, 0, 1],
            ],
            dtype=float,
        )
        part, operator, interaction, repeat = np.linalg.inv(expected)
    return {
        "repeatability": repeat,
        "reproducibility": operator + interaction,
        "operator": operator,
        "part x operator": interaction,
        "gauge": repeat + operator + interaction,
        "part": part,
        "total": repeat + operator + interaction + part,
    }


def _components(anova: pd.DataFrame, weights: dict[str, Floats], confidence: float) -> pd.DataFrame:
    """Return variances with their limits; sums are of parts already held at or above zero."""
    means, freedom = anova["ms"].to_numpy(dtype=float), anova["df"].to_numpy(dtype=float)
    raw = {name: float(weight @ means) for name, weight in weights.items()}
    kept = {name: max(value, 0.0) for name, value in raw.items()}
    kept["reproducibility"] = kept["operator"] + kept["part x operator"]
    kept["gauge"] = kept["repeatability"] + kept["reproducibility"]
    kept["total"] = kept["gauge"] + kept["part"]
    rows = []
    for name, exact in weights.items():
        weight = np.where(np.abs(exact) < 1e-12, 0.0, exact)
        if not weight.any():
            low, high = 0.0, 0.0  # an interaction that was pooled away
        elif name == "repeatability":
            low, high = (
                float(x) for x in satterthwaite_limits(means, df=freedom, coefficients=weight, confidence=confidence)
            )
        else:
            low, high = (
                float(x)
                for x in modified_large_sample_limits(means, df=freedom, coefficients=weight, confidence=confidence)
            )
        rows.append(
            {
                "component": name,
                "variance": kept[name],
                "raw_variance": raw[name],
                "truncated": raw[name] < 0,
                "low": low,
                "high": high,
                "sd": float(np.sqrt(kept[name])),
            }
        )
    return pd.DataFrame(rows)
