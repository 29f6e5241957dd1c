"""The film map: areas, spots and readings as recorded, worst first, and figures that draw what the table says."""

import pandas as pd
import pytest

import auditkit
from auditkit import explore
from auditkit.explore.film_rows import WORST_FIRST, FilmView

from ..report.small_dossier import RUNS, write_small


def drawn(figure, name):
    """Return x and y of all traces of a name, in one list of pairs."""
    return [pair for trace in figure.data if trace.name == name for pair in zip(trace.x, trace.y, strict=True)]


@pytest.fixture(scope="module")
def picked(findings):
    """An area with readings on both sides and more than one reading a spot."""
    readings = findings.dossier.tables["film_readings"]
    counts = readings.groupby(["area_id", "side"])["spot"].nunique().unstack()
    return str(counts.dropna().index[0])


def test_every_side_of_every_area_is_a_row_the_worst_first(findings):
    table = explore.film_table(findings, FilmView())
    keys = set(zip(table["area_id"], table["side"], strict=True))
    assert keys == set(zip(findings.film.areas["area_id"], findings.film.areas["side"], strict=True))
    rank = table["verdict"].map(WORST_FIRST.index)
    assert rank.is_monotonic_increasing
    assert rank.nunique() == 3


def test_a_job_leaves_the_areas_of_the_others_out(findings):
    job = findings.dossier.tables["jobs"]["job_id"].iloc[0]
    table = explore.film_table(findings, FilmView(job=job))
    own = findings.dossier.tables["areas"].set_index("area_id")["job_id"]
    assert set(own[table["area_id"].unique()]) == {job}
    assert table["area_id"].nunique() == (own == job).sum()


def test_a_spot_is_the_mean_of_its_readings_that_count(findings, picked):
    readings = findings.dossier.tables["film_readings"]
    for side in ("facing", "reverse"):
        own = readings[(readings["area_id"] == picked) & (readings["side"] == side)]
        spots = explore.film_table(findings, FilmView(area=picked, side=side)).set_index("spot")
        assert set(spots.index) == set(own["spot"])
        for spot in spots.index:
            rows = explore.film_table(findings, FilmView(area=picked, side=side, spot=int(spot)))
            given = own[own["spot"] == spot]
            assert sorted(rows["dft_um"]) == sorted(given["dft_um"])
            counted = rows.loc[rows["counts"], "dft_um"]
            assert spots.loc[spot, "dft_um"] == pytest.approx(counted.mean())
            assert spots.loc[spot, "n"] == len(counted)


def test_a_reading_leads_to_its_file_and_line(findings, picked):
    spot = explore.film_table(findings, FilmView(area=picked))["spot"].iloc[0]
    row = explore.film_table(findings, FilmView(area=picked, spot=int(spot))).iloc[0]
    assert (findings.dossier.folder / row["file"]).is_file()
    assert row["line"] >= 2


def test_the_areas_drawn_are_those_with_a_mean_at_their_means(findings):
    figure = explore.film_figure(findings, FilmView())
    areas = findings.film.areas
    for verdict in WORST_FIRST:
        heights = sorted(y for _, y in drawn(figure, verdict))
        own = areas[(areas["verdict"] == verdict) & areas["mean_um"].notna()]
        assert heights == sorted(own["mean_um"])
    assert f"({int(areas['mean_um'].notna().sum())} sides measured)" in figure.layout.title.text


def test_whiskers_reach_from_the_lowest_to_the_highest_spot(findings):
    areas = findings.film.areas.set_index(["area_id", "side"])
    # a job of up to sixty areas a side, beyond which they are not drawn
    sizes = findings.film.areas[findings.film.areas["mean_um"].notna()].groupby(["job_id", "side"]).size()
    small = sizes.groupby("job_id").max()
    job = str(small.index[small <= 60][0])
    figure = explore.film_figure(findings, FilmView(job=job))
    checked = 0
    for trace in figure.data:
        side = "facing" if trace.xaxis in (None, "x") else "reverse"
        for name, y, up, down in zip(trace.text, trace.y, trace.error_y.array, trace.error_y.arrayminus, strict=True):
            row = areas.loc[(name, side)]
            assert y + up == pytest.approx(row["highest_spot_um"])
            assert y - down == pytest.approx(row["lowest_spot_um"])
            checked += 1
    assert checked == sizes[job].sum()


def test_an_area_is_drawn_reading_by_reading_with_the_limits_it_was_tested_by(findings, picked):
    figure = explore.film_figure(findings, FilmView(area=picked))
    readings = findings.dossier.tables["film_readings"]
    own = readings[(readings["area_id"] == picked) & readings["side"].isin(["facing", "reverse"])]
    judged = findings.film.areas[findings.film.areas["area_id"] == picked]
    less = judged.set_index("side")["correction_um"].fillna(0.0)
    expected = sorted((own["dft_um"] - own["side"].map(less)).round(9))
    names = ("one reading", "of the picked spot", "of a film since sprayed over")
    assert sorted(round(y, 9) for name in names for _, y in drawn(figure, name)) == expected
    tests = findings.film.tests
    limits = tests.loc[(tests["area_id"] == picked) & tests["name"].str.match(r"^(part \d+: )?(lowest|highest|mean)")]
    lines = {shape.y0 for shape in figure.layout.shapes}
    assert lines == set(limits["limit"].dropna())


