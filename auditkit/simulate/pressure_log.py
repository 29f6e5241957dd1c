"""A logger on one unit's pot: pressure once a second while the unit is at work, with what loggers do wrong."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.simulate.instruments import LOGGER

if TYPE_CHECKING:
    from auditkit.simulate.truth import Truth

__all__ = ["LoggedPressure", "log_pressure"]

_BEFORE_S = 60  # logged before the first setting of a run
_AFTER_S = 45  # and after the run's end
_CALM_S = 15  # no drop-out or bad cell so near a setting
_WANDER_KPA, _KEPT = 0.25, 0.8  # slow wander about the set pressure: spread, and share kept from second to second
_HISS_KPA = 0.10
_OFF_SETTING_PSI = 0.12  # set pressure against the figure written down, which is to half a psi
_ERRORS = ("ERR", "-.--", "ovl")

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class LoggedPressure:
    """The log of one unit, and what its export spoils.

    Parameters
    ----------
    readings : DataFrame
        unit_id, logged_at (local, without zone), pot_kpa `[kPa]`, missing
        where the logger wrote no figure; sorted by time.
    unreadable : DataFrame
        Rows of the export that are no readings: logged_at, cell.
    repeated : DataFrame
        Rows of the export that repeat a second with another figure: logged_at, pot_kpa `[kPa]`.
    drawn : dict
        What is true in it, as plain JSON values.
    """

    readings: pd.DataFrame
    unreadable: pd.DataFrame
    repeated: pd.DataFrame
    drawn: dict[str, object]


def log_pressure(runs: pd.DataFrame, settings: pd.DataFrame, truth: Truth, rng: np.random.Generator) -> LoggedPressure:
    """Return the log of the unit whose filter clogs, over some days of it.

    The pressure stands within a quarter of a psi of each figure written down,
    from that moment until the next.

    Parameters
    ----------
    runs : DataFrame
        Runs with run_id, unit_id, day and times, local.
    settings : DataFrame
        Pressure settings, times local.
    truth : Truth
    rng : Generator

    Examples
    --------
    >>> from auditkit.simulate.audit import simulate_audit
    >>> log = simulate_audit(seed=1).log.readings
    >>> log["unit_id"].unique().tolist(), bool(log["logged_at"].is_monotonic_increasing)
    (['U3'], True)
    """
    days = pd.date_range(truth.log_from, truth.log_until)
    logged = runs.loc[(runs["unit_id"] == truth.clogging_unit) & runs["started_at"].dt.normalize().isin(days)]
    logged = logged.sort_values("started_at", kind="stable")
    length = logged["ended_at"] - logged["started_at"]
    pulsing = str(logged.loc[length.idxmax(), "run_id"]) if len(logged) else None
    begun = pd.Timestamp.min
    pieces, drop_outs = [], []
    for number, run in enumerate(logged.to_dict("records")):
        own = settings.loc[settings["run_id"] == run["run_id"]].sort_values("set_at", kind="stable")
        piece = _piece(own, run["ended_at"], rng, pulse=_pulse(truth) if run["run_id"] == pulsing else None)
        piece = piece.loc[piece["logged_at"] > begun]
        begun = piece["logged_at"].max()
        piece["quiet"] = _away_from(piece["logged_at"], own["set_at"]) & piece["logged_at"].between(
            run["started_at"], run["ended_at"]
        )
        if number % 4 == 1 and run["run_id"] != pulsing:
            piece, gone = _dropped_out(piece, rng)
            drop_outs += [{"run_id": run["run_id"], **gap} for gap in gone]
        pieces.append(piece)
    whole = pd.concat(pieces, ignore_index=True) if pieces else _no_rows()
    spoilt, unreadable, repeated = _spoilt(whole, rng)
    readings = spoilt.assign(unit_id=truth.clogging_unit)[["unit_id", "logged_at", "pot_kpa"]]
    drawn: dict[str, object] = {
        "unit_id": truth.clogging_unit,
        "runs": logged["run_id"].tolist(),
        "readings": len(readings),
        "blank": int(readings["pot_kpa"].isna().sum()),
        "pulsing": {"run_id": pulsing, "period_s": truth.log_pulse_s, "amplitude_kpa": truth.log_pulse_kpa},
        "drop_outs": drop_outs,
        "unreadable": len(unreadable),
        "repeated_seconds": len(repeated),
    }
    return LoggedPressure(readings=readings, unreadable=unreadable, repeated=repeated, drawn=drawn)


def _pulse(truth: Truth) -> tuple[float, float]:
    return truth.log_pulse_s, truth.log_pulse_kpa


def _piece(
    settings: pd.DataFrame, ended: pd.Timestamp, rng: np.random.Generator, *, pulse: tuple[float, float] | None
) -> pd.DataFrame:
    """Return the log of one run, from before its first setting until after its end."""
    zero = settings["set_at"].iloc[0]
    times = pd.date_range(zero - pd.Timedelta(seconds=_BEFORE_S), ended + pd.Timedelta(seconds=_AFTER_S), freq="s")
    t = (times - zero).total_seconds().to_numpy(dtype="float64")
    set_s = (settings["set_at"] - zero).dt.total_seconds().to_numpy(dtype="float64")
    off = rng.uniform(-_OFF_SETTING_PSI, _OFF_SETTING_PSI, len(set_s)) * 6.895
    levels = settings["pot_kpa"].to_numpy(dtype="float64") + off
    # the knob is turned over five seconds, and the figure written down when it is done
    knots = np.concatenate([[-35.0, 0.0], *[[at - 5.0, at] for at in set_s[1:]]])
    level = np.interp(t, knots, np.concatenate([[0.0], np.repeat(levels, 2)[:-1]]))
    end_s = (ended - zero).total_seconds()
    open_share = np.clip(1 - (t - end_s - 15.0) / 8.0, 0.0, 1.0)  # the pot is vented
    pot = level + _wander(len(t), rng) + rng.normal(0, _HISS_KPA, len(t))
    if pulse is not None:
        period, amplitude = pulse
        pot += amplitude * np.sin(2 * np.pi * t / period)
    pot = np.where(level > 0, np.maximum(pot, 0.0), 0.0) * open_share
    return pd.DataFrame({"logged_at": times, "pot_kpa": LOGGER.read(pot)})


def _wander(n: int, rng: np.random.Generator) -> Floats:
    from scipy.signal import lfilter

    pushed = rng.normal(0, _WANDER_KPA * np.sqrt(1 - _KEPT**2), n)
    result: Floats = lfilter([1.0], [1.0, -_KEPT], pushed)
    return result


def _away_from(times: pd.Series, settings: pd.Series) -> pd.Series:
    """Return which seconds lie well away from every setting."""
    away = pd.Series(True, index=times.index)
    for at in settings:
        away &= (times - at).abs() > pd.Timedelta(seconds=_CALM_S)
    return away


def _dropped_out(piece: pd.DataFrame, rng: np.random.Generator) -> tuple[pd.DataFrame, list[dict[str, object]]]:
    """Return the log of a run without a stretch of it, and that stretch."""
    seconds = int(rng.integers(12, 45))
    quiet = piece["quiet"].to_numpy(dtype=bool)
    fits = [first for first in range(len(piece) - seconds) if quiet[first - 1 : first + seconds + 1].all() and first]
    if not fits:
        return piece, []
    first = int(rng.choice(fits))
    gone = piece.iloc[first : first + seconds]
    gap: dict[str, object] = {"from": str(gone["logged_at"].iloc[0]), "seconds": seconds}
    return piece.drop(gone.index), [gap]


def _spoilt(whole: pd.DataFrame, rng: np.random.Generator) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Return the log with some figures missing and some rows gone, the cells that stand there, and repeated seconds."""
    quiet = np.flatnonzero(whole["quiet"].to_numpy(dtype=bool))
    picked = rng.permutation(quiet)[:15]
    bad, blank, twice = np.sort(picked[:5]), picked[5:11], np.sort(picked[11:])
    unreadable = pd.DataFrame(
        {"logged_at": whole["logged_at"].iloc[bad].to_numpy(), "cell": rng.choice(_ERRORS, len(bad))}
    )
    first = whole["pot_kpa"].iloc[twice].to_numpy(dtype="float64")
    other = LOGGER.read(first + 0.9 + rng.uniform(0, 1, len(twice)))
    repeated = pd.DataFrame({"logged_at": whole["logged_at"].iloc[twice].to_numpy(), "pot_kpa": other})
    kept = whole.assign(pot_kpa=whole["pot_kpa"].where(~np.isin(np.arange(len(whole)), blank)))
    return kept.drop(whole.index[bad]).reset_index(drop=True), unreadable, repeated


def _no_rows() -> pd.DataFrame:
    return pd.DataFrame(
        {"logged_at": pd.Series(dtype="datetime64[us]"), "pot_kpa": pd.Series(dtype="float64"), "quiet": False}
    )
