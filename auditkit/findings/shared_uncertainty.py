"""What all readings of one place share: the error of the gauge, of its standard, and of the correction for profile."""

from __future__ import annotations

import math

import pandas as pd

from auditkit.findings.budget import gauge_errors
from auditkit.trade.film_limits import correction_half_width_um
from auditkit.trade.film_rules import FilmRules

__all__ = ["placed_readings", "shared_uncertainty"]

_BY_SPOTS = ("sspc-pa-2", "own")


def shared_uncertainty(
    readings: pd.DataFrame,
    about: pd.DataFrame,
    areas: pd.DataFrame,
    gauge_checks: pd.DataFrame | None,
    *,
    rules: FilmRules,
) -> dict[tuple[str, str, int], float]:
    """Return the standard uncertainty that all readings of a place share, by (area_id, side, part) `[um]`.

    Parameters
    ----------
    readings, about : DataFrame
        As for `mean_components`, readings with gauge_id if there.
    areas : DataFrame
        area_id, surface_profile.
    gauge_checks : DataFrame or None
        See `budget.gauge_errors`.
    rules : FilmRules
        ISO 19840's corrections.

    Returns
    -------
    dict
        Part is 0 where the rule judges the whole; NaN where a gauge has no
        check above 0, or gauges are not recorded.

    Notes
    -----
    Tolerances of gauge and standard and the half width of the correction are
    rectangular, as in `budget.film_budgets`; two gauges on one place err apart.

    References
    ----------
    JCGM 100:2008, 4.3.7 and 5.1.2.

    Examples
    --------
    >>> from auditkit.trade.film_rules import load_film_rules
    >>> film = pd.DataFrame({"area_id": ["A1"] * 2, "side": "facing", "spot": [1, 2], "dft_um": [90.0, 110.0],
    ...                      "gauge_id": "G1"})
    >>> about = pd.DataFrame({"area_id": ["A1"], "job_id": "J1", "rule": "sspc-pa-2"})
    >>> areas = pd.DataFrame({"area_id": ["A1"], "surface_profile": ["smooth"]})
    >>> checks = pd.DataFrame({"gauge_id": ["G1"], "checked_at": pd.Timestamp("2027-01-13", tz="UTC"),
    ...                        "certified_um": 100.0, "reading_um": 101.0, "gauge_tolerance_pct": 3.0,
    ...                        "standard_tolerance_pct": 0.0})
    >>> shared = shared_uncertainty(film, about, areas, checks, rules=load_film_rules())
    >>> round(shared["A1", "facing", 1], 3)  # 3 % of 100 um, rectangular
    1.732
    """
    relative: dict[str, float] = {}
    if gauge_checks is not None:
        for row in gauge_errors(gauge_checks).to_dict("records"):
            tolerances = float(row["gauge_tolerance_pct"]), float(row["standard_tolerance_pct"])
            relative[str(row["gauge_id"])] = math.hypot(*tolerances) / math.sqrt(3.0) / 100.0
    gauge = readings["gauge_id"] if "gauge_id" in readings.columns else ""
    placed = placed_readings(readings.assign(gauge_id=gauge), about, also=("gauge_id",))
    profile = dict(zip(areas["area_id"], areas["surface_profile"], strict=True))
    out = {}
    for place, own in placed.groupby(["area_id", "side", "judged_part"], sort=True):
        area, side, part = (str(name) for name in place)
        width = 0.0
        if own["rule"].iloc[0] == "iso-19840":
            width = correction_half_width_um(profile[area], rules=rules)
        # readings of one gauge err alike, those of another apart
        levels = own.groupby("gauge_id", dropna=False)["dft_um"].sum() / len(own)
        squares = [(level * relative.get(str(name), math.nan)) ** 2 for name, level in levels.items()]
        out[area, side, int(part)] = math.sqrt(sum(squares) + width**2 / 3.0)
    return out


def placed_readings(readings: pd.DataFrame, about: pd.DataFrame, *, also: tuple[str, ...] = ()) -> pd.DataFrame:
    """Return the readings with their job and judged_part, the part judged on its own or 0."""
    part = readings["part"].fillna(1).astype("int64") if "part" in readings.columns else 1
    frame = readings[["area_id", "side", "spot", "dft_um", *also]].assign(judged_part=part).merge(about, on="area_id")
    return frame.assign(judged_part=frame["judged_part"].where(frame["rule"].isin(_BY_SPOTS), 0))