def test_each_side_stands_in_its_own_panel_less_the_correction(findings):
    """The spots and the limits of a side lie on the axes under its heading; the area has a correction to take off."""
    areas, tests = findings.film.areas, findings.film.tests
    both = areas[(areas["correction_um"] > 0) & areas["mean_um"].notna()].groupby("area_id")["side"].nunique()
    area = str(both.index[both == 2][0])
    figure = explore.film_figure(findings, FilmView(area=area))
    judged = areas[areas["area_id"] == area].set_index("side")
    for side, x in (("facing", ("x", None)), ("reverse", ("x2",))):
        less = float(judged.loc[side, "correction_um"])
        spots = explore.film_table(findings, FilmView(area=area, side=side))
        [drawn_spots] = [t for t in figure.data if t.name == "mean of the spot" and t.xaxis in x]
        assert list(drawn_spots.y) == pytest.approx(list(spots["dft_um"] - less))
        own = tests[(tests["area_id"] == area) & (tests["side"] == side)]
        limits = set(own.loc[own["name"].str.match(r"^(part \d+: )?(lowest|highest|mean)"), "limit"].dropna())
        lines = [shape for shape in figure.layout.shapes if shape.xref.split(" ")[0] in x]
        assert {shape.y0 for shape in lines} == limits
    assert judged.loc["facing", "mean_um"] != judged.loc["reverse", "mean_um"]


def test_a_reading_of_a_film_since_sprayed_over_is_shown_and_does_not_count(tmp_path):
    runs = RUNS + RUNS.splitlines()[1].replace("R1,A1", "R3,A1").replace("2027-01-11T08", "2027-01-14T10") + "\n"
    again = auditkit.audit(auditkit.read_dossier(write_small(tmp_path / "small", runs=runs)), causes=False)
    every = len(again.dossier.tables["film_readings"].query("area_id == 'A1'"))
    readings = pd.concat(
        explore.film_table(again, FilmView(area="A1", side=side, spot=spot))
        for side in ("facing", "reverse")
        for spot in range(1, 6)
    )
    assert len(readings) == every == 30
    assert not readings["counts"].any()
    assert explore.film_table(again, FilmView(area="A2", spot=1))["counts"].all()
    figure = explore.film_figure(again, FilmView(area="A1"))
    assert len(drawn(figure, "of a film since sprayed over")) == every
    assert not drawn(figure, "one reading")
    assert f"0 readings on edges, {every} of a film since sprayed over" in explore.film_map(again).shown.caption


def test_the_picked_spot_is_marked(findings, picked):
    spot = int(explore.film_table(findings, FilmView(area=picked))["spot"].iloc[-1])
    figure = explore.film_figure(findings, FilmView(area=picked, spot=spot))
    rows = explore.film_table(findings, FilmView(area=picked, spot=spot))
    marked = [y for _, y in drawn(figure, "of the picked spot")]
    assert len(marked) == rows["counts"].sum() > 0


@pytest.mark.parametrize(
    ("view", "words"),
    [
        (FilmView(job="no such job"), "job must be one of"),
        (FilmView(area="no such area"), "area must be one of"),
        (FilmView(side="back"), "side must be one of facing, reverse; given 'back'"),
        (FilmView(spot=3), "spot must be one of .there is none.; given 3"),
    ],
)
def test_what_the_records_do_not_have_is_said(findings, view, words):
    for make in (explore.film_table, explore.film_figure, explore.film_map):
        with pytest.raises(ValueError, match=words):
            make(findings, view)


def test_moving_the_controls_leads_from_all_jobs_to_one_reading(findings, picked):
    bench = explore.film_map(findings, FilmView())
    widgets = bench.widgets
    assert widgets["spot"].disabled
    everything = bench.figure.to_plotly_json()
    widgets["area"].value = picked
    assert not widgets["spot"].disabled
    assert bench.view == FilmView(area=picked)
    assert bench.figure.to_plotly_json() != everything
    facing = bench.shown.tables
    widgets["side"].value = "reverse"
    assert list(bench.shown.tables) != list(facing)
    widgets["spot"].value = widgets["spot"].options[1][1]
    assert bench.view.spot == widgets["spot"].value
    [readings] = bench.shown.tables.values()
    assert set(readings["spot"]) == {bench.view.spot}
    assert "line" in readings


def test_an_area_of_another_job_is_let_go(findings, picked):
    jobs = findings.dossier.tables["areas"].set_index("area_id")["job_id"]
    other = str(jobs[jobs != jobs[picked]].iloc[0])
    bench = explore.film_map(findings, FilmView(area=picked))
    bench.widgets["job"].value = other
    assert bench.view == FilmView(job=other)
    assert bench.widgets["area"].value == ""
    assert picked not in [value for _, value in bench.widgets["area"].options]


def test_code_beneath_draws_the_figure_again(findings, picked):
    bench = explore.film_map(findings, FilmView(area=picked, side="reverse"))
    again = eval(bench.shown.code, {"explore": explore, "findings": findings})
    assert again.to_plotly_json() == bench.shown.figure.to_plotly_json()
