"""The truths an invented audit is made from: every cause, size and date, written down."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import date
from typing import TYPE_CHECKING, Literal

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

__all__ = ["DEFAULT_TRUTH", "Effect", "Truth", "as_json"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Effect:
    """One planted cause: log-odds of a defect rise from a knee on, up to a cap.

    Parameters
    ----------
    defect : str
        Kind of defect, in the contract's word.
    condition : str
        Condition that causes it; a column of the conditions at the runs.
    direction : {"above", "below"}
        Side of the knee on which the condition does harm.
    knee : float
        Value from which it does harm, in the condition's unit.
    per_unit : float
        Log-odds added for each unit beyond the knee.
    cap : float
        Most log-odds it can add.

    Examples
    --------
    >>> far = Effect(defect="dry spray", condition="standoff_mm", direction="above", knee=200, per_unit=0.1, cap=3)
    >>> far.log_odds(np.array([150.0, 210.0, 400.0])).tolist()
    [0.0, 1.0, 3.0]
    """

    defect: str
    condition: str
    direction: Literal["above", "below"]
    knee: float
    per_unit: float
    cap: float

    def log_odds(self, values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        """Return the log-odds added at each value of the condition.

        Examples
        --------
        >>> short = Effect(defect="spit", condition="follow_through_s", direction="below", knee=5, per_unit=2, cap=3)
        >>> short.log_odds(np.array([4.0, 6.0])).tolist()
        [2.0, 0.0]
        """
        beyond = values - self.knee if self.direction == "above" else self.knee - values
        return np.clip(beyond * self.per_unit, 0.0, self.cap)


def _above(defect: str, condition: str, knee: float, per_unit: float, cap: float) -> Effect:
    return Effect(defect=defect, condition=condition, direction="above", knee=knee, per_unit=per_unit, cap=cap)


def _below(defect: str, condition: str, knee: float, per_unit: float, cap: float) -> Effect:
    return Effect(defect=defect, condition=condition, direction="below", knee=knee, per_unit=per_unit, cap=cap)


_EFFECTS: tuple[Effect, ...] = (
    _above("dry spray", "standoff_mm", 190.0, 0.20, 3.2),
    _below("dry spray", "filter_open_share", 0.95, 24.0, 3.6),
    _above("thin back", "standoff_mm", 190.0, 0.20, 3.1),
    _above("thin back", "brush_wear_pct", 48.0, 0.40, 3.4),
    _above("thin back", "part_ground_log10_ohm", 6.0, 8.0, 3.0),
    _below("run or sag", "standoff_mm", 154.0, 0.22, 3.2),
    _above("run or sag", "pot_kpa", 47.5, 1.0, 3.0),
    _above("orange peel", "pot_kpa", 47.5, 0.90, 3.0),
    _below("orange peel", "filter_open_share", 0.93, 16.0, 2.8),
    _above("crater", "humidity_pct", 81.0, 0.70, 3.8),
    _below("pinhole", "dew_margin_c", 3.2, 3.0, 3.3),
    _above("spit", "bell_hours", 20.0, 0.5, 3.0),
    _above("inclusion", "bell_hours", 20.0, 0.5, 2.8),
    _below("spit", "follow_through_s", 5.4, 3.0, 3.2),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What is true in an invented audit; change one with `dataclasses.replace`.

    Parameters
    ----------
    time_zone : str
        Zone in which the crews' clocks and days are read.
    first_day : date
        First working day, a Monday.
    weeks : int
        Length of the refit; five working days a week.
    baseline_log_odds : tuple of (str, float)
        Log-odds of each defect on a run where nothing is amiss.
    effects : tuple of Effect
        The planted causes; there are no others.
    innocent : tuple of (str, str)
        Pairs of condition and defect that look guilty in the crude table and are not.
    operator_standoff_mm : tuple of (str, float)
        Distance each operator keeps by habit `[mm]`.
    operator_overlap_pct : tuple of (str, float)
        Overlap each operator strokes with by habit `[%]`; low throughout one crew.
    operator_follow_through_s : tuple of (str, float)
        Time each operator goes on stroking after the trigger is let go `[s]`.
    operator_pressure : tuple of (str, float)
        Pressure each operator likes, as a share of what viscosity asks for `[-]`.
    vessel_humidity_pct : tuple of (str, float)
        Mean relative humidity aboard each vessel `[%]`; one vessel is damp.
    vessel_air_temp_c : tuple of (str, float)
        Mean air temperature aboard each vessel `[C]`.
    humidity_day_sd_pct : float
        Spread of humidity between days `[%]`.
    unit_flow_constant : tuple of (str, float)
        Flow of each unit in clean state: `ml/min = constant * kPa / (mm2/s)`.
    pressure_at_reference_kpa : float
        Pot pressure the crews set at the reference viscosity `[kPa]`.
    reference_mm2_s : float
        Viscosity at which that pressure is set `[mm2/s]`.
    pressure_sd : float
        Spread of the set pressure between runs, on the log scale `[-]`.
    clogging_unit : str
        Unit whose filter clogs.
    clogging_from : date
        Day on which its filter begins to clog.
    clogging_until : date
        Day at whose end it is found and cleaned.
    clogged_share : float
        Share of the clean flow that is left on the last day `[-]`.
    brush_wear_per_day_pct : float
        Wear a contact brush gathers on a working day `[%]`.
    brush_check_every_days : int
        Working days between two inspections of a brush.
    bell_skip_share : float
        Share of mornings on which a unit goes to work with its bell not cleaned `[-]`.
    operator_bell_wipe_share : tuple of (str, float)
        Share of an operator's runs after which, where the unit sprays again that day and its bell was cleaned in
        the morning, the bell is cleaned again `[-]`; it causes nothing, nor does a pause without it.
    relist_share : float
        Share of changes of the bell within a day for which the start-up list is gone through again `[-]`.
    feed_tube_slip_share : float
        Share of start-up lists on which the feed tube is set for the other bell `[-]`; it causes nothing.
    drifting_gauge : str
        Gauge that drifts upward.
    drift_from : date
        Day from which it drifts.
    drift_pct_per_day : float
        Drift gathered on each working day from then on, as it stands in the evening `[%]`.
    morning_share_of_drift : float
        Share of that drift left in the morning, after the gauge was set on its standard `[-]`.
    wrap_ratio : tuple of (str, float)
        Film on the reverse as a share of the facing film, by geometry, when all is well `[-]`.
    facing_loss_per_mm : float
        Share of facing film lost for each mm of standoff beyond 178 mm `[1/mm]`.
    wrap_loss_per_mm : float
        Share of wrap lost for each mm of standoff beyond 178 mm `[1/mm]`.
    area_sd, spot_sd, reading_sd : float
        Spread of film between areas, between spots within an area and between
        readings within a spot, on the log scale `[-]`.
    extent_most_steps : int
        Most steps outward from a thin area at which the film is still thin.
    extent_sound_ratio : float
        Film beyond a thin zone, as a share of the specified minimum `[-]`.
    operator_standoff_range_mm : tuple of (str, float)
        Range within a run over which each operator's standoff goes by habit `[mm]`; it causes nothing of its own.
    log_from, log_until : date
        First and last day on which a logger recorded the pot of the clogging unit.
    log_pulse_s, log_pulse_kpa : float
        Period and amplitude with which the pump pulses in the longest logged run `[s]`, `[kPa]`.
    replacement_costs : tuple of (str, tuple of float)
        What a change of each part costs when planned and after a failure, in EUR.
    study_mean_um : float
        Mean film at the places of the measuring studies `[um]`.
    study_sd_um : tuple of (str, float)
        Spread in those studies of places, inspectors, inspectors at a place (crossed only)
        and repeats, before the gauge rounds to its own step `[um]`.

    Examples
    --------
    >>> DEFAULT_TRUTH.clogging_unit
    'U3'
    >>> [effect.condition for effect in DEFAULT_TRUTH.effects if effect.defect == "crater"]
    ['humidity_pct']
    """

    time_zone: str = "Europe/Oslo"
    first_day: date = date(2027, 1, 11)
    weeks: int = 8
    baseline_log_odds: tuple[tuple[str, float], ...] = (
        ("dry spray", -4.2),
        ("run or sag", -4.0),
        ("crater", -4.4),
        ("thin back", -4.3),
        ("orange peel", -4.0),
        ("pinhole", -3.7),
        ("inclusion", -4.0),
        ("spit", -4.2),
    )
    effects: tuple[Effect, ...] = _EFFECTS
    innocent: tuple[tuple[str, str], ...] = (("overlap_pct", "crater"), ("overlap_pct", "pinhole"))
    operator_standoff_mm: tuple[tuple[str, float], ...] = (
        ("OP1", 174.0),
        ("OP2", 203.0),
        ("OP3", 156.0),
        ("OP4", 170.0),
        ("OP5", 196.0),
        ("OP6", 155.0),
        ("OP7", 188.0),
    )
    operator_overlap_pct: tuple[tuple[str, float], ...] = (
        ("OP1", 50.0),
        ("OP2", 48.0),
        ("OP3", 47.0),
        ("OP4", 30.0),
        ("OP5", 32.0),
        ("OP6", 49.0),
        ("OP7", 48.0),
    )
    operator_follow_through_s: tuple[tuple[str, float], ...] = (
        ("OP1", 7.2),
        ("OP2", 6.6),
        ("OP3", 5.5),
        ("OP4", 6.9),
        ("OP5", 5.7),
        ("OP6", 6.9),
        ("OP7", 6.0),
    )
    operator_pressure: tuple[tuple[str, float], ...] = (
        ("OP1", 1.00),
        ("OP2", 1.06),
        ("OP3", 0.97),
        ("OP4", 0.95),
        ("OP5", 1.05),
        ("OP6", 1.03),
        ("OP7", 0.96),
    )
    vessel_humidity_pct: tuple[tuple[str, float], ...] = (
        ("MF Vestrelin", 60.0),
        ("MF Ostrigan", 86.5),
        ("MF Nordavel", 58.0),
    )
    vessel_air_temp_c: tuple[tuple[str, float], ...] = (
        ("MF Vestrelin", 14.0),
        ("MF Ostrigan", 11.0),
        ("MF Nordavel", 13.5),
    )
    humidity_day_sd_pct: float = 6.0
    unit_flow_constant: tuple[tuple[str, float], ...] = (("U1", 208.0), ("U2", 197.0), ("U3", 214.0), ("U4", 203.0))
    pressure_at_reference_kpa: float = 41.5
    reference_mm2_s: float = 74.0
    pressure_sd: float = 0.13
    clogging_unit: str = "U3"
    clogging_from: date = date(2027, 1, 25)
    clogging_until: date = date(2027, 2, 12)
    clogged_share: float = 0.50
    brush_wear_per_day_pct: float = 3.7
    brush_check_every_days: int = 2
    bell_skip_share: float = 0.15
    operator_bell_wipe_share: tuple[tuple[str, float], ...] = (
        ("OP1", 0.93),
        ("OP2", 0.88),
        ("OP3", 0.68),
        ("OP4", 0.90),
        ("OP5", 0.90),
        ("OP6", 0.62),
        ("OP7", 0.75),
    )
    relist_share: float = 0.90
    feed_tube_slip_share: float = 0.025
    drifting_gauge: str = "G2"
    drift_from: date = date(2027, 2, 8)
    drift_pct_per_day: float = 0.22
    morning_share_of_drift: float = 0.30
    wrap_ratio: tuple[tuple[str, float], ...] = (
        ("tube", 0.78),
        ("angle", 0.64),
        ("channel", 0.52),
        ("mesh", 0.84),
        ("flat", 0.36),
    )
    facing_loss_per_mm: float = 0.0022
    wrap_loss_per_mm: float = 0.0030
    area_sd: float = 0.11
    spot_sd: float = 0.08
    reading_sd: float = 0.03
    extent_most_steps: int = 3
    extent_sound_ratio: float = 1.32
    operator_standoff_range_mm: tuple[tuple[str, float], ...] = (
        ("OP1", 26.0),
        ("OP2", 20.0),
        ("OP3", 30.0),
        ("OP4", 18.0),
        ("OP5", 24.0),
        ("OP6", 22.0),
        ("OP7", 32.0),
    )
    log_from: date = date(2027, 2, 11)
    log_until: date = date(2027, 2, 16)
    log_pulse_s: float = 9.0
    log_pulse_kpa: float = 2.0
    replacement_costs: tuple[tuple[str, tuple[float, float]], ...] = (
        ("brush", (40.0, 900.0)),
        ("filter", (6.0, 350.0)),
        ("o-rings", (12.0, 240.0)),
    )
    study_mean_um: float = 75.0
    study_sd_um: tuple[tuple[str, float], ...] = (
        ("place", 12.0),
        ("inspector", 1.5),
        ("inspector at place", 0.8),
        ("repeat", 1.5),
    )


DEFAULT_TRUTH = Truth()


def as_json(truth: Truth) -> dict[str, object]:
    """Return the truth as plain JSON values, dates as ISO text.

    Examples
    --------
    >>> as_json(DEFAULT_TRUTH)["clogging_from"]
    '2027-01-25'
    """
    plain: dict[str, object] = {}
    for name, value in asdict(truth).items():
        if isinstance(value, date):
            plain[name] = value.isoformat()
        elif name == "effects":
            plain[name] = list(value)
        elif name == "replacement_costs":
            plain[name] = {part: list(costs) for part, costs in value}
        elif name == "innocent":
            plain[name] = [{"condition": condition, "defect": defect} for condition, defect in value]
        elif isinstance(value, tuple):
            plain[name] = dict(value)
        else:
            plain[name] = value
    return plain
