import pytest

from auditkit.errors import SourceError
from auditkit.intake.header_units import unit_for, units_in_header


@pytest.mark.parametrize(
    ("header", "quantity", "found"),
    [
        ("Min mil", "length", ["mil"]),
        ("Min", "length", []),  # no minute of a thickness
        ("DFT_mils", "length", ["mil"]),
        ("DFT (thickness in mil)", "length", ["mil"]),
        ("Distance in", "length", ["in"]),
        ("Distance [in] at bell", "length", ["in"]),
        ("Thickness in front", "length", []),
        ("Caught in s", "time", ["s"]),
        ("Caught in s", "length", []),
        ("Warm-up min", "time", ["min"]),
        ("Pot psi", "pressure", ["psi"]),
        ("Part Mohm", "resistance", ["mohm"]),
        ("Part M\u03a9", "resistance", ["mohm"]),
        ("Part M ohm", "resistance", ["mohm"]),
        ("Part (kilo ohms)", "resistance", ["kohm"]),
        ("Air F", "temperature", ["f"]),
        ("Air \u00b0F", "temperature", ["f"]),
        ("F stop", "temperature", []),
        ("ft2", "area", ["ft2"]),
        ("Size sq. ft", "area", ["ft2"]),
        ("Reading at foot", "length", []),
        ("M 1", "length", []),
        ("M", "length", []),
        ("Overlap %", "share", ["pct"]),
    ],
)
def test_units_are_found_where_a_header_names_them(header, quantity, found):
    assert units_in_header(header, quantity) == found


def test_a_header_that_names_the_unit_held_agrees_in_any_spelling():
    assert unit_for("Film \u00b5m", "um") is None
    assert unit_for("Pot kPa", "KPA") is None
    assert unit_for("Pot kPa (psi)", "kpa") is None
    assert unit_for("Pot kPa (psi)", "bar") == "psi"


JOBS = (
    "job_id,site,coating,Min mil,Nominal mil,film_max_um,film_reverse_min_um,acceptance_rule,"
    "restriction_level,wrap_min_pct,volume_solids_pct,thinner,thinner_pct\n"
    "J1,Quay,Finish,2.4,3,160,40,sspc-pa-2,3,70,48,T,10\n"
)
DECLARED = (
    "auditkit: 1\ntables:\n  - file: jobs.csv\n    record: jobs\n"
    "    columns: {Min mil: film_min_um, Nominal mil: film_nominal_um}\n"
)


def test_a_unit_that_a_header_names_must_be_declared(read, sound):
    with pytest.raises(SourceError) as caught:
        read({**sound, "jobs.csv": JOBS, "dossier.yaml": DECLARED})
    assert str(caught.value) == (
        "jobs.csv: a column must be read in the unit its header names; film_min_um would be read in um from header "
        "'Min mil'; film_nominal_um would be read in um from header 'Nominal mil'. Write to its entry in dossier.yaml "
        "(dossier.yaml, tables[1]): units: {film_min_um: mil, film_nominal_um: mil}"
    )
    line = str(caught.value).rpartition("): ")[2]
    dossier = read({**sound, "jobs.csv": JOBS, "dossier.yaml": f"{DECLARED}    {line}\n"})
    assert dossier.tables["jobs"].loc[0, ["film_min_um", "film_nominal_um", "film_max_um"]].tolist() == [
        60.96,
        76.2,
        160,
    ]
    assert dossier.notes == (
        "jobs.csv: film_min_um read as mil from header 'Min mil'; "
        "film_nominal_um read as mil from header 'Nominal mil'",
    )


def test_another_unit_than_the_header_names_is_refused(read, sound):
    wrong = DECLARED + "    units: {film_min_um: mm, film_nominal_um: mil}\n"
    with pytest.raises(
        SourceError, match=r"in mm from header 'Min mil'\. .*units: {film_min_um: mil, film_nominal_um: mil}"
    ):
        read({**sound, "jobs.csv": JOBS, "dossier.yaml": wrong})


def test_a_unit_in_headers_across_columns_must_be_declared(read, sound):
    sound["readings.csv"] = "area_id,side,spot,gauge_id,R1 mil,R2 mil\nA1,facing,1,G1,2.4,2.5\n"
    entry = "auditkit: 1\ntables:\n  - file: readings.csv\n    record: film_readings\n"
    wide = entry + '    wide: {value: dft_um, pattern: "R(?P<repeat>[0-9]) mil"}\n'
    with pytest.raises(SourceError, match=r"dft_um would be read in um from header 'R1 mil'\. .*units: {dft_um: mil}"):
        read({**sound, "dossier.yaml": wide})
    dossier = read({**sound, "dossier.yaml": wide + "    units: {dft_um: mil}\n"})
    assert dossier.tables["film_readings"]["dft_um"].tolist() == [60.96, 63.5]
    assert "readings.csv: dft_um read as mil from headers 'R1 mil' to 'R2 mil'" in dossier.notes


def test_headers_without_units_are_told_and_the_contracts_own_are_not(read, sound):
    text = sound["readings.csv"].replace("dft_um", "Film")
    entry = "auditkit: 1\ntables: [{file: readings.csv, record: film_readings, columns: {Film: dft_um}}]\n"
    assert read({**sound, "readings.csv": text, "dossier.yaml": entry}).notes == (
        "readings.csv: dft_um read as um from header 'Film'",
    )
    assert read({**sound, "dossier.yaml": "auditkit: 1\n"}).notes == ()
