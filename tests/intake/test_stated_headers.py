"""Headers that state a unit or a time zone in brackets."""

import pytest

from auditkit.contracts import contract, load_contracts
from auditkit.errors import SourceError
from auditkit.intake.stated_headers import column_of, stated_in
from auditkit.views.sentences import unit_sign

ENTRY = "auditkit: 1\ntables:\n- {{file: readings.csv, record: film_readings{}}}\n"


def with_header(sound, **new):
    lines = sound["readings.csv"].split("\n")
    for old, header in new.items():
        lines[0] = lines[0].replace(old, header)
    return {**sound, "readings.csv": "\n".join(lines)}


def test_every_column_with_a_unit_is_known_by_the_sign_of_its_unit():
    for record in load_contracts().values():
        for column in record.columns:
            if column.unit is not None:
                stated = stated_in(f"{column.name} [{unit_sign(column.unit)}]", record)
                assert (stated.column, stated.unit) == (column.name, column.unit)


@pytest.mark.parametrize(
    "header",
    ["dft_um[]", "dft_um [mil", "dft_um [mil] [mil]", "side [um]", "area_id [m]", "taken_at [mil]", "[mil]", "x [m]"],
)
def test_other_brackets_are_a_header_like_any_other(header):
    assert stated_in(header, contract("film_readings")) is None
    assert column_of(header, contract("film_readings")) == header


def test_the_contracts_own_unit_changes_nothing_and_is_not_told(read, sound):
    plain = read(sound)
    stated = read(with_header(sound, dft_um="DFT_um [\u00b5m]"))
    assert stated.tables["film_readings"].equals(plain.tables["film_readings"])
    assert stated.notes == plain.notes


def test_another_unit_is_converted_and_told(read, sound):
    dossier = read(with_header(sound, dft_um="dft_um [mil]"))
    # 74.5 mil is 74.5 x 25.4 um (international yard and pound agreement, 1959)
    assert dossier.tables["film_readings"]["dft_um"].tolist() == [1892.3, 1917.7, 1123.95]
    assert dossier.notes == ("readings.csv: dft_um read as mil from header 'dft_um [mil]'",)


def test_the_ledger_gives_the_value_as_received_and_what_it_became(read, sound):
    sound = with_header(sound, dft_um="dft_um [mm]")
    (row,) = read(sound | {"readings.csv": sound["readings.csv"].replace("44.25", "-44.25")}).ledger.to_dict("records")[
        2:
    ]
    assert (row["value"], row["holds"]) == ("-44.25", "must be from 0 to 20000 um; -44.25 mm is -44250 um")


@pytest.mark.parametrize("header", ["dft_um [mil]", "dft_um [um]"])
def test_the_unit_declared_may_not_be_another(read, sound, header):
    declared = ENTRY.format(", units: {dft_um: mm}")
    named = header[8:-1]
    with pytest.raises(SourceError, match=rf"dft_um would be read in mm from header '.*units: \{{dft_um: {named}\}}"):
        read({**with_header(sound, dft_um=header), "dossier.yaml": declared})


def test_the_unit_declared_may_be_the_same(read, sound):
    declared = ENTRY.format(", units: {dft_um: mils}")
    assert read({**with_header(sound, dft_um="dft_um [mil]"), "dossier.yaml": declared}).tables["film_readings"][
        "dft_um"
    ].tolist() == [1892.3, 1917.7, 1123.95]


def test_a_header_renamed_to_the_column_it_names_is_still_held_to_its_unit(read, sound):
    declared = ENTRY.format(", columns: {'dft_um [mil]': dft_um}")
    dossier = read({**with_header(sound, dft_um="dft_um [mil]"), "dossier.yaml": declared})
    assert dossier.tables["film_readings"]["dft_um"].iloc[0] == 1892.3


