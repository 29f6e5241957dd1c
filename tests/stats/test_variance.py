"""Components of variance: published nested designs, and limits that keep their promise."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from auditkit.stats.mean_squares import modified_large_sample_limits, satterthwaite_df, satterthwaite_limits
from auditkit.stats.variance import intraclass_correlation, nested_components


def pins() -> pd.DataFrame:
    """NIST/SEMATECH e-Handbook 3.2.3.3, 5 machines x 2 operators x 5; readings from memory, held to the sums below."""
    text = {
        "day": ".125 .118 .123 .126 .118 .127 .122 .125 .128 .129 .125 .120 .125 .126 .127 "
        ".126 .124 .124 .127 .120 .128 .119 .126 .129 .121",
        "night": ".124 .116 .122 .126 .125 .128 .125 .121 .129 .123 .127 .119 .124 .125 .114 "
        ".126 .125 .126 .130 .124 .129 .120 .125 .124 .117",
    }
    rows = [(i % 5 + 1, shift, float(x)) for shift, numbers in text.items() for i, x in enumerate(numbers.split())]
    return pd.DataFrame(rows, columns=["machine", "operator", "y"])


def purity() -> pd.DataFrame:
    """Montgomery, Design and Analysis of Experiments 8e, 14.1."""
    text = ["1 -1 0|-2 -3 -4|-2 0 1|1 4 0", "1 -2 -3|0 4 2|-1 0 -2|0 3 2", "2 4 0|-2 0 2|1 -1 2|3 2 1"]
    rows = [
        (supplier + 1, batch + 1, float(x))
        for supplier, line in enumerate(text)
        for batch, cell in enumerate(line.split("|"))
        for x in cell.split()
    ]
    return pd.DataFrame(rows, columns=["supplier", "batch", "y"])


def simulate(rng: np.random.Generator, shape: tuple[int, ...], variances: tuple[float, ...]) -> np.ndarray:
    """Nested normal data, shape = (data sets, groups, ..., repeats)."""
    total = np.zeros(shape)
    for depth, variance in enumerate(variances):
        own = (*shape[: depth + 2], *([1] * (len(shape) - depth - 2)))
        total = total + rng.normal(0.0, np.sqrt(variance), own)
    return total


def two_level_mean_squares(y: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mean squares, df and expected mean squares of (data sets, areas, spots, repeats)."""
    _, a, b, n = y.shape
    spot = y.mean(axis=-1)
    area = spot.mean(axis=-1)
    squares = [
        b * n * ((area - area.mean(axis=1, keepdims=True)) ** 2).sum(axis=1) / (a - 1),
        n * ((spot - area[..., None]) ** 2).sum(axis=(1, 2)) / (a * (b - 1)),
        ((y - spot[..., None]) ** 2).sum(axis=(1, 2, 3)) / (a * b * (n - 1)),
    ]
    return (
        np.stack(squares, axis=-1),
        np.array([a - 1, a * (b - 1), a * b * (n - 1)]),
        np.array([[b * n, n, 1.0], [0.0, n, 1.0], [0.0, 0.0, 1.0]]),
    )


def coverage(limits: tuple[np.ndarray, np.ndarray], truth: float) -> float:
    return float(((limits[0] <= truth) & (truth <= limits[1])).mean())


def test_nist_pins():
    # NIST/SEMATECH e-Handbook 3.2.3.3 [seen]
    table = nested_components(pins(), response="y", nesting=["machine", "operator"]).table
    assert table["ss"].to_numpy() == pytest.approx([3.03e-4, 1.86e-5, 3.46e-4], abs=0.5e-6)
    assert table["df"].tolist() == [4, 5, 40]
    assert table["f"].to_numpy()[:2] == pytest.approx([20.38, 0.43], abs=0.005)
    assert table["f"][0] != pytest.approx(8.77, abs=0.5)  # trap: machine against the residual


def test_montgomery_purity():
    # Montgomery, DAE 8e, 14.1 [quoted in public tests]
    result = nested_components(purity(), response="y", nesting=["supplier", "batch"])
    assert result.table["ss"].to_numpy() == pytest.approx([15.06, 69.92, 63.33], abs=0.005)
    assert result.table["df"].tolist() == [2, 9, 24]
    assert result.table["f"].to_numpy()[:2] == pytest.approx([0.97, 2.94], abs=0.005)
    assert result.table["p"].to_numpy()[:2] == pytest.approx([0.416, 0.017], abs=0.0005)
    assert result.components["variance"].to_numpy()[1:] == pytest.approx([1.710, 2.639], abs=0.0005)


