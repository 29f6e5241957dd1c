"""Gauge checks: tolerances as published, and which readings a failed check puts in doubt."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from auditkit.trade.gauges import NOT_COVERED, SUSPECT, combined_tolerance_pct, judge_checks, suspect_readings


def at(hour: float) -> pd.Timestamp:
    return pd.Timestamp("2027-01-13", tz="UTC") + pd.Timedelta(hours=hour)


def check(hour: float, reading: float, *, gauge: str = "G1", stage: str = "before use", certified: float = 100.0):
    return {
        "gauge_id": gauge,
        "checked_at": at(hour),
        "stage": stage,
        "certified_um": certified,
        "repeat": 1,
        "reading_um": reading,
        "gauge_tolerance_pct": 3.0,
        "standard_tolerance_pct": 1.0,
    }


def checks(*rows: dict) -> pd.DataFrame:
    frame = pd.DataFrame(rows)
    frame["checked_at"] = frame["checked_at"].astype("datetime64[us, UTC]")
    return frame


def readings(*hours: float | None, gauge: str = "G1") -> pd.DataFrame:
    return pd.DataFrame(
        {
            "area_id": "A1",
            "side": "facing",
            "spot": pd.array([1] * len(hours), dtype="Int64"),
            "repeat": pd.array(range(1, len(hours) + 1), dtype="Int64"),
            "dft_um": 80.0,
            "gauge_id": gauge,
            "taken_at": pd.Series([pd.NaT if h is None else at(h) for h in hours], dtype="datetime64[us, UTC]"),
        }
    )


@pytest.mark.parametrize(
    ("gauge", "standard", "expected"),
    [(5, 5, 7.07), (3, 1, 3.16), (2, 1, 2.24)],  # arithmetic of the root-sum-square; the 5/5 case from memory of PA 2
)
def test_tolerances_combine_in_quadrature(gauge, standard, expected):
    assert combined_tolerance_pct(gauge, standard) == pytest.approx(expected, abs=0.005)


def test_simple_sum_is_the_worst_case():
    assert combined_tolerance_pct(5, 5, combine="simple sum") == 10.0


def test_ten_mil_standard_accepts_236_to_272_um():
    # SSPC-PA 2 (2004) and ASTM D7091 note, from memory: on 254 um accept a mean of 236 to 272 um
    row = check(7, 254.0, certified=254.0) | {"gauge_tolerance_pct": 5.0, "standard_tolerance_pct": 5.0}
    judged = judge_checks(checks(row))
    assert 254.0 - judged["allowed_um"][0] == pytest.approx(236, abs=0.5)
    assert 254.0 + judged["allowed_um"][0] == pytest.approx(272, abs=0.5)


def test_mean_decides_not_the_single_reading():
    judged = judge_checks(checks(check(7, 104.0), check(7, 101.0) | {"repeat": 2}))
    assert judged["mean_um"].tolist() == [102.5]
    assert judged["passed"].tolist() == [True]
    assert judged["n"].tolist() == [2]


def test_a_mean_on_the_limit_passes_and_one_above_fails():
    limit = 0.02 * 55.0
    rows = [
        check(7, 55.0 + limit, certified=55.0) | {"gauge_tolerance_pct": 2.0, "standard_tolerance_pct": 0.0},
        check(8, 55.0 + limit + 0.001, certified=55.0) | {"gauge_tolerance_pct": 2.0, "standard_tolerance_pct": 0.0},
    ]
    assert judge_checks(checks(*rows))["passed"].tolist() == [True, False]


def test_rules_of_combination_can_disagree():
    frame = checks(check(7, 103.5))
    assert judge_checks(frame)["passed"].tolist() == [False]
    assert judge_checks(frame, combine="simple sum")["passed"].tolist() == [True]


def test_zero_standard_is_not_judged():
    assert judge_checks(checks(check(7, 0.5, certified=0.0)))["passed"].isna().tolist() == [True]


def test_readings_between_two_good_checks_are_left_alone():
    frame = checks(check(7, 101), check(15, 99, stage="after use"))
    assert suspect_readings(readings(8, 12, 14.9), frame).empty


def test_failed_check_after_use_reaches_back_to_the_last_good_one():
    # SSPC-PA 2, 5.5
    frame = checks(check(7, 101), check(11, 100), check(15, 110, stage="after use"))
    found = suspect_readings(readings(8, 12, 14), frame)
    assert found["repeat"].tolist() == [2, 3]
    assert set(found["status"]) == {SUSPECT}
    assert found["last_good_at"].tolist() == [at(11), at(11)]
    assert found["next_check_at"].tolist() == [at(15), at(15)]


def test_two_failed_checks_in_a_row_leave_one_stretch_of_doubt():
    frame = checks(check(7, 101), check(10, 110), check(13, 112), check(15, 100, stage="after use"))
    found = suspect_readings(readings(8, 11, 14), frame)
    assert found["reason"].tolist() == [
        "the check after it failed",
        "the checks before and after it failed",
        "the check before it failed and none has passed since",
    ]
    assert found["last_good_at"].tolist() == [at(7)] * 3


def test_readings_without_a_check_on_one_side_are_not_covered():
    frame = checks(check(7, 101), check(10, 100))
    found = suspect_readings(readings(6, 8, 11, None), frame)
    assert found["repeat"].tolist() == [1, 3, 4]
    assert set(found["status"]) == {NOT_COVERED}
    assert found["reason"].tolist() == [
        "its gauge has no check before it",
        "its gauge has no check after it",
        "its time was not recorded",
    ]
    assert found["last_good_at"].isna().tolist() == [True, False, True]


def test_gauge_without_any_check_is_not_covered_by_another_gauges_checks():
    frame = checks(check(7, 101, gauge="G2"), check(15, 101, gauge="G2", stage="after use"))
    found = suspect_readings(readings(8, gauge="G1"), frame)
    assert found["reason"].tolist() == ["its gauge has no check before or after it"]


def test_one_bad_standard_fails_the_check():
    frame = checks(check(7, 101), check(15, 100, stage="after use"), check(15, 260, stage="after use", certified=250))
    assert suspect_readings(readings(8), frame)["status"].tolist() == [SUSPECT]


def test_zero_standard_alone_is_no_check():
    frame = checks(check(7, 0.0, certified=0.0), check(15, 100, stage="after use"))
    assert suspect_readings(readings(8), frame)["status"].tolist() == [NOT_COVERED]


def test_stage_decides_at_the_same_instant():
    frame = checks(
        check(8, 101), check(15, 110, stage="after use"), check(15.5, 100), check(17, 100, stage="after use")
    )
    found = suspect_readings(readings(8, 15, 15.5, 17), frame)
    assert found["repeat"].tolist() == [1, 2]


def test_row_order_does_not_matter_and_inputs_stay():
    rng = np.random.default_rng(5)
    frame = checks(check(7, 101), check(10, 110), check(13, 112), check(15, 100, stage="after use"))
    taken = readings(6, 8, 11, 14, 16, None)
    kept = frame.copy(), taken.copy()
    plain = suspect_readings(taken, frame)
    mixed = suspect_readings(taken.iloc[rng.permutation(len(taken))], frame.iloc[rng.permutation(len(frame))])
    pd.testing.assert_frame_equal(plain, mixed)
    pd.testing.assert_frame_equal(frame, kept[0])
    pd.testing.assert_frame_equal(taken, kept[1])


def test_no_readings_and_no_checks_give_empty_frames():
    none = checks(check(7, 101)).iloc[:0]
    assert judge_checks(none).empty
    assert suspect_readings(readings().iloc[:0], none).empty
    assert suspect_readings(readings(8), none)["status"].tolist() == [NOT_COVERED]


def test_errors_say_what_is_wrong():
    frame = checks(check(7, 101), check(7, 102) | {"repeat": 2, "gauge_tolerance_pct": 5.0})
    with pytest.raises(ValueError, match="one check on one standard must have one gauge_tolerance_pct; gauge G1"):
        judge_checks(frame)
    with pytest.raises(ValueError, match=r"gauge_checks must have the columns \['stage'\]"):
        judge_checks(frame.drop(columns="stage"))
    with pytest.raises(ValueError, match=r"combine must be one of \['root-sum-square', 'simple sum'\]; given 'sum'"):
        judge_checks(checks(check(7, 101)), combine="sum")
    with pytest.raises(ValueError, match="value for reading_um in every row; 1 of 1 are missing, first at index 0"):
        judge_checks(checks(check(7, float("nan"))))
    with pytest.raises(ValueError, match="tolerances must be 0 or more"):
        combined_tolerance_pct(-1, 2)
