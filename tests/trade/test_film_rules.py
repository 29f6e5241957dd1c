"""The published rules as data: figures, sources, strictness of the loader, and how much must be measured."""

import pytest
import yaml

from auditkit.errors import ContractError
from auditkit.paths import schemas_folder
from auditkit.trade.film_rules import load_film_rules
from auditkit.trade.film_sampling import (
    parts_required_pa2,
    readings_required_90_10,
    readings_required_iso,
    repeats_allowed_iso,
)

SHIPPED = schemas_folder() / "film_rules.yaml"


@pytest.fixture
def edited(tmp_path):
    """Return a function that loads the shipped rules after a change to them."""

    def load(change):
        content = yaml.safe_load(SHIPPED.read_text(encoding="utf-8"))
        change(content)
        path = tmp_path / "mine.yaml"
        path.write_text(yaml.safe_dump(content), encoding="utf-8")
        return load_film_rules(path)

    return load


# SSPC-PA 2 (2012 onward), Table 1; levels 2, 4 and 5 from memory. None: unrestricted or as the columns say.
TABLE_1 = {
    1: (1.0, 1.0, 1.0, 1.0),
    2: (1.0, 1.2, 1.0, 1.0),
    3: (0.8, 1.2, 1.0, 1.0),
    4: (0.8, 1.5, 1.0, None),
    5: (0.8, None, 1.0, None),
}


@pytest.mark.parametrize("number", TABLE_1)
def test_restriction_levels(number):
    level = load_film_rules().pa2.levels[number]
    assert (level.spot_min.value, level.spot_max.value, level.area_min.value, level.area_max.value) == TABLE_1[number]
    assert (level.gage_min.value, level.gage_max.value) == (None, None)
    assert level.spot_max.from_memory is (number in {2, 4, 5})


def test_every_figure_has_a_source():
    def figures(node):
        if isinstance(node, dict):
            if "value" in node or "up_to_m2" in node:
                yield node
            for child in node.values():
                yield from figures(child)
        elif isinstance(node, list):
            for child in node:
                yield from figures(child)

    found = list(figures(yaml.safe_load(SHIPPED.read_text(encoding="utf-8"))))
    assert len(found) == 13 + 5 * 6 + 1 + 4 + 5 + 8 + 4
    assert all(len(figure["source"]) > 8 and figure["sure"] in {"seen", "from memory"} for figure in found)


# Formula and check values: SSPC-PA 2, section 8; 500 m2 is 7 parts, 35 spots in a journal's table (December 2009).
@pytest.mark.parametrize(
    ("size", "parts"),
    [(0.5, 1), (5, 1), (10, 1), (10.1, 2), (25, 3), (30, 3), (30.1, 3), (100, 3), (100.1, 4), (200, 4), (500, 7)],
)
def test_parts_required(size, parts):
    assert parts_required_pa2(size) == parts


def test_parts_required_in_the_published_example():
    # 12,500 ft2 ask for 15 parts of 100 ft2 (trade press); the SI rule has the same form with 10 and 100 m2.
    assert parts_required_pa2(1250) == 15


# ISO 19840:2012; 20 at 10 to 30 m2, 30 at 30 to 100 m2 and 70 at 500 m2 seen printed, the rest from memory.
@pytest.mark.parametrize(
    ("size", "readings", "repeats"),
    [
        (0.5, 5, 1),
        (1, 5, 1),
        (3, 10, 2),
        (10, 15, 3),
        (10.1, 20, 4),
        (30, 20, 4),
        (31, 30, 6),
        (100, 30, 6),
        (101, 40, 8),
        (200, 40, 8),
        (250, 50, 10),
        (500, 70, 14),
        (1000, 120, 24),
    ],
)
def test_measurements_required_iso(size, readings, repeats):
    assert readings_required_iso(size) == readings
    assert repeats_allowed_iso(size) == repeats


def test_readings_required_90_10():
    # MSC.215(82), Annex 3: one in 5 m2 of flat surface; three of a complex area, held to everywhere here.
    assert [readings_required_90_10(size) for size in (1, 15, 15.5, 100)] == [3, 3, 4, 20]