def test_component_below_zero_is_set_to_zero_and_said():
    result = nested_components(purity(), response="y", nesting=["supplier", "batch"])
    supplier = result.components.iloc[0]
    assert supplier["raw_variance"] == pytest.approx((15.0556 / 2 - 69.9167 / 9) / 12, abs=1e-4)
    assert (supplier["variance"], supplier["truncated"], supplier["low"]) == (0.0, True, 0.0)
    assert "component of supplier came out at -0.02006, below zero, and is set to zero" in result.notes[0]
    assert result.total.estimate == pytest.approx(1.710 + 2.639, abs=0.001)


def test_three_levels_recover_a_hand_worked_table():
    # 2 x 2 x 2 x 2 of the numbers 0 or 1 in each place: every effect stands alone
    rows = [
        (a, b, c, r, 8.0 * a + 4.0 * b + 2.0 * c + r) for a in (0, 1) for b in (0, 1) for c in (0, 1) for r in (0, 1)
    ]
    frame = pd.DataFrame(rows, columns=["a", "b", "c", "r", "y"])
    table = nested_components(frame, response="y", nesting=["a", "b", "c"]).table
    assert table["ss"].tolist() == [16 * 4.0**2, 16 * 2.0**2, 16 * 1.0**2, 16 * 0.5**2]
    assert table["df"].tolist() == [1, 2, 4, 8]


def test_one_level_agrees_with_scipy():
    from scipy.stats import f_oneway

    groups = [[5.1, 4.9, 5.6], [6.0, 6.2], [4.0, 4.4, 4.1, 4.9]]
    frame = pd.DataFrame([(g, y) for g, values in enumerate(groups) for y in values], columns=["g", "y"])
    result = nested_components(frame, response="y", nesting=["g"])
    reference = f_oneway(*groups)
    assert result.table["f"][0] == pytest.approx(reference.statistic)
    assert result.table["p"][0] == pytest.approx(reference.pvalue)
    assert not result.balanced
    # Searle, Casella and McCulloch (1992): n0 = (N - sum n^2 / N) / (a - 1)
    n0 = (9 - (9 + 4 + 16) / 9) / 2
    expected = (result.table["ms"][0] - result.table["ms"][1]) / n0
    assert result.components["raw_variance"][0] == pytest.approx(expected)


def test_unbalanced_estimates_are_unbiased():
    # expectation of the estimator is the truth whatever the imbalance: mean over 3 000 data sets
    sizes = [[1, 3], [2, 2, 5], [4], [1, 1, 1, 2], [3, 1], [2, 6]]
    rows = [(a, b) for a, spots in enumerate(sizes) for b, n in enumerate(spots) for _ in range(n)]
    frame = pd.DataFrame(rows, columns=["area", "spot"])
    pair = frame.groupby(["area", "spot"]).ngroup().to_numpy()
    rng = np.random.default_rng(11)
    from auditkit.stats.variance import _expected_mean_squares, _sums_of_squares

    codes = [frame["area"].to_numpy(), pair]
    estimates = []
    for _ in range(3000):
        y = rng.normal(0, 2.0, 6)[codes[0]] + rng.normal(0, 1.0, pair.max() + 1)[pair] + rng.normal(0, 0.5, len(pair))
        squares, freedom = _sums_of_squares(y, codes)
        estimates.append(np.linalg.solve(_expected_mean_squares(codes, freedom), squares / freedom))
    error = np.std(estimates, axis=0) / np.sqrt(3000)
    assert np.all(np.abs(np.mean(estimates, axis=0) - [4.0, 1.0, 0.25]) < 4 * error)


@pytest.mark.parametrize("variances", [(1.0, 1.0, 1.0), (9.0, 1.0, 0.25), (0.1, 1.0, 1.0)])
def test_limits_of_nested_components_keep_their_promise(variances):
    # design: 8 areas x 5 spots x 3 repeats, 2 000 data sets, 95 % limits
    y = simulate(np.random.default_rng(20), (2000, 8, 5, 3), variances)
    squares, df, expected = two_level_mean_squares(y)
    weights = np.linalg.inv(expected)
    weights[np.abs(weights) < 1e-12] = 0.0
    for row, truth in zip([*weights, weights.sum(axis=0)], [*variances, sum(variances)], strict=True):
        found = coverage(modified_large_sample_limits(squares, df=df, coefficients=row), truth)
        assert 0.93 <= found <= 0.97


def test_satterthwaite_limits_break_their_promise_for_a_small_component():
    # why they are not the default: a component a tenth of the two below it
    y = simulate(np.random.default_rng(21), (2000, 8, 5, 3), (0.1, 1.0, 1.0))
    squares, df, expected = two_level_mean_squares(y)
    row = np.linalg.inv(expected)[0]
    assert coverage(satterthwaite_limits(squares, df=df, coefficients=row), 0.1) < 0.90


