"""Hand-made runs and notes of the tests of lives, looks and conflicts."""

import pandas as pd


def runs_of(unit="U1", days=range(4, 30), month="2027-01"):
    """Two runs of two hours a day, at 8:00 and 13:00."""
    names = [f"{month}-{day:02d}" for day in days]
    rows = [
        (f"{unit}{name}{hour}", unit, pd.Timestamp(f"{name}T{hour}:00Z"), name)
        for name in names
        for hour in ("08", "13")
    ]
    frame = pd.DataFrame(rows, columns=["run_id", "unit_id", "started_at", "day"])
    frame["started_at"] = frame["started_at"].dt.as_unit("us")
    return frame.assign(ended_at=frame["started_at"] + pd.Timedelta(hours=2))


def notes_of(*rows, part="brush", unit="U1"):
    """Notes as (day of January and hour, action, found, wear)."""
    full = [(unit, part, action, wear, found, f"2027-01-{at}Z") for at, action, found, wear in rows]
    frame = pd.DataFrame(full, columns=["unit_id", "part", "action", "wear_pct", "found", "done_at"])
    frame["done_at"] = pd.to_datetime(frame["done_at"], utc=True).dt.as_unit("us")
    return frame.astype({"wear_pct": "float64", "found": "str"})


def units_of(at="2027-01-04T06:00Z", unit="U1"):
    return pd.DataFrame({"unit_id": [unit], "in_service_at": pd.to_datetime([at], utc=True).as_unit("us")})
