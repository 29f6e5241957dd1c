"""Balanced analysis of variance: published mixed and nested designs."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from auditkit.stats.anova import anova_table


def varnish() -> pd.DataFrame:
    """Hicks (1982) Ex. 10.3, as printed in The R Journal 9(1):252 (2017): dry varnish film."""
    gates = {
        1: ".38 .40 .40 .40|.39 .41 .39 .43|.45 .40 .41 .40",
        2: ".63 .59 .68 .66|.72 .70 .77 .76|.78 .79 .85 .84",
        3: ".76 .78 .86 .82|.95 .96 .86 .85|1.03 1.06 1.01 .98",
    }
    rows = [
        (gate, "ABC"[o], 1 + i // 2, float(x))
        for gate, text in gates.items()
        for o, cell in enumerate(text.split("|"))
        for i, x in enumerate(cell.split())
    ]
    return pd.DataFrame(rows, columns=["gate", "operator", "day", "y"])


def varnish_table(random=("operator", "day"), model="restricted"):
    return anova_table(
        varnish(), response="y", factors=["gate", "operator", "day"], random=list(random), model=model
    ).table.set_index("source")


def test_hicks_varnish_sums_of_squares():
    table = varnish_table()
    printed = [1.573172, 0.112072, 0.001003, 0.042844, 0.011339, 0.005972, 0.009911, 0.005850]
    assert table["ss"].to_numpy() == pytest.approx(printed, abs=0.5e-6)
    assert table["df"].tolist() == [2, 2, 1, 4, 2, 2, 4, 18]


def test_hicks_varnish_ratios():
    table = varnish_table()
    assert table.loc["operator", ["f", "p"]].tolist() == pytest.approx([18.7656, 0.0506], abs=5e-5)
    assert table.loc["operator x day", ["f", "p"]].tolist() == pytest.approx([9.188, 0.0018], abs=5e-4)
    assert table.loc["gate x operator x day", "f"] == pytest.approx(7.6239, abs=5e-5)
    assert table.loc["gate x operator x day", "p"] == pytest.approx(9e-4, abs=5e-5)


def test_hicks_varnish_approximate_ratio_of_the_gate():
    gate = varnish_table().loc["gate"]
    assert gate["f"] == pytest.approx(48.17076, abs=1e-5)
    assert gate["df_numerator"] == pytest.approx(2.01261, abs=1e-5)
    assert gate["df_denominator"] == pytest.approx(5.995597, abs=1e-6)
    assert gate["p"] == pytest.approx(2.010433e-4, abs=1e-10)
    assert gate["numerator"] == "gate + gate x operator x day"
    assert gate["denominator"] == "gate x operator + gate x day"


def test_trap_all_fixed_gives_the_wrong_ratio():
    # Hicks data with every factor fixed: F of the gate against the error is 2420
    assert varnish_table(random=()).loc["gate", "f"] == pytest.approx(2420, abs=0.5)
    assert varnish_table().loc["gate", "f"] < 50


def test_unrestricted_model_holds_the_operator_against_more():
    row = varnish_table(model="unrestricted").loc["operator"]
    assert row["denominator"] == "gate x operator + operator x day"
    assert row["numerator"] == "operator + gate x operator x day"


def test_sums_of_squares_agree_with_statsmodels():
    from statsmodels.formula.api import ols
    from statsmodels.stats.anova import anova_lm

    reference = anova_lm(ols("y ~ C(gate) * C(operator) * C(day)", varnish()).fit())
    assert varnish_table()["ss"].to_numpy() == pytest.approx(reference["sum_sq"].to_numpy())


def test_nested_factor_with_labels_that_repeat_and_that_do_not():
    # Montgomery, DAE 8e, 14.1: supplier fixed, batch random in supplier
    text = ["1 -1 0|-2 -3 -4|-2 0 1|1 4 0", "1 -2 -3|0 4 2|-1 0 -2|0 3 2", "2 4 0|-2 0 2|1 -1 2|3 2 1"]
    rows = [(s, b, float(x)) for s, line in enumerate(text) for b, c in enumerate(line.split("|")) for x in c.split()]
    frame = pd.DataFrame(rows, columns=["supplier", "batch", "y"])
    settings = {"response": "y", "factors": ["supplier", "batch"], "random": ["batch"]}
    table = anova_table(frame, nested={"batch": ["supplier"]}, **settings).table
    assert table["source"].tolist() == ["supplier", "batch(supplier)", "error"]
    assert table["ss"].to_numpy() == pytest.approx([15.06, 69.92, 63.33], abs=0.005)
    assert table["f"].to_numpy()[:2] == pytest.approx([0.97, 2.94], abs=0.005)
    frame["batch"] = frame["supplier"] * 10 + frame["batch"]
    again = anova_table(frame, nested={"batch": ["supplier"]}, **settings).table
    pd.testing.assert_frame_equal(table, again)


def test_expected_mean_squares_of_a_nested_and_crossed_design():
    # Montgomery, DAE 8e, 14.3 (fixture and layout fixed, operator random within layout): the rule, worked by hand
    frame = pd.DataFrame(
        [(f, l, o, 0.0) for f in range(3) for l in range(2) for o in range(4) for _ in range(2)],  # noqa: E741
        columns=["fixture", "layout", "operator", "y"],
    )
    frame["y"] = np.random.default_rng(0).normal(size=len(frame))
    expected = anova_table(
        frame,
        response="y",
        factors=["fixture", "layout", "operator"],
        random=["operator"],
        nested={"operator": ["layout"]},
    ).expected
    inner = "fixture x operator(layout)"
    assert expected.loc["fixture", ["fixture", inner, "error"]].tolist() == [16.0, 2.0, 1.0]
    assert expected.loc["layout", ["layout", "operator(layout)", inner]].tolist() == [24.0, 6.0, 0.0]
    assert expected.loc["operator(layout)", ["operator(layout)", inner]].tolist() == [6.0, 0.0]
    assert expected.loc["fixture x layout", ["fixture x layout", inner]].tolist() == [8.0, 2.0]


def test_row_order_and_labels_do_not_matter_and_input_stays():
    frame = varnish()
    kept = frame.copy()
    other = frame.sample(frac=1.0, random_state=1)
    other["gate"] = other["gate"].map({1: "z", 2: "k", 3: "a"})
    settings = {"response": "y", "factors": ["gate", "operator", "day"], "random": ["operator", "day"]}
    pd.testing.assert_frame_equal(anova_table(frame, **settings).table, anova_table(other, **settings).table)
    pd.testing.assert_frame_equal(frame, kept)


def test_errors_say_what_is_wrong():
    frame = varnish()
    settings = {"response": "y", "factors": ["gate", "operator"], "random": []}
    with pytest.raises(ValueError, match="every cell must hold equally many observations; given between 3 and 4"):
        anova_table(frame.iloc[1:], **settings)
    with pytest.raises(ValueError, match="two or more observations, to tell error from interaction"):
        anova_table(frame.drop_duplicates(["gate", "operator"]), **settings)
    with pytest.raises(ValueError, match=r"two or more levels; \['gate'\] have one"):
        anova_table(frame[frame["gate"] == 1], **settings)
    with pytest.raises(ValueError, match=r"\['hour'\] are not in factors"):
        anova_table(frame, **(settings | {"random": ["hour"]}))
    with pytest.raises(ValueError, match="may not be nested in itself"):
        anova_table(frame, nested={"gate": ["operator"], "operator": ["gate"]}, **settings)
    with pytest.raises(ValueError, match="model must be 'restricted' or 'unrestricted'; given 'mixed'"):
        anova_table(frame, model="mixed", **settings)
