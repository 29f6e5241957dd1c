"""What the risk would be without a term: the posterior in full on a grid, by sampling, and by hand."""

from dataclasses import replace

import numpy as np
import pytest

from auditkit.stats.removed_term import (
    TermPosterior,
    difference_quantiles,
    joined_posterior,
    log_evidence,
    ratio_quantiles,
    risk_quantiles,
    share_negative,
    term_posterior,
)
from auditkit.stats.shrunken_logistic import ShrunkenRows, fit_shrunken

SHARES = (0.025, 0.5, 0.975)


def _two_by_two(found_out=9, out=20, found_in=12, inside=80):
    x = np.column_stack([np.ones(out + inside), np.r_[np.ones(out), np.zeros(inside)]])
    y = np.r_[np.ones(found_out), np.zeros(out - found_out), np.ones(found_in), np.zeros(inside - found_in)]
    return ShrunkenRows(
        x=x,
        y=y,
        precision=np.array([0.0, 0.0]),
        log_f=np.array([False, True]),
        sessions=np.zeros(len(y), dtype=int),
        session_precision=1e12,
    )


def _on_a_grid(found_out, out, found_in, inside):
    """Return the quantiles of difference, risk without the term and ratio, and how probable a coefficient below 0 is.

    The posterior in both coefficients, evaluated everywhere and summed: no approximation but the grid.
    """
    base, effect = np.meshgrid(np.linspace(-8, 4, 1201), np.linspace(-12, 12, 1601), indexing="ij")
    log = (found_out * (base + effect) - out * np.logaddexp(0, base + effect)) + 0.5 * effect - np.logaddexp(0, effect)
    log += found_in * base - inside * np.logaddexp(0, base)
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    share = out / (out + inside)
    without = 1 / (1 + np.exp(-base))
    risk = share / (1 + np.exp(-base - effect)) + (1 - share) * without

    def quantiles(values):
        order = np.argsort(values, axis=None)
        return np.interp(SHARES, np.cumsum(weight.ravel()[order]), values.ravel()[order])

    return quantiles(risk - without), quantiles(without), quantiles(risk / without), weight[effect < 0].sum()


@pytest.mark.parametrize("counts", [(9, 20, 12, 80), (1, 20, 12, 80), (0, 15, 9, 60), (4, 8, 3, 90)])
def test_agrees_with_the_posterior_in_full(counts):
    rows = _two_by_two(*counts)
    posterior = term_posterior(rows, fit_shrunken(rows), column=1)
    difference, without, ratio, negative = _on_a_grid(*counts)
    assert difference_quantiles(posterior, shares=SHARES) == pytest.approx(difference, abs=0.0025)
    assert risk_quantiles(posterior, shares=SHARES) == pytest.approx(without, abs=0.005)
    assert ratio_quantiles(posterior, shares=SHARES) == pytest.approx(ratio, rel=0.05)
    assert share_negative(posterior) == pytest.approx(negative, abs=0.006)


def test_agrees_with_sampling_where_sessions_and_levels_are_shrunk():
    """A Metropolis walk over all coefficients and effects; 200 walkers, seeded."""
    rng = np.random.default_rng(8)
    n, sessions = 150, 10
    members = np.arange(n) % sessions
    outside = np.clip(rng.normal(0.2, 1.0, n), 0.0, None)
    level = (np.arange(n) // 50)[:, None] == np.arange(3)
    x = np.column_stack([np.ones(n), outside, level])
    y = (rng.random(n) < 1 / (1 + np.exp(2.0 - 0.8 * outside))).astype(float)
    rows = ShrunkenRows(
        x=x,
        y=y,
        precision=np.array([0, 0, 1.0, 1.0, 1.0]),
        log_f=np.array([False, True, False, False, False]),
        sessions=members,
        session_precision=4.0,
    )
    fit = fit_shrunken(rows)
    posterior = term_posterior(rows, fit, column=1)

    full = np.column_stack([x, members[:, None] == np.arange(sessions)])
    precision = np.r_[rows.precision, np.full(sessions, 4.0)]

    def height(beta):
        predictor = beta @ full.T
        prior = 0.5 * beta[:, 1] - np.logaddexp(0, beta[:, 1]) - 0.5 * (precision * beta**2).sum(axis=1)
        return predictor @ y - np.logaddexp(0, predictor).sum(axis=1) + prior

    mode = np.r_[fit.coefficients, fit.effects]
    mean = 1 / (1 + np.exp(-(full @ mode)))
    curvature = (full * (mean * (1 - mean))[:, None]).T @ full + np.diag(precision) + 1e-9 * np.eye(len(mode))
    step = np.linalg.cholesky(np.linalg.inv(curvature)) * 2.4 / len(mode) ** 0.5
    walkers = mode + rng.normal(size=(200, len(mode))) @ np.linalg.cholesky(np.linalg.inv(curvature)).T
    now, kept = height(walkers), []
    for turn in range(1200):
        tried = walkers + rng.normal(size=walkers.shape) @ step.T
        then = height(tried)
        go = np.log(rng.random(200)) < then - now
        walkers[go], now[go] = tried[go], then[go]
        if turn >= 200 and turn % 10 == 0:
            moved = full.copy()
            moved[:, 1] = 0.0
            seen, without = (1 / (1 + np.exp(-(walkers @ each.T))) for each in (full, moved))
            kept.append(seen.mean(axis=1) - without.mean(axis=1))
    assert difference_quantiles(posterior, shares=SHARES) == pytest.approx(
        np.quantile(np.concatenate(kept), SHARES), abs=0.004
    )


def test_evidence_of_the_better_shape_is_higher_by_the_bayes_factor():
    # Two models of the same rows; their evidences summed over the grid of both coefficients.
    rows = _two_by_two(9, 20, 12, 80)
    nothing = replace(rows, x=np.column_stack([np.ones(100), np.r_[np.zeros(60), np.ones(20), np.zeros(20)]]))
    factors = []
    for each in (rows, nothing):
        base, effect = np.meshgrid(np.linspace(-6, 3, 601), np.linspace(-10, 10, 801), indexing="ij")
        outside = each.x[:, 1] == 1
        k1, n1, k0, n0 = each.y[outside].sum(), outside.sum(), each.y[~outside].sum(), (~outside).sum()
        log = k1 * (base + effect) - n1 * np.logaddexp(0, base + effect) + 0.5 * effect - np.logaddexp(0, effect)
        factors.append(np.log(np.exp(log + k0 * base - n0 * np.logaddexp(0, base)).sum()))
    ours = log_evidence(fit_shrunken(rows)) - log_evidence(fit_shrunken(nothing))
    assert ours == pytest.approx(factors[0] - factors[1], abs=0.15)


def _flat(value, density=0.0):
    parts = {name: np.zeros(len(value)) for name in TermPosterior.__slots__}
    spread = {name: np.full(len(value), 1e-9) for name in parts if "spread" in name}
    return TermPosterior(**parts | spread | {"value": np.array(value), "density": np.full(len(value), density)})


def test_joined_weighs_each_by_its_density():
    both = joined_posterior([_flat([-1.0]), _flat([2.0], density=np.log(3.0))])
    assert share_negative(both) == pytest.approx(0.25)


def test_difference_has_the_sign_of_the_coefficient():
    rows = _two_by_two(9, 20, 12, 80)
    posterior = term_posterior(rows, fit_shrunken(rows), column=1)
    tail = share_negative(posterior)
    assert 0 < tail < 0.01
    below, above = difference_quantiles(posterior, shares=[tail * 0.98, tail * 1.02])
    assert below < 0 < above
