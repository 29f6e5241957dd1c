import pytest

from auditkit.contracts import load_contracts
from auditkit.errors import DeclarationError
from auditkit.intake.declaration import read_declaration


@pytest.fixture
def declared(tmp_path):
    def read(text):
        (tmp_path / "dossier.yaml").write_text(text, encoding="utf-8")
        return read_declaration(tmp_path, load_contracts())

    return read


def entry(text):
    return f"auditkit: 1\ntables:\n  - file: x.csv\n    record: film_readings\n    {text}\n"


def test_without_a_declaration_nothing_is_declared(tmp_path):
    found = read_declaration(tmp_path, load_contracts())
    assert (found.title, found.tables, found.reading.dates) == (tmp_path.name, (), None)


def test_tables_take_the_marks_of_the_dossier_unless_they_have_their_own(declared):
    found = declared(
        "auditkit: 1\ntitle: 2027-01\ntime_zone: Europe/Oslo\ndates: day-first\ndecimal: ','\nthousands: '.'\n"
        "absent_defect_means: none found\nconditions: {standoff_mm: {low: 150, high: 200.5}}\nignore: [x]\n"
        "tables:\n"
        "  - {file: a.csv, record: jobs, missing: ['-', N/A, -999]}\n"
        "  - {file: b.csv, record: jobs, decimal: '.', thousands: none, dates: year-first, time_zone: UTC}\n"
    )
    first, second = (table.reading for table in found.tables)
    assert found.title == "2027-01"
    assert found.absent_defect_means == "none found"
    assert found.conditions == {"standoff_mm": {"low": 150, "high": 200.5}}
    assert (first.decimal, first.thousands, first.dates, first.time_zone) == (",", ".", "day-first", "Europe/Oslo")
    assert first.missing == {"-", "n/a", "-999"}
    assert (second.decimal, second.thousands, second.dates, second.time_zone) == (".", "none", "year-first", "UTC")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("title: x", r"dossier.yaml: must have auditkit"),
        ("auditkit: 2", r"dossier.yaml, auditkit: must be 1; given 2"),
        ("auditkit: 1\ntitel: x", r"dossier.yaml, titel: must be a key known here .*Write 'title'"),
        (
            "auditkit: 1\ndates: dmy",
            r"dossier.yaml, dates: must be one of day-first, month-first, year-first; given 'dmy'",
        ),
        ("auditkit: 1\ndecimal: ';'", r"dossier.yaml, decimal: must be one of"),
        ("auditkit: 1\nabsent_defect_means: nothing", r"absent_defect_means: must be one of none found, not inspected"),
        (
            "auditkit: 1\ntime_zone: Europe/Olso",
            r"time_zone: must be an IANA time zone; given 'Europe/Olso'. Write 'Europe/Oslo'",
        ),
        ("auditkit: 1\ndecimal: ','\nthousands: ','", r"decimal and thousands must be different marks"),
        ("auditkit: 1\nauditkit: 1", r"must be YAML in UTF-8; given .*key 'auditkit' is given twice"),
        ("auditkit: [", r"must be YAML in UTF-8"),
        ("- auditkit", r"dossier.yaml: must be a mapping"),
        ("", r"dossier.yaml: must be a mapping of keys to values; given None"),
        (
            "auditkit: 1\nfilm_limits: {J4: {spot_mim_um: 50, source: x}}",
            r"film_limits.J4.spot_mim_um: must be a key known here .*Write 'spot_min_um'",
        ),
        ("auditkit: 1\nfilm_limits: {J4: {spot_min_um: 50}}", r"film_limits.J4: must have source"),
        (
            "auditkit: 1\nfilm_limits: {J4: {source: x, spots_per_part: 5}}",
            r"film_limits.J4: must have at least one of spot_min_um, area_min_um; given only",
        ),
        (
            "auditkit: 1\nfilm_limits: {J4: {source: x, spot_max_um: 500}}",
            r"without one a bare surface would conform|Add the least film the contract asks for",
        ),
        (
            "auditkit: 1\nfilm_limits: {J4: {source: x, spot_min_um: 200, area_max_um: 100}}",
            r"film_limits.J4: spot_min_um may not exceed area_max_um; given 200 and 100",
        ),
        (
            "auditkit: 1\nfilm_limits: {J4: {source: x, area_min_um: 100, area_max_um: 60}}",
            r"film_limits.J4: area_min_um may not exceed area_max_um; given 100 and 60",
        ),
        ("auditkit: 1\nfilm_limits: {J4: {source: x, area_min_um: -1}}", r"area_min_um: must be at least 0.1"),
        ("auditkit: 1\nfilm_limits: {J4: {source: x, area_min_um: thick}}", r"area_min_um: must be a number"),
        (
            "auditkit: 1\nfilm_limits: {J4: {source: x, area_min_um: 60, spots_per_part: 2.5}}",
            r"spots_per_part: must be a whole number",
        ),
        (entry("sheets: S"), r"tables\[1\].sheets: must be a key known here .*Write 'sheet'"),
        (entry("header_line: 0"), r"tables\[1\].header_line: must be at least 1"),
        (entry("encoding: utf-99"), r"tables\[1\].encoding: must be a text encoding; given 'utf-99'"),
        (entry("delimiter: ';;'"), r"tables\[1\].delimiter: must match"),
        (entry("decimal: '.'\n    thousands: '.'"), r"tables\[1\]: decimal and thousands must be different"),
        (entry("time_zone: CEST5"), r"tables\[1\], time_zone: must be an IANA time zone"),
        (
            entry("columns: {Thick: dft}"),
            r"tables\[1\].columns.Thick: must be a column of film_readings; given 'dft'. Write 'dft_um'",
        ),
        (
            entry("columns: {A: dft_um, B: dft_um}"),
            r"columns.B: column dft_um must be filled from one place; given also .*columns.A",
        ),
        (
            entry("constants: {gauge: G1}"),
            r"constants: must be a column of film_readings; given 'gauge'. Write 'gauge_id'",
        ),
        (entry("constants: {gauge_id: [G1]}"), r"constants.gauge_id: must be text or a number or true or false"),
        (entry("join: {dft_um: [A, B]}"), r"only a moment can be joined; dft_um is a number"),
        (entry("join: {taken_at: [A]}"), r"join.taken_at: must have at least 2 entries"),
        (entry("units: {dft_um: psi}"), r"units.dft_um: must be a unit of length; given 'psi'. Use one of um,.* mil"),
        (entry("units: {dft_um: furlong}"), r"units.dft_um: must be a unit of length; given 'furlong'"),
        (entry("units: {spot: um}"), r"units.spot: spot must have a unit"),
        (entry("units: {dft: um}"), r"units.dft: must be a column of film_readings"),
        (
            entry("values: {side: {front: facng}}"),
            r"values.side.front: must be a word of side; given 'facng'. Write 'facing'",
        ),
        (entry("values: {side: {front: facing, FRONT: edge}}"), r"values.side: must give each word once"),
        (entry("values: {sides: {front: facing}}"), r"values.sides: must be a column"),
        (entry("wide: {value: dft_um}"), r"wide: must have either columns or pattern; given neither"),
        (entry("wide: {value: dft_um, pattern: R, columns: {R1: {repeat: 1}}}"), r"wide: .*given both"),
        (entry("wide: {value: dft_um, pattern: 'R('}"), r"wide.pattern: must be a regular expression"),
        (
            entry("wide: {value: dft_um, pattern: 'R(?P<reading>.)'}"),
            r"wide: must be a column of film_readings; given 'reading'",
        ),
        (
            entry("wide: {value: dft_um, columns: {R1: {spot: 1}, R2: {repeat: 1}}}"),
            r"every header must tell about the same columns; given repeat and spot",
        ),
        (entry("file: 3").replace("file: x.csv\n    ", ""), r"tables\[1\].file: must be text; given 3"),
        (
            "auditkit: 1\ntables: [{file: ../x.csv, record: jobs}]",
            r"tables\[1\].file: must be a path inside the folder",
        ),
        (
            "auditkit: 1\ntables: [{file: x.csv, record: job}]",
            r"tables\[1\].record: must be a kind of record; given 'job'. Write 'jobs'",
        ),
    ],
)
def test_what_does_not_hold_is_refused(declared, text, message):
    with pytest.raises(DeclarationError, match=message):
        declared(text)


def test_all_faults_come_at_once(declared):
    with pytest.raises(DeclarationError) as caught:
        declared(entry("units: {dft_um: psi}\n    columns: {A: dft}\n    encoding: x"))
    assert len(str(caught.value).splitlines()) == 3


def test_a_file_that_is_not_utf8_is_told(tmp_path):
    (tmp_path / "dossier.yaml").write_bytes("auditkit: 1\ntitle: Größe".encode("cp1252"))
    with pytest.raises(DeclarationError, match="must be YAML in UTF-8"):
        read_declaration(tmp_path, load_contracts())


def test_headers_that_look_like_numbers_are_headers(declared):
    found = declared(entry("wide: {value: dft_um, columns: {1: {repeat: 1}, 2: {repeat: 2}}}"))
    assert list(found.tables[0].wide.columns) == ["1", "2"]
