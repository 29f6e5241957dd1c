"""Wrap: ratings of the side away from the sprayer as one share, and the film found there against the facing side."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.trade.columns import require_columns

__all__ = ["SCALE_TOP", "reverse_ratio", "wrap_share"]

SCALE_TOP = {"five-best": 5.0, "ten-best": 10.0, "percent": 100.0}
"""Top of each rating scale; 0 is bare metal on all of them. Common practice, no source."""


def wrap_share(rating: npt.ArrayLike, scale: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Return wrap ratings as the share of the reverse that is covered [%].

    A scale is read as evenly spaced from bare (0) to wholly covered (its
    top). That is common practice, no source: an eye's 3 of 5 is not a measured 60 %.

    Parameters
    ----------
    rating : array_like
        Ratings, each on its own scale; a missing one stays missing.
    scale : array_like of str
        `five-best`, `ten-best` or `percent`; one for all, or one each.

    Raises
    ------
    ValueError
        A scale is unknown, or a rating lies outside its scale.

    Examples
    --------
    >>> wrap_share([4, 7.5, 62], ["five-best", "ten-best", "percent"])
    array([80., 75., 62.])
    >>> wrap_share([7], "five-best")
    Traceback (most recent call last):
    ...
    ValueError: a rating must lie between 0 and the top of its scale; given 7.0 on five-best. Correct one of them
    """
    ratings = np.atleast_1d(np.asarray(rating, dtype=float))
    scales = np.broadcast_to(np.asarray(scale, dtype=object), ratings.shape)
    unknown = sorted({str(name) for name in scales if name not in SCALE_TOP})
    if unknown:
        raise ValueError(f"scale must be one of {', '.join(SCALE_TOP)}; given {unknown}")
    tops = np.array([SCALE_TOP[name] for name in scales], dtype=float)
    outside = np.flatnonzero((ratings < 0) | (ratings > tops))
    if len(outside):
        first = outside[0]
        raise ValueError(
            "a rating must lie between 0 and the top of its scale; "
            f"given {ratings[first]} on {scales[first]}. Correct one of them"
        )
    return np.asarray(100 * ratings / tops, dtype=float)


def reverse_ratio(spots: pd.DataFrame) -> pd.DataFrame:
    """Return the film on the reverse of each area against the film on its facing side.

    Parameters
    ----------
    spots : DataFrame
        Spots as `film.spots` gives them: area_id, side, dft_um `[um]`.

    Returns
    -------
    DataFrame
        Grain area_id, in that order: facing_spots, reverse_spots `[-]`,
        facing_um, reverse_um (means of the spots) `[um]`, ratio `[-]`. Where
        a side has no spots, its mean and the ratio are missing, as is a ratio
        to a facing mean of 0. Edge spots are not used.

    Raises
    ------
    ValueError
        A column is not there.

    Examples
    --------
    >>> spots = pd.DataFrame({"area_id": ["A1", "A1", "A1", "A2"], "side": ["facing", "reverse", "edge", "facing"],
    ...                       "dft_um": [80.0, 44.0, 120.0, 90.0]})
    >>> reverse_ratio(spots)[["area_id", "facing_um", "reverse_um", "ratio"]]
      area_id  facing_um  reverse_um  ratio
    0      A1       80.0        44.0   0.55
    1      A2       90.0         NaN    NaN
    """
    require_columns(spots, ["area_id", "side", "dft_um"], name="spots")
    result = pd.DataFrame({"area_id": spots["area_id"].drop_duplicates().sort_values(ignore_index=True)})
    for side in ("facing", "reverse"):
        by_area = spots[spots["side"] == side].groupby("area_id")["dft_um"]
        result[f"{side}_spots"] = result["area_id"].map(by_area.size()).fillna(0).astype("int64")
        result[f"{side}_um"] = result["area_id"].map(by_area.mean()).astype("float64")
    result["ratio"] = result["reverse_um"] / result["facing_um"].where(result["facing_um"] > 0)
    return result[["area_id", "facing_spots", "reverse_spots", "facing_um", "reverse_um", "ratio"]]
