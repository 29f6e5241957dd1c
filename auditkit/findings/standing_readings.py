"""Film readings that stand: of the film that is on the metal now."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from auditkit.trade.standing import is_superseded

__all__ = ["standing_readings"]


def standing_readings(tables: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Return the film readings that were not made before their area's last spray run ended.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        The accepted tables; film_readings and, where there are any, spray_runs
        are used.

    Examples
    --------
    >>> readings = pd.DataFrame({"area_id": ["A1"], "taken_at": pd.to_datetime(["2027-01-11T08:00Z"])})
    >>> len(standing_readings({"film_readings": readings, "spray_runs": readings.iloc[:0]}))
    1
    """
    readings, runs = tables["film_readings"], tables["spray_runs"]
    if runs.empty or readings.empty:
        return readings.copy()
    return readings[~is_superseded(readings, runs, time="taken_at")]
