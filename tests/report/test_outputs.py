"""Values compared place by place: what counts as equal, and that every difference is named."""

import base64
import copy

import numpy as np
import pytest

from auditkit.report.outputs import (
    DIFFERENT,
    EQUAL,
    FIGURE,
    WITHIN,
    compare,
    compare_notebooks,
    compare_values,
    figure_differences,
    leaves,
    split_outputs,
)

FOUND = {"n": 3, "mean_um": 71.25, "rows": [{"p": 0.04, "why": "mean 71.2 um is above 70"}], "left": None, "ok": True}


def encoded(values, kind="f8"):
    return {"dtype": kind, "bdata": base64.b64encode(np.asarray(values, dtype=kind).tobytes()).decode()}


def notebook(text="3 areas", figure=(1.0, 2.0), source="print(n)"):
    outputs = [
        {"output_type": "stream", "name": "stdout", "text": [text, "\n"]},
        {"output_type": "display_data", "data": {FIGURE: {"data": [{"y": encoded(figure)}]}}, "metadata": {"a": 1}},
    ]
    cell = {"cell_type": "code", "id": "07-01", "source": source, "execution_count": 4, "outputs": outputs}
    return {"cells": [cell], "metadata": {}, "nbformat": 4}


@pytest.mark.parametrize(
    ("sealed", "here", "verdict"),
    [
        (71.25, 71.25, EQUAL),
        (0, 0.0, EQUAL),
        (1.0, 1.0 + 9e-7, WITHIN),
        (1.0, 1.0 + 2e-6, DIFFERENT),
        (-1.0, 1.0, DIFFERENT),
        (0.0, 9e-13, WITHIN),
        (0.0, 2e-12, DIFFERENT),
        (1_000_000_000, 1_000_000_001, DIFFERENT),
        (1_000_000_000.0, 1_000_000_001.0, WITHIN),
        (True, 1, DIFFERENT),
        (None, 0, DIFFERENT),
        (None, None, EQUAL),
        ("3", 3, DIFFERENT),
        (float("nan"), float("nan"), EQUAL),
        ("mean 71.2 um", "mean 71.3 um", WITHIN),
        ("mean 71.2 um", "mean 71.4 um", DIFFERENT),
        ("mean 71.2 um", "mean 71.2 mil", DIFFERENT),
        ("12 areas", "13 areas", DIFFERENT),
        ("2027-03-02", "2027-03-03", DIFFERENT),
        ("1.5e3", "1.6e3", WITHIN),
        ("a  b", "a b", WITHIN),
    ],
)
def test_two_values(sealed, here, verdict):
    assert compare_values(sealed, here) == verdict


def test_every_single_change_of_a_document_is_named_once():
    for place in leaves(FOUND):
        changed = copy.deepcopy(FOUND)
        here, *rest = place.split(" ")[0].split("/")[1:]
        if rest and place.endswith("(length)"):
            continue
        if place == "/rows (length)":
            changed["rows"].append({"p": 1.0})
            assert compare(FOUND, changed).rows["place"].tolist() == ["/rows (length)", "/rows/1/p"]
        elif rest:
            changed["rows"][0][rest[1]] = "other"
            assert compare(FOUND, changed).rows["place"].tolist() == [place]
        else:
            changed[here] = "other"
            assert compare(FOUND, changed).rows["place"].tolist() == [place]


def test_counts_add_up_and_values_are_shown():
    told = compare(FOUND, FOUND | {"n": 4, "mean_um": 71.25 * (1 + 1e-9)})
    assert (told.n, told.equal, told.within, told.different) == (7, 5, 1, 1)
    assert told.rows.to_numpy().tolist() == [
        ["/n", "3", "4", DIFFERENT],
        ["/mean_um", "71.25", repr(71.25 * (1 + 1e-9)), WITHIN],
    ]


def test_nothing_and_something():
    assert compare({}, {}).n == 1
    told = compare({"a": 1}, {"b": 1})
    assert told.rows[["place", "sealed", "here"]].to_numpy().tolist() == [
        ["/a", "1", "nothing"],
        ["/b", "nothing", "1"],
    ]


def test_of_long_texts_the_place_where_they_part_is_shown():
    one, other = "x" * 500 + "sealed" + "y" * 500, "x" * 500 + "here" + "y" * 500
    shown = compare(one, other).rows.iloc[0]
    assert shown["sealed"].startswith("... 'xxx")
    assert "xsealedy" in shown["sealed"]
    assert shown["sealed"].endswith(" ... (430 characters more)")
    assert "xherey" in shown["here"]
    assert compare("a", "b").rows["sealed"].iloc[0] == "'a'"


def test_order_of_keys_does_not_matter_and_input_stays():
    before = copy.deepcopy(FOUND)
    assert compare(FOUND, dict(reversed(FOUND.items()))).different == 0
    assert before == FOUND


def test_a_number_inside_a_figure_is_compared_as_a_number():
    assert figure_differences({"y": encoded([1.0, 2.0])}, {"y": encoded([1.0, 2.0 + 1e-9])}) == []
    told = figure_differences({"y": encoded([1.0, 2.5])}, {"y": encoded([1.0, 2.0])})
    assert told == ["figure/y/1: stored 2.0, found 2.5"]
    assert figure_differences({"y": encoded([1, 2], "i4")}, {"y": [1, 3]}) == ["figure/y/1: stored 3, found 2"]


def test_notebooks_cell_by_cell():
    assert compare_notebooks(notebook(), notebook()).different == 0
    for changed, place in (
        (notebook(text="4 areas"), "cell 07-01 output/0/text"),
        (notebook(figure=(1.0, 2.1)), "cell 07-01 figure 0/data/0/y/1"),
        (notebook(source="print(m)"), "cell 07-01 source"),
    ):
        told = compare_notebooks(notebook(), changed)
        assert told.rows[["place", "verdict"]].to_numpy().tolist() == [[place, DIFFERENT]]
    assert compare_notebooks(notebook(), {"cells": []}).different > 3


def test_counters_of_the_kernel_do_not_count():
    later = notebook()
    later["cells"][0]["execution_count"] = 9
    later["cells"][0]["outputs"][1]["metadata"] = {}
    assert compare_notebooks(notebook(), later).n == compare_notebooks(notebook(), later).equal


def test_html_counts_only_where_there_is_no_plain_text():
    html = {"output_type": "display_data", "data": {"text/html": "<b>a</b>"}}
    assert split_outputs([html])[1] == [html]
    both = {"output_type": "display_data", "data": {"text/html": "<b>a</b>", "text/plain": "a"}}
    assert split_outputs([both])[1][0]["data"] == {"text/plain": "a"}
    assert both["data"]["text/html"] == "<b>a</b>"