@pytest.mark.parametrize(("variance", "least"), [(1.0, 0.93), (9.0, 0.93), (0.2, 0.91)])
def test_limits_in_a_grossly_unbalanced_design(variance, least):
    # group sizes 1 and 12 in turn, 500 data sets through the public function's own pieces;
    # for a component a fifth of the residual they fall to about 92 %, as the docstring says
    from auditkit.stats.variance import _sums_of_squares, _unweighted_mean_squares

    code = np.repeat(np.arange(8), [1, 12] * 4)
    rng = np.random.default_rng(22)
    lows, highs = [], []
    for _ in range(2000):
        y = rng.normal(0, np.sqrt(variance), 8)[code] + rng.normal(0, 1.0, len(code))
        squares, freedom = _sums_of_squares(y, [code])
        plain, expected = _unweighted_mean_squares(y, [code], freedom, squares[-1] / freedom[-1])
        low, high = modified_large_sample_limits(plain, df=freedom, coefficients=np.linalg.inv(expected)[0])
        lows.append(low)
        highs.append(high)
    assert least <= coverage((np.array(lows), np.array(highs)), variance) <= 0.97


def test_limits_of_the_frame_function_are_those_of_the_mean_squares():
    y = simulate(np.random.default_rng(23), (1, 6, 4, 3), (2.0, 1.0, 0.5))
    squares, df, expected = two_level_mean_squares(y)
    index = pd.MultiIndex.from_product([range(6), range(4), range(3)], names=["a", "b", "r"])
    frame = pd.DataFrame({"y": y.ravel()}, index=index).reset_index()
    result = nested_components(frame, response="y", nesting=["a", "b"])
    assert result.balanced
    assert result.notes == ()
    weights = np.linalg.inv(expected)
    for i, row in enumerate(weights):
        low, high = modified_large_sample_limits(squares[0], df=df, coefficients=row)
        assert result.components["low"][i] == pytest.approx(float(low))
        assert result.components["high"][i] == pytest.approx(float(high))
    low, high = modified_large_sample_limits(squares[0], df=df, coefficients=weights.sum(axis=0))
    assert (result.total.low, result.total.high) == pytest.approx((float(low), float(high)))


def test_residual_limits_are_exact_chi_square():
    from scipy.stats import chi2

    last = nested_components(purity(), response="y", nesting=["supplier", "batch"]).components.iloc[-1]
    ss = 63.0 + 1.0 / 3.0
    assert (last["low"], last["high"]) == pytest.approx((ss / chi2.ppf(0.975, 24), ss / chi2.ppf(0.025, 24)))


def test_lower_limit_of_a_difference_is_zero_at_the_critical_ratio():
    # the defining property of the cross term: L = 0 exactly where F is at its upper 2.5 % point
    from scipy.stats import f

    point = float(f.isf(0.025, 5, 12))
    low, _ = modified_large_sample_limits([[point, 1.0], [point * 1.01, 1.0]], df=[5, 12], coefficients=[1.0, -1.0])
    assert low[0] == pytest.approx(0.0, abs=1e-7)
    assert low[1] > 0.0


def test_limits_of_a_sum_follow_graybill_and_wang():
    # L = g - sqrt(sum (G c S)^2), U = g + sqrt(sum (H c S)^2), no cross terms
    from scipy.stats import chi2

    df = np.array([5, 12])
    parts = np.array([0.5 * 4.0, 2.0 * 1.5])
    shrink, stretch = 1 - df / chi2.isf(0.025, df), df / chi2.ppf(0.025, df) - 1
    low, high = modified_large_sample_limits([4.0, 1.5], df=df, coefficients=[0.5, 2.0])
    assert float(low) == pytest.approx(5.0 - np.sqrt(((shrink * parts) ** 2).sum()))
    assert float(high) == pytest.approx(5.0 + np.sqrt(((stretch * parts) ** 2).sum()))


def test_lower_limit_of_two_like_parts_is_that_of_their_pool():
    # the defining property of the like-signed cross term: parts in the ratio of their df act as one
    # mean square on the sum of the df, as the subtracted part vanishes
    from scipy.stats import chi2

    low, _ = modified_large_sample_limits([5.0, 12.0, 1e-9], df=[5, 12, 8], coefficients=[1.0, 1.0, -1.0])
    assert float(low) == pytest.approx(17.0 * 17 / chi2.isf(0.025, 17), rel=1e-6)


