"""The published data files are what was printed: each gives its source's own results by plain arithmetic."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from auditkit.trade.film import spots

HERE = Path(__file__).parent


def read(name):
    return pd.read_csv(HERE / name)


def between(frame, *factors):
    """Return the sum of squares between the cells of the factors, about the grand mean."""
    means = frame.groupby(list(factors))["thickness"].transform("mean")
    return float(((means - frame["thickness"].mean()) ** 2).sum())


def test_varnish_film_sums_of_squares():
    # Hicks (1982), Example 10.3: SS of gate, operator, day, their interactions, and error.
    film = read("varnish_film.csv")
    assert len(film) == 36
    gate, operator, day = (between(film, name) for name in ("gate", "operator", "day"))
    gate_operator = between(film, "gate", "operator") - gate - operator
    gate_day = between(film, "gate", "day") - gate - day
    operator_day = between(film, "operator", "day") - operator - day
    cells = between(film, "gate", "operator", "day")
    three_way = cells - gate - operator - day - gate_operator - gate_day - operator_day
    error = float(((film["thickness"] - film["thickness"].mean()) ** 2).sum()) - cells
    found = [gate, operator, gate_operator, day, gate_day, operator_day, three_way, error]
    printed = [1.573172, 0.112072, 0.042844, 0.001003, 0.011339, 0.005972, 0.009911, 0.005850]
    assert found == pytest.approx(printed, abs=5e-7)
    # F of operator against operator x day, and of the two interactions against error.
    assert (operator / 2) / (operator_day / 2) == pytest.approx(18.7656, abs=5e-4)
    assert (operator_day / 2) / (error / 18) == pytest.approx(9.188, abs=5e-4)
    assert (three_way / 4) / (error / 18) == pytest.approx(7.6239, abs=5e-5)


def test_varnish_film_spots_are_the_means_of_a_day():
    film = read("varnish_film.csv")
    readings = pd.DataFrame(
        {
            "area_id": "G" + film["gate"].astype(str) + film["operator"],
            "side": "facing",
            "spot": film["day"],
            "dft_um": film["thickness"],
        }
    )
    result = spots(readings)
    assert len(result) == 18
    assert (result["n"] == 2).all()
    # The mean square within days from the spots' ranges: SS error = sum of range^2 / 2, as printed.
    assert float(((result["high_um"] - result["low_um"]) ** 2).sum() / 2) == pytest.approx(0.005850, abs=5e-7)


def test_aircraft_paint_effects():
    # Schmidt and Launsby, 2.4: location effects on the mean of four, dispersion effect of the vendor on their s.
    paint = read("aircraft_paint.csv")
    runs = paint.groupby(["run", "thinner", "pressure_psi", "temperature_f", "vendor"])["thickness"]
    runs = runs.agg(["mean", "std", "size"]).reset_index()
    assert runs["size"].tolist() == [4] * 8
    a, b, c, d = (
        np.where(runs[name] == runs[name].max(), 1, -1)
        for name in ("thinner", "pressure_psi", "temperature_f", "vendor")
    )
    assert (a * b * c == d).all()  # the half fraction
    signs = {"A": a, "B": b, "C": c, "D": d, "AB": a * b, "AC": a * c, "BC": b * c}
    effects = {name: float((sign * runs["mean"]).sum() / 4) for name, sign in signs.items()}
    assert [effects[name] for name in ("A", "B")] == pytest.approx([0.17, 0.18], abs=5e-3)
    printed = {"C": -0.004, "D": 0.016, "AB": 0.128, "AC": -0.030, "BC": 0.076}
    assert [effects[name] for name in printed] == pytest.approx(list(printed.values()), abs=5e-4)
    # Printed -.0808; the data give -.0805. The source rounds its standard deviations on the way, so half a digit
    # of the third decimal is the tolerance here.
    assert float((d * runs["std"]).sum() / 4) == pytest.approx(-0.0808, abs=5e-4)


def test_oxide_variance_components():
    # Balanced nested arithmetic against the figures of Littell et al. (1996) and Pinheiro and Bates (2000),
    # from memory: lot 129.9, wafer 35.9, site 12.57; mean 2000.153.
    oxide = read("oxide.csv").rename(columns={"Thickness": "thickness"})
    assert oxide.groupby(["Lot", "Wafer"]).size().tolist() == [3] * 24
    lots, wafers = between(oxide, "Lot"), between(oxide, "Lot", "Wafer")
    total = float(((oxide["thickness"] - oxide["thickness"].mean()) ** 2).sum())
    ms_lot, ms_wafer, ms_site = lots / 7, (wafers - lots) / 16, (total - wafers) / 48
    components = (ms_lot - ms_wafer) / 9, (ms_wafer - ms_site) / 3, ms_site
    assert components == pytest.approx((129.9, 35.9, 12.57), abs=0.05)
    assert oxide["thickness"].mean() == pytest.approx(2000.153, abs=5e-4)
