import pytest

from auditkit.contracts import load_contracts
from auditkit.errors import DeclarationError
from auditkit.intake.declaration import read_declaration


@pytest.fixture
def declared(tmp_path):
    def read(text):
        (tmp_path / "dossier.yaml").write_text(f"auditkit: 1\n{text}\n", encoding="utf-8")
        return read_declaration(tmp_path, load_contracts())

    return read


def test_without_settings_all_are_empty(declared):
    found = declared("")
    assert found.pressure_logs == ()
    assert (found.replacement_costs, found.viscosity_points, found.causal_diagram) == ({}, {}, {})


def test_a_log_takes_its_own_names_the_zone_of_the_dossier_and_kpa(declared):
    (log,) = declared("time_zone: Europe/Oslo\npressure_logs: [{file: log.csv}]").pressure_logs
    assert dict(log.columns) == {name: name for name in ("unit_id", "logged_at", "pot_kpa")}
    assert (dict(log.constants), log.unit, log.time_zone) == ({}, "kpa", "Europe/Oslo")
    assert log.where == "dossier.yaml, pressure_logs[1]"


def test_a_log_is_read_as_declared(declared):
    (log,) = declared(
        "pressure_logs:\n  - {file: 'log_*.csv', columns: {Time: logged_at, 1: pot_kpa}, "
        "constants: {unit_id: U3}, unit: PSIG, time_zone: UTC}"
    ).pressure_logs
    assert dict(log.columns) == {"Time": "logged_at", "1": "pot_kpa"}
    assert (log.file, dict(log.constants), log.unit, log.time_zone) == ("log_*.csv", {"unit_id": "U3"}, "psi", "UTC")


def test_a_log_without_any_zone_has_none(declared):
    assert declared("pressure_logs: [{file: log.csv}]").pressure_logs[0].time_zone is None


def test_costs_are_pairs_by_part_beside_their_currency(declared):
    found = declared("replacement_costs: {currency: NOK, parts: {o-rings: {planned: 12, failure: 12}, brush: "
                     "{planned: 40.5, failure: 900}}}")  # fmt: skip
    assert dict(found.replacement_costs) == {"currency": "NOK", "o-rings": (12.0, 12.0), "brush": (40.5, 900.0)}


def test_viscosities_come_from_the_coldest_on(declared):
    found = declared("viscosity_points: {K: [{temp_c: 25, mm2_s: 41}, {temp_c: 15, mm2_s: 62}]}").viscosity_points
    assert [dict(point) for point in found["K"]] == [{"temp_c": 15.0, "mm2_s": 62.0}, {"temp_c": 25.0, "mm2_s": 41.0}]