def test_a_header_renamed_to_another_column_is_held_to_its_unit_where_that_fits(read, sound):
    jobs = sound["jobs.csv"].replace("film_min_um", "film_nominal_um [mil]").replace(",film_nominal_um,", ",least,")
    entry = "auditkit: 1\ntables:\n- {{file: jobs.csv, record: jobs, columns: {{{}}}}}\n"
    declared = entry.format("'film_nominal_um [mil]': film_min_um, least: film_nominal_um")
    dossier = read({**sound, "jobs.csv": jobs.replace(",60,80,", ",2,80,"), "dossier.yaml": declared})
    # 2 mil is 2 x 25.4 um
    assert dossier.tables["jobs"].loc[0, ["film_min_um", "film_nominal_um"]].tolist() == [50.8, 80]
    shares = sound["jobs.csv"].replace("wrap_min_pct", "film_max_um [mil]").replace("film_max_um,", "most,")
    declared = entry.format("'film_max_um [mil]': wrap_min_pct, most: film_max_um")
    dossier = read({**sound, "jobs.csv": shares, "dossier.yaml": declared})
    assert dossier.tables["jobs"].loc[0, ["wrap_min_pct", "film_max_um"]].tolist() == [70, 160]


@pytest.mark.parametrize(
    ("old", "header", "holds"),
    [
        ("dft_um", "dft_um [psi]", r"must name a unit of length in its brackets \(um, nm, .* ft\)"),
        ("dft_um", "dft_um [furlong]", "must name a unit of length"),
        ("taken_at", "taken_at [Oslo]", "must name an IANA time zone in its brackets"),
        ("side", "side [um]", "must have no brackets, since side has no unit"),
    ],
)
def test_brackets_that_do_not_fit_are_refused_with_what_must_hold(read, sound, old, header, holds):
    sound = with_header(sound, **{old: header})
    for declaration in ("auditkit: 1\n", ENTRY.format("")):
        with pytest.raises(SourceError, match=holds) as caught:
            read({**sound, "dossier.yaml": declaration})
        assert repr(header) in str(caught.value)


def test_one_column_may_not_be_filled_twice(read, sound):
    with pytest.raises(SourceError, match="column dft_um is filled twice, once by header 'dft_um \\[mil\\]'"):
        read(with_header(sound, gauge_id="gauge_id,dft_um [mil]"))


LOCAL = "2027-07-13 09:05"


def local(sound, header):
    text = sound["readings.csv"].replace("2027-01-13T09:05:00+01:00", LOCAL).replace("2027-01-13T09:06:00+01:00", "")
    return with_header({**sound, "readings.csv": text}, taken_at=header)


def test_a_time_zone_in_the_header_is_that_of_its_local_times(read, sound):
    dossier = read(local(sound, "taken_at [Europe/Oslo]"))
    taken = dossier.tables["film_readings"]["taken_at"]
    # Oslo keeps UTC+2 in July
    assert [str(moment) for moment in taken.dropna()] == ["2027-07-13 07:05:00+00:00"]
    assert dossier.time_zone == "Europe/Oslo"
    assert len(dossier.ledger) == 0


def test_two_zones_in_headers_leave_the_days_of_the_dossier_in_utc(read, sound):
    units = "unit_id,in_service_at [Asia/Tokyo]\nU1,2027-01-05 07:30\n"
    dossier = read({**local(sound, "taken_at [Europe/Oslo]"), "units.csv": units})
    assert dossier.time_zone == "UTC"
    # Tokyo keeps UTC+9
    assert str(dossier.tables["units"]["in_service_at"].iloc[0]) == "2027-01-04 22:30:00+00:00"


def test_the_time_zone_declared_may_not_be_another(read, sound):
    sound = local(sound, "taken_at [Europe/Oslo]")
    assert read({**sound, "dossier.yaml": "auditkit: 1\ntime_zone: Europe/Oslo\n"}).rows["film_readings"] == 3
    with pytest.raises(SourceError) as caught:
        read({**sound, "dossier.yaml": "auditkit: 1\ntime_zone: Europe/London\n"})
    assert str(caught.value) == (
        "readings.csv: local times must be read in the time zone their header names; given time_zone: Europe/London in "
        "dossier.yaml and taken_at [Europe/Oslo]. Correct the header, or give the table's entry its own time_zone."
    )
