"""Published thickness readings that nobody here made, brought as the files a user would bring, in their own units.

They go through intake, contracts and the film summary; what comes out agrees with print. Units: mil for the varnish
film and the aircraft paint, and angstrom for the oxide, from memory (the pages they were taken from print none).
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import auditkit
from auditkit.trade.film import judge_areas, spots

HERE = Path(__file__).parent
MIL = 25.4

JOBS = "job_id,site,coating,film_min_um,film_nominal_um,film_max_um,film_reverse_min_um,acceptance_rule,"
JOBS += "restriction_level,wrap_min_pct,volume_solids_pct,thinner,thinner_pct\n"
JOBS += "J1,bench,as published,1,1,20,,sspc-pa-2,3,,50,,\n"


def bring(folder, *, areas, readings, declaration):
    """Write a dossier as a user would: jobs and areas in contract form, the readings in their own."""
    (folder / "jobs.csv").write_text(JOBS, encoding="utf-8")
    rows = "".join(f"{area},J1,,flat,1,steel,smooth\n" for area in areas)
    header = "area_id,job_id,description,geometry,size_m2,substrate,surface_profile\n"
    (folder / "areas.csv").write_text(header + rows, encoding="utf-8")
    readings.to_csv(folder / "thickness.csv", index=False, sep=";")
    (folder / "dossier.yaml").write_text(declaration, encoding="utf-8")
    dossier = auditkit.read_dossier(folder)
    assert dossier.ledger.empty
    return dossier


def test_varnish_film(tmp_path):
    # Hicks (1982), Example 10.3: laid out as printed, a row a gate, operator and day, two readings across.
    printed = pd.read_csv(HERE / "varnish_film.csv")
    across = printed.pivot_table(index=["gate", "operator", "day"], columns="repeat", values="thickness").reset_index()
    across.insert(1, "cell", across.groupby("gate").cumcount() + 1)
    across = across.rename(columns={1: "reading 1", 2: "reading 2"}).drop(columns=["operator", "day"])
    declaration = """
auditkit: 1
tables:
  - file: thickness.csv
    record: film_readings
    columns: {gate: area_id, cell: spot}
    units: {dft_um: mil}
    constants: {side: facing, gauge_id: G1, taken_at: "1975-06-01T12:00:00Z"}
    wide: {value: dft_um, pattern: "reading (?P<repeat>[0-9])"}
"""
    dossier = bring(tmp_path, areas=[1, 2, 3], readings=across, declaration=declaration)
    readings = dossier.tables["film_readings"]
    assert len(readings) == 36
    spot_frame = spots(readings)
    gates = readings.groupby("area_id")["dft_um"].mean() / MIL
    # SS of gate as printed, from the means alone: 12 readings a gate.
    assert 12 * ((gates - gates.mean()) ** 2).sum() == pytest.approx(1.573172, abs=5e-7)
    # SS within cells (error) as printed, from the spread within spots.
    spread = (spot_frame["high_um"] - spot_frame["low_um"]) / MIL
    assert (spread**2).sum() / 2 == pytest.approx(0.005850, abs=5e-7)
    judged = judge_areas(readings, dossier.tables["areas"], dossier.tables["jobs"])
    facing = judged[judged["side"] == "facing"]
    # Two readings are no spot measurement (SSPC-PA 2, 3.2): nothing may be called conforming.
    assert set(facing["verdict"]) == {"not assessable"}


def test_aircraft_paint(tmp_path):
    # Schmidt and Launsby, 2.4: a row a run, four readings across, as printed.
    printed = pd.read_csv(HERE / "aircraft_paint.csv")
    factors = ["thinner", "pressure_psi", "temperature_f", "vendor"]
    across = printed.pivot_table(index=["run", *factors], columns="repeat", values="thickness").reset_index()
    across = across.rename(columns={n: f"y{n}" for n in range(1, 5)})
    declaration = """
auditkit: 1
tables:
  - file: thickness.csv
    record: film_readings
    columns: {run: area_id}
    drop: [thinner, pressure_psi, temperature_f, vendor]
    units: {dft_um: mil}
    constants: {side: facing, spot: 1, gauge_id: G1, taken_at: "1994-06-01T12:00:00Z"}
    wide: {value: dft_um, pattern: "y(?P<repeat>[0-9])"}
"""
    dossier = bring(tmp_path, areas=range(1, 9), readings=across, declaration=declaration)
    spot_frame = spots(dossier.tables["film_readings"]).set_index("area_id")
    assert (spot_frame["n"] == 4).all()
    means = (spot_frame["dft_um"] / MIL).reindex(across["run"].astype(str)).to_numpy()
    a, b = (np.where(across[name] == across[name].max(), 1, -1) for name in ("thinner", "pressure_psi"))
    # Location effects as printed: A .17, B .18, AB .128.
    assert (a * means).sum() / 4 == pytest.approx(0.17, abs=5e-3)
    assert (b * means).sum() / 4 == pytest.approx(0.18, abs=5e-3)
    assert (a * b * means).sum() / 4 == pytest.approx(0.128, abs=5e-4)


def test_oxide(tmp_path):
    # R's nlme data set Oxide (Littell et al. 1996; Pinheiro and Bates 2000), 72 rows, as the package carries it.
    declaration = """
auditkit: 1
tables:
  - file: thickness.csv
    record: film_readings
    columns: {Lot: area_id, Wafer: spot, Site: repeat, Thickness: dft_um}
    drop: [Source]
    units: {dft_um: angstrom}
    constants: {side: facing, gauge_id: G1, taken_at: "1996-06-01T12:00:00Z"}
"""
    printed = pd.read_csv(HERE / "oxide.csv")
    dossier = bring(tmp_path, areas=range(1, 9), readings=printed, declaration=declaration)
    readings = dossier.tables["film_readings"]
    assert len(readings) == 72
    angstrom = readings["dft_um"] * 1e4
    # Pinheiro and Bates (2000), 4.1.3 (from memory): the grand mean is 2000.153.
    assert angstrom.mean() == pytest.approx(2000.153, abs=5e-4)
    spot_um = spots(readings)
    lots = spot_um.groupby("area_id")["dft_um"].mean() * 1e4
    wafers = spot_um["dft_um"] * 1e4
    spot_of_reading = angstrom.groupby([readings["area_id"], readings["spot"]]).transform("mean")
    within = ((angstrom - spot_of_reading) ** 2).sum() / 48
    between_wafers = 3 * ((wafers - spot_um["area_id"].map(lots)) ** 2).sum() / 16
    between_lots = 9 * ((lots - lots.mean()) ** 2).sum() / 7
    # The same source prints standard deviations 11.398 (lot), 5.9888 (wafer) and 3.5453 (site); from memory. In
    # balanced data they follow from the mean squares.
    assert np.sqrt(within) == pytest.approx(3.5453, abs=5e-5)
    assert np.sqrt((between_wafers - within) / 3) == pytest.approx(5.9888, abs=5e-5)
    assert np.sqrt((between_lots - between_wafers) / 9) == pytest.approx(11.398, abs=5e-4)
    judged = judge_areas(readings, dossier.tables["areas"], dossier.tables["jobs"]).set_index(["area_id", "side"])
    assert (judged.xs("facing", level="side")["n_spots"] == 3).all()
    # Three spots are too few for a verdict by SSPC-PA 2 (five), however even the film.
    assert set(judged.xs("facing", level="side")["verdict"]) == {"not assessable"}
