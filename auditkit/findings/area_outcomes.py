"""Area outcomes: the film and wrap of each area as figures that compare across jobs and shapes."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from auditkit.findings.typed_columns import typed_frame

__all__ = ["MEASURED", "area_outcomes"]

MEASURED: Mapping[str, str] = {
    "film_facing": "mean film on the facing side over the job's nominal",
    "film_reverse": "mean film on the reverse over the job's nominal",
    "wrap_pct": "rated wrap",
}
"""Outcomes of an area, and what they are."""


def area_outcomes(areas: pd.DataFrame, jobs: pd.DataFrame) -> pd.DataFrame:
    """Return the film against nominal and the rated wrap of each area, reckoned to a mean geometry.

    Shapes differ in how much paint they take and let round. From each value
    the mean of its geometry is taken, and the mean of all areas put in its
    place, so that areas of different shapes can be compared.

    Parameters
    ----------
    areas : DataFrame
        `WrapFindings.areas`: area_id, job_id, geometry, facing_um, reverse_um
        `[um]`, wrap_pct `[%]`.
    jobs : DataFrame
        job_id, film_nominal_um `[um]`.

    Returns
    -------
    DataFrame
        One row an area, sorted: area_id, film_facing, film_reverse (over the
        same nominal) `[-]`, wrap_pct `[%]`; missing where not recorded.

    Examples
    --------
    >>> areas = pd.DataFrame({"area_id": ["A1", "A2", "A3"], "job_id": "J1", "geometry": ["flat", "flat", "mesh"],
    ...                       "facing_um": [70.0, 80.0, 75.0], "reverse_um": [20.0, 30.0, 65.0], "wrap_pct": 70.0})
    >>> jobs = pd.DataFrame({"job_id": ["J1"], "film_nominal_um": [75.0]})
    >>> area_outcomes(areas, jobs)["film_reverse"].round(3).tolist()
    [0.444, 0.578, 0.511]
    """
    rows = areas.merge(jobs[["job_id", "film_nominal_um"]], on="job_id", how="left").sort_values("area_id")
    nominal = rows["film_nominal_um"]
    rows = rows.assign(film_facing=rows["facing_um"] / nominal, film_reverse=rows["reverse_um"] / nominal)
    for name in MEASURED:
        values = rows[name].astype("float64")
        rows[name] = values - values.groupby(rows["geometry"]).transform("mean") + values.mean()
    return typed_frame(rows.reset_index(drop=True), {"area_id": "str", **dict.fromkeys(MEASURED, "float64")})
