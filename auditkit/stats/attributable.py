"""Attributable fraction from summary figures: the share of outcomes that would not have been without the exposure.

From records, `standardisation.standardised_risk` gives it with its interval.

References
----------
.. [1] Levin, M. L. (1953). The occurrence of lung cancer in man. Acta Unio Internationalis Contra Cancrum 9, 531.
.. [2] Miettinen, O. S. (1974). Proportion of disease caused or prevented by a given exposure, trait or intervention.
   American Journal of Epidemiology 99, 325.
"""

from __future__ import annotations

__all__ = ["levin_fraction", "miettinen_fraction"]


def levin_fraction(prevalence: float, *, ratio: float) -> float:
    """Return the attributable fraction of an exposure that nothing confounds [-].

    Parameters
    ----------
    prevalence : float
        Share of all records that are exposed `[-]`.
    ratio : float
        Risk exposed over risk not exposed `[-]`; below 1 the fraction is
        negative (the exposure prevents).

    Returns
    -------
    float

    Raises
    ------
    ValueError
        The prevalence is not between 0 and 1, or the ratio not above 0.

    References
    ----------
    [1]_ of the module. Biased where the ratio had to be adjusted: see `miettinen_fraction`.

    Examples
    --------
    >>> round(levin_fraction(0.849, ratio=1.6054), 3)
    0.339
    """
    _check(prevalence, ratio)
    excess = prevalence * (ratio - 1.0)
    return excess / (1.0 + excess)


def miettinen_fraction(prevalence_among_cases: float, *, ratio: float) -> float:
    """Return the attributable fraction from the share of cases exposed and an adjusted ratio [-].

    Parameters
    ----------
    prevalence_among_cases : float
        Share of the records with the outcome that are exposed `[-]`.
    ratio : float
        Adjusted risk ratio `[-]`.

    Returns
    -------
    float

    Raises
    ------
    ValueError
        The prevalence is not between 0 and 1, or the ratio not above 0.

    References
    ----------
    [2]_ of the module.

    Examples
    --------
    >>> round(miettinen_fraction(0.9036, ratio=1.6054), 3)
    0.341
    """
    _check(prevalence_among_cases, ratio)
    return prevalence_among_cases * (ratio - 1.0) / ratio


def _check(prevalence: float, ratio: float) -> None:
    if not 0.0 <= prevalence <= 1.0 or not ratio > 0.0:
        raise ValueError(f"a prevalence lies between 0 and 1, a ratio above 0; given {prevalence} and {ratio}")
