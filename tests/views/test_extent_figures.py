"""The plan of a suspect zone: what is drawn, and that words and shapes carry it without colour."""

import pandas as pd
import pytest

from auditkit.trade.extent import map_extent
from auditkit.views.extent_figures import suspect_zone


@pytest.fixture
def extent():
    film = {"c": 80.0, "n": 50.0}
    rows = [
        ("A1", "facing", direction, "distance", step, film[letter])
        for direction, letters in {1: "ncc", 3: "nnc", 5: "cc"}.items()
        for step, letter in enumerate(letters, start=1)
        for _ in range(3)
    ]
    rows += [("A1", "facing", 3, "distance", 4, 80.0)]  # one reading: no spot
    rows += [("A2", "reverse", 1, "unit", step, film[letter]) for step, letter in enumerate("ncc", 1) for _ in range(3)]
    spots = pd.DataFrame(rows, columns=["area_id", "side", "direction", "basis", "step", "dft_um"])
    areas = pd.DataFrame({"area_id": ["A1", "A2"], "job_id": "J1"})
    jobs = pd.DataFrame(
        {"job_id": ["J1"], "film_min_um": [60.0], "film_max_um": [160.0], "film_reverse_min_um": [None]}
    )
    return map_extent(spots, areas, jobs)


def texts(figure):
    return [annotation.text for annotation in figure.layout.annotations]


def test_every_spot_is_drawn_by_shape_and_word_and_number(extent):
    figure = suspect_zone(extent, area_id="A1", side="facing")
    markers = {trace.name: trace for trace in figure.data if trace.mode == "markers+text"}
    assert {name: trace.marker.symbol for name, trace in markers.items()} == {
        "conforms (5)": "circle",
        "does not conform (3)": "x",
        "too few readings (1)": "diamond-open",
    }
    assert list(markers["does not conform (3)"].text) == ["50", "50", "50"]
    # direction 1 is up: step 1 lies above the centre; direction 3 is to the right
    assert markers["does not conform (3)"].x[0] == pytest.approx(0.0)
    assert markers["does not conform (3)"].y[0] > 0
    assert markers["does not conform (3)"].x[1] > 0
    assert markers["does not conform (3)"].y[1] == pytest.approx(0.0)
    assert figure.layout.title.text == "Suspect zone round A1, facing side (9 spots)"


def test_the_zone_is_hatched_and_said_in_words(extent):
    figure = suspect_zone(extent, area_id="A1", side="facing")
    sectors = [trace for trace in figure.data if trace.fill == "toself"]
    assert len(sectors) == 3
    reach = [max((x**2 + y**2) ** 0.5 for x, y in zip(s.x, s.y, strict=True)) for s in sectors]
    assert reach == pytest.approx([1 + 2, 1 + 3, 1 + 1])  # the area's disc, and suspect steps of directions 1, 3, 5
    assert {(s.name, s.line.dash, s.fillpattern.shape) for s in sectors} == {
        ("suspect", "solid", "/"),
        ("suspect, at least so far (open)", "dash", "x"),
    }
    said = texts(figure)
    assert "<b>1</b> closed<br>3 m suspect" in said
    assert "<b>3</b> open<br>1 more spot<br>≥ 4.5 m suspect" in said
    assert "<b>2</b> not measured" in said
    assert {"1.5 m", "3 m", "4.5 m", "6 m"} <= set(said)


def test_units_are_counted(extent):
    said = texts(suspect_zone(extent, area_id="A2", side="reverse"))
    assert "<b>1</b> closed<br>1 unit suspect" in said
    assert {"unit 1", "unit 2", "unit 3"} <= set(said)


def test_an_area_without_spots_is_refused(extent):
    with pytest.raises(ValueError, match="given A1 reverse, and there are A1 facing, A2 reverse"):
        suspect_zone(extent, area_id="A1", side="reverse")
