"""Acceptance sampling by variables: the table, its inner agreement, and what it accepts."""

from __future__ import annotations

import numpy as np
import pytest

from auditkit.stats import sampling_tables as tables
from auditkit.stats.variables_sampling import (
    judge_variables,
    variables_acceptance,
    variables_plan,
)


@pytest.mark.parametrize(
    ("letter", "aql", "n", "k", "sure"),
    # ANSI/ASQ Z1.9 Table B-1 on a university page; two values from memory are marked so
    [
        ("C", 1.0, 4, 1.45, "seen"),
        ("F", 2.5, 10, 1.41, "seen"),
        ("M", 1.5, 100, 1.86, "seen"),
        ("G", 2.5, 15, 1.47, "from memory"),
        ("K", 4.0, 50, 1.42, "from memory"),
        ("B", 2.5, 3, 1.12, "seen"),
    ],
)
def test_plans(letter, aql, n, k, sure):
    plan = variables_plan(letter, aql=aql)
    assert (plan.letter, plan.n, plan.k, plan.sure) == (letter, n, k, sure)


def test_arrow_leads_to_the_next_letter_with_its_sample_size():
    plan = variables_plan("B", aql=1.0)
    assert (plan.letter, plan.n, plan.k) == ("C", 4, 1.45)


def test_each_letter_accepts_its_aql_with_one_probability():
    # the scheme gives the plans of one letter the same probability at their AQL: a slip in a k breaks it
    for letter, (size, row) in tables.VARIABLES.items():
        found = [
            float(variables_acceptance(aql / 100, n=size, k=entry[0]))
            for aql, entry in row.items()
            if isinstance(entry, tuple)
        ]
        assert max(found) - min(found) < 0.006, letter
        assert min(found) > 0.88, letter


def test_probability_of_acceptance_agrees_with_simulation():
    from scipy.stats import norm

    y = np.random.default_rng(1).normal(0, 1, (200_000, 10))
    limit = norm.ppf(0.04)
    share = ((y.mean(axis=1) - limit) / y.std(axis=1, ddof=1) >= 1.41).mean()
    assert float(variables_acceptance(0.04, n=10, k=1.41)) == pytest.approx(share, abs=0.003)


def test_trap_clustered_readings_accept_bad_lots_too_often():
    # five readings on each of two places, half the variance between places: the plan for ten independent
    # values accepts 10 % beyond the limit far more often than it should
    from scipy.stats import norm

    rng = np.random.default_rng(2)
    y = (rng.normal(0, 0.5**0.5, (20_000, 2, 1)) + rng.normal(0, 0.5**0.5, (20_000, 2, 5))).reshape(20_000, 10)
    share = ((y.mean(axis=1) - norm.ppf(0.10)) / y.std(axis=1, ddof=1) >= 1.41).mean()
    assert share > 1.2 * float(variables_acceptance(0.10, n=10, k=1.41))


def test_verdict_by_hand():
    plan = variables_plan("C", aql=1.0)
    values = [62.0, 64.0, 66.0, 68.0]
    verdict = judge_variables(values, plan=plan, lower=61.0)
    assert verdict.mean == 65.0
    assert verdict.quality_index == pytest.approx(4 / (20 / 3) ** 0.5)
    assert verdict.accepted
    assert not judge_variables(values, plan=plan, lower=62.0).accepted
    mirrored = judge_variables([-x for x in values], plan=plan, upper=-61.0)
    assert mirrored.quality_index == pytest.approx(verdict.quality_index)
    assert judge_variables([-x for x in values], plan=plan, upper=0.0).quality_index > 20


def test_order_does_not_matter():
    plan = variables_plan("C", aql=1.0)
    assert judge_variables([1.0, 2.0, 4.0, 8.0], plan=plan, lower=0) == judge_variables(
        [8.0, 1.0, 4.0, 2.0], plan=plan, lower=0
    )


def test_errors_say_what_is_wrong():
    plan = variables_plan("C", aql=1.0)
    with pytest.raises(ValueError, match="asks for 4 values; given 3"):
        judge_variables([1.0, 2.0, 3.0], plan=plan, lower=0)
    with pytest.raises(ValueError, match="give one limit, lower or upper"):
        judge_variables([1.0, 2.0, 3.0, 4.0], plan=plan, lower=0, upper=9)
    with pytest.raises(ValueError, match="the values do not vary"):
        judge_variables([1.0] * 4, plan=plan, lower=0)
    with pytest.raises(ValueError, match=r"no plan for letter L at AQL 2.5"):
        variables_plan("L", aql=2.5)
    with pytest.raises(ValueError, match="letter must be one of"):
        variables_plan("A", aql=1.0)
    with pytest.raises(ValueError, match="percent must be divided by 100"):
        variables_acceptance(4.0, n=10, k=1.4)
    with pytest.raises(ValueError, match="n must be 2 or more; given 1"):
        variables_acceptance(0.04, n=1, k=1.4)