@pytest.mark.parametrize("size", [0, -1, float("nan"), float("inf")])
def test_sizes_that_are_none(size):
    for required in (parts_required_pa2, readings_required_iso, repeats_allowed_iso, readings_required_90_10):
        with pytest.raises(ValueError, match="size_m2 must be above 0 and finite; given"):
            required(size)


def test_a_corrected_copy_is_used(edited):
    def change(content):
        content["iso-19840"]["measurements"][0]["readings"] = 6
        content["sspc-pa-2"]["levels"][4]["spot_max"]["value"] = "unrestricted"

    rules = edited(change)
    assert readings_required_iso(1, rules=rules) == 6
    assert rules.pa2.levels[4].spot_max.value is None
    assert rules.digest != load_film_rules().digest
    assert load_film_rules(SHIPPED) == load_film_rules()


def _set(*path, to):
    def change(content):
        for key in path[:-1]:
            content = content[key]
        content[path[-1]] = to

    return change


def _drop(*path):
    def change(content):
        for key in path[:-1]:
            content = content[key]
        del content[path[-1]]

    return change


ISO = "iso-19840"
FIGURE = {"value": 1, "source": "x", "sure": "seen"}


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (_set("iso19840", to={}), "mine.yaml: the key 'iso19840' is not known; did you mean 'iso-19840'?"),
        (
            _set(ISO, "mean_minn", to=FIGURE),
            "mine.yaml, iso-19840: the key 'mean_minn' is not known; did you mean 'mean_min'?",
        ),
        (_drop(ISO, "mean_min"), "mine.yaml, iso-19840: the key 'mean_min' is missing"),
        (_set(ISO, "mean_min", "unit", to="um"), "mine.yaml, iso-19840, mean_min: the key 'unit' is not known"),
        (_set(ISO, "mean_min", "value", to="0,8"), "iso-19840, mean_min, value: must be a number above 0; given '0,8'"),
        (_set(ISO, "mean_min", "value", to="unrestricted"), "must be a number above 0; given 'unrestricted'"),
        (_set(ISO, "mean_min", "value", to=True), "must be a number above 0; given True"),
        (_set(ISO, "mean_min", "sure", to="certain"), "sure: must be one of seen, from memory; given 'certain'"),
        (_set(ISO, "mean_min", to=1.0), "iso-19840, mean_min: must be a mapping of keys; given 1.0"),
        (_set(ISO, "measurements", to=[]), "iso-19840, measurements: must be a list of rows"),
        (_set(ISO, "measurements", 0, "up_to_m2", to=5), "up_to_m2 must rise from row to row"),
        (
            _set(ISO, "profile_correction_um", "smooth", to=FIGURE),
            "profile_correction_um: the key 'smooth' is not known",
        ),
        (_set("sspc-pa-2", "levels", 6, to={}), "mine.yaml, sspc-pa-2, levels: the key 6 is not known"),
        (_drop("sspc-pa-2", "levels", 4), "mine.yaml, sspc-pa-2, levels: the key 4 is missing"),
        (_set("version", to=2), "mine.yaml, version: must be 1; given 2"),
    ],
)
def test_the_loader_refuses(edited, change, message):
    with pytest.raises(ContractError) as caught:
        edited(change)
    assert message in str(caught.value)


def test_a_key_given_twice_is_refused(tmp_path):
    path = tmp_path / "mine.yaml"
    path.write_text(
        SHIPPED.read_text(encoding="utf-8").replace("version: 1", "version: 1\nversion: 1"), encoding="utf-8"
    )
    with pytest.raises(ContractError, match="the key 'version' is given twice"):
        load_film_rules(path)


def test_files_that_are_none(tmp_path):
    with pytest.raises(ContractError, match="must be a readable file of film rules"):
        load_film_rules(tmp_path / "absent.yaml")
    path = tmp_path / "mine.yaml"
    path.write_text("a: [", encoding="utf-8")
    with pytest.raises(ContractError, match=r"mine\.yaml must be valid YAML"):
        load_film_rules(path)
