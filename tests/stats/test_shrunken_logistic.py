"""Logistic regression under priors: closed forms, scikit-learn, statsmodels, and the same model written out in full."""

import numpy as np
import pytest

from auditkit.stats.shrunken_logistic import PRIOR_INFORMATION, ShrunkenRows, fit_shrunken, quadratic_form


def _drawn(seed=1, rows=120, sessions=9):
    rng = np.random.default_rng(seed)
    x = np.column_stack([np.ones(rows), rng.normal(size=(rows, 2))])
    members = rng.permutation(np.arange(rows) % sessions)
    y = (rng.random(rows) < 1 / (1 + np.exp(-(x @ [-0.8, 0.9, -0.4])))).astype(float)
    return x, y, members


def _rows(x, y, members, *, precision, log_f, session_precision=4.0):
    return ShrunkenRows(
        x=x,
        y=y,
        precision=np.array(precision, dtype=float),
        log_f=np.array(log_f),
        sessions=members,
        session_precision=session_precision,
    )


_FIXED = 1e14  # a prior so narrow that sessions have no effect


def test_log_f_adds_half_an_outcome_of_each_kind():
    # Greenland and Mansournia (2015): log-F(1, 1) on the log odds of one share is k + 1/2 of n + 1; by hand.
    y = np.array([1.0] * 2 + [0.0] * 7)
    rows = _rows(np.ones((9, 1)), y, np.zeros(9, dtype=int), precision=[0.0], log_f=[True], session_precision=_FIXED)
    assert fit_shrunken(rows).coefficients[0] == pytest.approx(np.log(2.5 / 7.5), abs=1e-9)


def test_log_f_is_a_further_record_of_that_column_alone():
    # The data augmentation of Greenland and Mansournia (2015), fitted by statsmodels.
    import statsmodels.api as sm

    x, y, members = _drawn()
    rows = _rows(x, y, members, precision=[0, 0, 0], log_f=[False, True, True], session_precision=_FIXED)
    more = np.vstack([x, [0, 1, 0], [0, 0, 1]])
    model = sm.GLM(np.r_[y, 0.5, 0.5], more, family=sm.families.Binomial())
    assert fit_shrunken(rows).coefficients == pytest.approx(model.fit(tol=1e-12).params, abs=1e-7)


def test_curvature_of_log_f_at_its_mode():
    rows = _rows(np.zeros((1, 1)), np.ones(1), np.zeros(1, dtype=int), precision=[0.0], log_f=[True])
    assert fit_shrunken(rows).curvature[0, 0] == pytest.approx(PRIOR_INFORMATION)


def test_normal_priors_are_the_ridge_of_scikit_learn():
    from sklearn.linear_model import LogisticRegression

    x, y, members = _drawn()
    rows = _rows(x, y, members, precision=[0, 2.5, 2.5], log_f=[False] * 3, session_precision=_FIXED)
    ridge = LogisticRegression(C=1 / 2.5, tol=1e-12, max_iter=1000).fit(x[:, 1:], y)
    ours = fit_shrunken(rows).coefficients
    assert ours[0] == pytest.approx(ridge.intercept_[0], abs=1e-5)
    assert ours[1:] == pytest.approx(ridge.coef_[0], abs=1e-5)


def test_sessions_taken_out_are_sessions_written_out():
    x, y, members = _drawn()
    short = fit_shrunken(_rows(x, y, members, precision=[0, 0, 1], log_f=[False, True, False]))
    full = np.column_stack([x, members[:, None] == np.arange(9)])
    rows = _rows(
        full,
        y,
        np.zeros(len(y), dtype=int),
        precision=[0, 0, 1] + [4.0] * 9,
        log_f=[False, True] + [False] * 10,
        session_precision=_FIXED,
    )
    long = fit_shrunken(rows)
    assert short.coefficients == pytest.approx(long.coefficients[:3], abs=1e-7)
    assert short.effects == pytest.approx(long.coefficients[3:], abs=1e-7)
    assert short.height == pytest.approx(long.height, abs=1e-7)
    assert short.log_determinant == pytest.approx(long.log_determinant - np.log(_FIXED), abs=1e-6)
    slope = np.array([0.2, -1.0, 0.7])
    effects = np.linspace(-1, 1, 9)
    variance = quadratic_form(short, slope=slope, session_slope=effects)
    direct = np.r_[slope, effects] @ np.linalg.solve(long.curvature, np.r_[slope, effects])
    assert variance == pytest.approx(direct, rel=1e-6)


def test_a_held_coefficient_is_an_offset():
    import statsmodels.api as sm

    x, y, members = _drawn()
    rows = _rows(x, y, members, precision=[0, 0, 0], log_f=[False] * 3, session_precision=_FIXED)
    fit = fit_shrunken(rows, held=(1, 0.3))
    offset = sm.GLM(y, x[:, [0, 2]], family=sm.families.Binomial(), offset=0.3 * x[:, 1]).fit(tol=1e-12)
    assert fit.coefficients[1] == 0.3
    assert fit.coefficients[[0, 2]] == pytest.approx(offset.params, abs=1e-7)
    assert fit.height == pytest.approx(offset.llf, abs=1e-7)
    slope = np.array([1.0, 5.0, 0.0])  # in what is held there is no doubt
    assert quadratic_form(fit, slope=slope, session_slope=np.zeros(9)) == pytest.approx(
        offset.cov_params()[0, 0], rel=1e-5
    )


def test_separated_outcomes_stay_finite():
    x = np.column_stack([np.ones(20), np.arange(20) >= 10])
    rows = _rows(x, x[:, 1].copy(), np.arange(20) // 5, precision=[0, 0], log_f=[False, True])
    fit = fit_shrunken(rows)
    assert fit.converged
    assert 2 < fit.coefficients[1] < 12


def test_order_of_rows_and_start_do_not_matter():
    x, y, members = _drawn()
    rows = _rows(x, y, members, precision=[0, 0, 1], log_f=[False, True, False])
    fit = fit_shrunken(rows)
    order = np.random.default_rng(3).permutation(len(y))
    turned = fit_shrunken(_rows(x[order], y[order], members[order], precision=[0, 0, 1], log_f=[False, True, False]))
    assert turned.coefficients == pytest.approx(fit.coefficients, abs=1e-8)
    far = fit_shrunken(rows, start=(np.array([3.0, -4.0, 5.0]), np.full(9, 2.0)))
    assert far.coefficients == pytest.approx(fit.coefficients, abs=1e-8)


def test_input_is_not_changed():
    x, y, members = _drawn()
    rows = _rows(x, y, members, precision=[0, 0, 1], log_f=[False, True, False])
    start = (np.array([0.1, 0.2, 0.3]), np.zeros(9))
    fit_shrunken(rows, held=(1, 0.5), start=start)
    assert start[0].tolist() == [0.1, 0.2, 0.3]
    assert start[1].tolist() == [0.0] * 9