def test_satterthwaite_df_of_two_equal_variances_is_the_welch_figure():
    assert float(satterthwaite_df([3.0, 3.0], df=[7, 7], coefficients=[0.5, 0.5])) == pytest.approx(14.0)


def test_intraclass_correlation_agrees_with_its_f_limits():
    # Shrout and Fleiss (1979): ICC(1,1) .17; limits -.133 to .723 from memory of other programs' output
    text = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
    frame = pd.DataFrame([(t, float(y)) for t, row in enumerate(text) for y in row], columns=["t", "y"])
    result = intraclass_correlation(frame, response="y", group="t")
    assert result.estimate == pytest.approx(0.17, abs=0.005)
    assert (result.low, result.high) == pytest.approx((-0.133, 0.723), abs=0.0005)


def test_intraclass_correlation_limits_in_unequal_groups():
    rng = np.random.default_rng(24)
    code = np.repeat(np.arange(8), [2, 3, 4, 5, 3, 4, 2, 6])
    hits = 0
    for _ in range(400):
        y = rng.normal(0, 1, 8)[code] + rng.normal(0, 1, len(code))
        result = intraclass_correlation(pd.DataFrame({"g": code, "y": y}), response="y", group="g")
        hits += result.low <= 0.5 <= result.high
    assert 0.92 <= hits / 400 <= 0.98


def test_intraclass_correlation_of_equal_observations_is_not_known():
    frame = pd.DataFrame({"g": list("aabbcc"), "y": [42.1] * 6})
    result = intraclass_correlation(frame, response="y", group="g")
    assert np.isnan([result.estimate, result.low, result.high]).all()
    assert result.method == "none: the observations do not vary"
    # equal group means: MS between 0, MS within 2, so -(2/2) / (2 - 2/2) by hand
    alike = intraclass_correlation(frame.assign(y=[1.0, 3.0] * 3), response="y", group="g")
    assert alike.estimate == pytest.approx(-1.0)


def test_row_order_labels_and_extra_columns_do_not_matter():
    frame = purity()
    kept = frame.copy()
    plain = nested_components(frame, response="y", nesting=["supplier", "batch"])
    other = frame.sample(frac=1.0, random_state=3).assign(note="x")
    other["supplier"] = other["supplier"].map({1: "north", 2: "east", 3: "west"})
    other["batch"] = other["supplier"] + other["batch"].astype(str)  # labels that do not repeat
    mixed = nested_components(other, response="y", nesting=["supplier", "batch"])
    pd.testing.assert_frame_equal(plain.components, mixed.components)
    pd.testing.assert_frame_equal(plain.table, mixed.table)
    pd.testing.assert_frame_equal(frame, kept)


def test_shift_and_scale():
    frame = purity()
    plain = nested_components(frame, response="y", nesting=["supplier", "batch"])
    moved = nested_components(frame.assign(y=1e6 + 10 * frame["y"]), response="y", nesting=["supplier", "batch"])
    assert moved.components["raw_variance"].to_numpy() == pytest.approx(
        100 * plain.components["raw_variance"], rel=1e-6
    )


def test_missing_values_are_refused_or_counted():
    frame = purity()
    frame.loc[4, "y"] = np.nan
    with pytest.raises(ValueError, match=r"1 of 36 rows have a gap, first at index \[4\]"):
        nested_components(frame, response="y", nesting=["supplier", "batch"])
    result = nested_components(frame, response="y", nesting=["supplier", "batch"], missing="exclude")
    assert (result.n, result.excluded, result.balanced) == (35, 1, False)
    assert "the design is unbalanced" in result.notes[-1]


def test_errors_say_what_is_wrong():
    frame = purity()
    with pytest.raises(ValueError, match="two or more groups of 'supplier'; given none"):
        nested_components(frame[frame["supplier"] == 1], response="y", nesting=["supplier", "batch"])
    with pytest.raises(ValueError, match="two or more observations within the innermost group"):
        nested_components(frame.drop_duplicates(["supplier", "batch"]), response="y", nesting=["supplier", "batch"])
    with pytest.raises(ValueError, match="nesting must name one to three columns"):
        nested_components(frame, response="y", nesting=[])
    with pytest.raises(ValueError, match=r"the frame must have the columns \['lot'\]"):
        nested_components(frame, response="y", nesting=["lot"])
    with pytest.raises(ValueError, match="interval must be one of"):
        nested_components(frame, response="y", nesting=["supplier"], interval="exact")
    with pytest.raises(ValueError, match="at least one coefficient must be above 0"):
        modified_large_sample_limits([1.0], df=[3], coefficients=[-1.0])
    with pytest.raises(ValueError, match="must agree in number"):
        modified_large_sample_limits([1.0, 2.0], df=[3], coefficients=[1.0])