def test_amendments_of_the_diagram_are_passed_on_as_they_stand(declared):
    text = (
        "causal_diagram:\n"
        "  nodes: {draught: {recorded: false}}\n"
        "  add: [{from: draught, to: dry spray, because: Moving air carries the fine drops off.}]\n"
        "  drop: [{from: operator_id, to: standoff_mm}]\n"
        "  alternatives: [{name: no draught, drop: [{from: draught, to: dry spray}]}]"
    )
    assert declared(text).causal_diagram == {
        "nodes": {"draught": {"recorded": False}},
        "add": [{"from": "draught", "to": "dry spray", "because": "Moving air carries the fine drops off."}],
        "drop": [{"from": "operator_id", "to": "standoff_mm"}],
        "alternatives": [{"name": "no draught", "drop": [{"from": "draught", "to": "dry spray"}]}],
    }


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("pressure_logs: [{columns: {}}]", r"pressure_logs\[1\]: must have file"),
        ("pressure_logs: [{file: x.csv, colums: {}}]", r"pressure_logs\[1\].colums: must be a key .*Write 'columns'"),
        (
            "pressure_logs: [{file: x.csv, columns: {P: pot}}]",
            r"columns.P: must be one of unit_id, logged_at, pot_kpa; given 'pot'",
        ),
        (
            "pressure_logs: [{file: x.csv, columns: {A: pot_kpa, B: pot_kpa}}]",
            r"columns.B: column pot_kpa must be filled from one place; given also columns.A",
        ),
        (
            "pressure_logs: [{file: x.csv, columns: {U: unit_id}, constants: {unit_id: U3}}]",
            r"columns.U: column unit_id must be filled from one place; given also constants",
        ),
        ("pressure_logs: [{file: x.csv, constants: {unit_id: 3}}]", r"constants.unit_id: must be text; given 3"),
        ("pressure_logs: [{file: x.csv, constants: {pot_kpa: '3'}}]", r"constants.pot_kpa: must be a key known here"),
        (
            "pressure_logs: [{file: x.csv, unit: mm}]",
            r"pressure_logs\[1\].unit: must be a unit of pressure; given 'mm'",
        ),
        (
            "pressure_logs: [{file: x.csv, unit: torque}]",
            r"unit: must be a unit of pressure; .* pa, kpa, mbar, bar, psi",
        ),
        (
            "pressure_logs: [{file: x.csv, columns: {Pot psi: pot_kpa}}]",
            r"unit: must be the unit that the header names; given kpa for header 'Pot psi'. Write unit: psi",
        ),
        ("pressure_logs: [{file: ../x.csv}]", r"pressure_logs\[1\].file: must be a path inside the folder"),
        (
            "pressure_logs: [{file: x.csv, time_zone: Europe/Olso}]",
            r"pressure_logs\[1\], time_zone: must be an IANA time zone; given 'Europe/Olso'. Write 'Europe/Oslo'",
        ),
        ("replacement_costs: {parts: {brush: {planned: 1, failure: 2}}}", r"replacement_costs: must have currency"),
        ("replacement_costs: {currency: EUR, parts: {}}", r"parts: must have at least 1 entries"),
        ("replacement_costs: {currency: EUR, parts: {brush: {planned: 1}}}", r"parts.brush: must have failure"),
        (
            "replacement_costs: {currency: EUR, parts: {brush: {planned: -1, failure: 2}}}",
            r"brush.planned: must be at least 0.01",
        ),
        (
            "replacement_costs: {currency: EUR, parts: {brushes: {planned: 1, failure: 2}}}",
            r"parts.brushes: must be a part of maintenance; given 'brushes'. Write 'brush'",
        ),
        (
            "replacement_costs: {currency: EUR, parts: {brush: {planned: 2, failure: 1}}}",
            r"parts.brush: failure may not be less than planned; given 1 and 2",
        ),
        ("viscosity_points: {K: [{temp_c: 15, mm2_s: 62}]}", r"viscosity_points.K: must have at least 2 entries"),
        (
            "viscosity_points: {K: [{temp_c: 15, mm2_s: 62}, {temp_c: 15, mm2_s: 61}]}",
            r"viscosity_points.K: must be of different temperatures, the warmer the thinner; given 62 at 15 C and 61",
        ),
        (
            "viscosity_points: {K: [{temp_c: 25, mm2_s: 62}, {temp_c: 15, mm2_s: 41}]}",
            r"the warmer the thinner; given 41 at 15 C and 62 at 25 C",
        ),
        (
            "viscosity_points: {K: [{temp_c: 25, mm2_s: 41}, {temp_c: 15, mm2_s: 41}]}",
            r"the warmer the thinner; given 41 at 15 C and 41 at 25 C",
        ),
        ("causal_diagram: {added: []}", r"causal_diagram.added: must be a key known here"),
        ("causal_diagram: {add: [{from: a, to: b}]}", r"causal_diagram.add\[1\]: must have because"),
        ("causal_diagram: {alternatives: [{add: []}]}", r"alternatives\[1\]: must have name"),
        (
            "causal_diagram: {alternatives: [{name: a}, {name: a}]}",
            r"causal_diagram.alternatives\[2\].name: must have a name of its own; given 'a'",
        ),
        (
            "causal_diagram: {add: [{from: a, to: b, because: c}], drop: [{from: a, to: b}]}",
            r"causal_diagram.drop: must not drop an arrow that it adds; given a to b",
        ),
    ],
)
def test_what_does_not_hold_is_refused(declared, text, message):
    with pytest.raises(DeclarationError, match=message):
        declared(text)
