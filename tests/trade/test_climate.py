"""Dew point and vapour pressure against a table worked from the WMO constants and a paint maker's published sheet."""

import numpy as np
import pandas as pd
import pytest

from auditkit.trade.climate import (
    dew_point,
    psychrometer_vapour_pressure,
    relative_humidity,
    saturation_vapour_pressure,
    saturation_vapour_pressure_ice,
    surface_margin,
)

HUMIDITIES = [30, 40, 50, 55, 60, 65, 70, 75, 80, 85, 90, 95]
# Worked by hand from the constants of WMO-No. 8, Annex 4.B, to 0.1 C.
TABLE = {
    5: [-11.2, -7.5, -4.6, -3.3, -2.1, -1.0, 0.0, 0.9, 1.8, 2.7, 3.5, 4.3],
    10: [-6.8, -3.0, 0.0, 1.4, 2.6, 3.7, 4.8, 5.8, 6.7, 7.6, 8.4, 9.2],
    15: [-2.5, 1.5, 4.7, 6.0, 7.3, 8.5, 9.6, 10.6, 11.6, 12.5, 13.4, 14.2],
    20: [1.9, 6.0, 9.3, 10.7, 12.0, 13.2, 14.4, 15.4, 16.4, 17.4, 18.3, 19.2],
    25: [6.2, 10.5, 13.9, 15.3, 16.7, 18.0, 19.1, 20.3, 21.3, 22.3, 23.2, 24.1],
    30: [10.5, 14.9, 18.4, 20.0, 21.4, 22.7, 23.9, 25.1, 26.2, 27.2, 28.2, 29.1],
    35: [14.8, 19.4, 23.0, 24.6, 26.1, 27.4, 28.7, 29.9, 31.0, 32.1, 33.1, 34.1],
}
# A paint maker's information sheet (2013).
PUBLISHED = {
    20: {50: 9.3, 55: 10.7, 60: 12.0, 65: 13.3},
    10: {50: 0.1, 60: 2.6, 70: 4.7, 80: 6.7, 90: 8.4},
    15: {50: 4.7, 70: 9.5, 85: 12.5},
    25: {50: 13.8, 55: 15.3, 60: 16.7},
    30: {50: 18.4, 55: 20.0, 60: 21.4},
}


@pytest.mark.parametrize("temp", TABLE)
def test_dew_point_table(temp):
    assert dew_point(temp, HUMIDITIES) == pytest.approx(TABLE[temp], abs=0.05001)


@pytest.mark.parametrize("temp", PUBLISHED)
def test_dew_point_published(temp):
    # The sheet rounds to 0.1 C and uses another formula: within 0.1 C, and its rounding.
    humidities, printed = zip(*PUBLISHED[temp].items(), strict=True)
    assert dew_point(temp, humidities) == pytest.approx(printed, abs=0.15)


def test_psychrometer_published():
    # A paint maker's training sheet: dry 21 C, wet 17 C, dew point about 15 C; 16 C at 71 %, about 11 C.
    humidity = relative_humidity(21.0, psychrometer_vapour_pressure(21.0, 17.0))
    assert float(humidity) == pytest.approx(67, abs=0.5)
    assert float(dew_point(21.0, humidity)) == pytest.approx(14.66, abs=0.02)
    assert float(dew_point(16.0, 71.0)) == pytest.approx(10.7, abs=0.05)


def test_saturation_is_its_own_dew_point_and_a_dry_wet_bulb_is_saturation():
    temps = np.array([-20.0, 0.0, 12.5, 45.0])
    assert dew_point(temps, 100.0) == pytest.approx(temps, abs=1e-9)
    assert psychrometer_vapour_pressure(temps, temps) == pytest.approx(saturation_vapour_pressure(temps))
    assert relative_humidity(temps, saturation_vapour_pressure(temps)) == pytest.approx([100.0] * 4)


def test_vapour_pressure_over_water_and_ice():
    # 6.112 hPa at 0 C on both; steam tables give 23.39 hPa at 20 C and 42.47 at 30 C; ice 2.60 hPa at -10 C.
    assert saturation_vapour_pressure([0.0, 20.0, 30.0]) == pytest.approx([6.112, 23.39, 42.47], rel=0.004)
    assert saturation_vapour_pressure_ice([-10.0, 0.0]) == pytest.approx([2.60, 6.112], rel=0.002)
    assert saturation_vapour_pressure_ice(-10.0) < saturation_vapour_pressure(-10.0)


def test_surface_margin_on_a_frame_with_gaps():
    runs = pd.DataFrame({"surface": [12.0, np.nan, 12.0], "air": [20.0, 20.0, np.nan], "humidity": [50.0, 50.0, 50.0]})
    before = runs.copy()
    margin = surface_margin(runs["surface"], runs["air"], runs["humidity"])
    assert margin[0] == pytest.approx(12.0 - 9.26, abs=0.01)
    assert np.isnan(margin[1:]).all()
    pd.testing.assert_frame_equal(runs, before)


def test_errors():
    with pytest.raises(ValueError, match=r"humidity_pct must be above 0 and at most 100; given 0\.0"):
        dew_point([20.0, 20.0], [50.0, 0.0])
    with pytest.raises(ValueError, match=r"humidity_pct must be above 0 and at most 100; given 101\.0"):
        dew_point(20.0, 101.0)
    with pytest.raises(ValueError, match=r"air_temp_c must lie between -45 and 60 C, .*; given 68\.0"):
        dew_point(68.0, 50.0)
    with pytest.raises(ValueError, match=r"temp_c must lie between -65 and 0 C, .*; given 1\.0"):
        saturation_vapour_pressure_ice(1.0)
    with pytest.raises(ValueError, match="wet_c must not be above dry_c"):
        psychrometer_vapour_pressure(17.0, 21.0)
