"""Uncertainty budgets: the examples of the GUM (JCGM 100:2008)."""

from __future__ import annotations

import math

import numpy as np
import pytest

from auditkit.stats.quantities import (
    Quantity,
    correlations_of,
    quantity_from_half_width,
    quantity_from_readings,
)
from auditkit.stats.uncertainty import combine, sensitivities

TEMPERATURES = [
    *(96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07),
    *(100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72),
]
SETS = {
    "volt": [5.007, 4.994, 5.005, 4.990, 4.999],
    "amp": [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3],
    "phase": [1.0456, 1.0438, 1.0468, 1.0428, 1.0433],
}
# JCGM 100:2008 H.1, lengths in nm; component sizes quoted, inputs from memory
END_GAUGE = {
    "standard": Quantity(value=50.000623e6, standard_uncertainty=25.0, df=18),
    "difference": Quantity(value=215.0, standard_uncertainty=9.7, df=25.6),
    "expansion_difference": Quantity(value=0.0, standard_uncertainty=0.58e-6, df=50),
    "temperature": Quantity(value=-0.1, standard_uncertainty=0.41),
    "expansion": Quantity(value=11.5e-6, standard_uncertainty=1.2e-6),
    "temperature_difference": Quantity(value=0.0, standard_uncertainty=0.029, df=2),
}


def end_gauge(*, standard, difference, expansion_difference, temperature, expansion, temperature_difference):
    return standard + difference - standard * (expansion_difference * temperature + expansion * temperature_difference)


def resistance(volt, amp, phase):
    return volt / amp * math.cos(phase)


def reactance(volt, amp, phase):
    return volt / amp * math.sin(phase)


def impedance(volt, amp, phase):
    return volt / amp + 0.0 * phase


def simultaneous() -> dict[str, Quantity]:
    return {name: quantity_from_readings(readings) for name, readings in SETS.items()}


def test_mean_of_twenty_temperatures():
    # JCGM 100:2008 4.4.3, from memory: 100.14 (100.145), u .33 (.333)
    mean = quantity_from_readings(TEMPERATURES)
    assert mean.value == pytest.approx(100.145, abs=5e-4)
    assert mean.standard_uncertainty == pytest.approx(0.333, abs=5e-4)
    assert mean.df == 19


def test_half_widths():
    # JCGM 100:2008 4.3.7 and 4.3.9, from memory; G.4.2: a doubt of a quarter is 8 degrees of freedom
    assert quantity_from_half_width(0, half_width=3).standard_uncertainty == pytest.approx(3 / math.sqrt(3))
    triangular = quantity_from_half_width(0, half_width=3, distribution="triangular")
    assert triangular.standard_uncertainty == pytest.approx(3 / math.sqrt(6))
    assert quantity_from_half_width(0, half_width=1, relative_doubt=0.25).df == pytest.approx(8.0)


@pytest.mark.parametrize("distribution", ["rectangular", "triangular", "arcsine"])
def test_half_widths_are_the_spread_of_their_distribution(distribution):
    rng = np.random.default_rng(1)
    drawn = {
        "rectangular": rng.uniform(-1, 1, 200_000),
        "triangular": rng.triangular(-1, 0, 1, 200_000),
        "arcsine": np.sin(rng.uniform(0, 2 * np.pi, 200_000)),
    }[distribution]
    found = quantity_from_half_width(0, half_width=1, distribution=distribution).standard_uncertainty
    assert found == pytest.approx(drawn.std(), abs=0.005)


def test_end_gauge_from_its_components():
    # JCGM 100:2008 H.1 [quoted in public tests]: 25, 9.7, 2.9, 16.6 nm -> 32 nm, df 16, U99 93 nm
    parts = {
        name: Quantity(value=0.0, standard_uncertainty=u, df=df)
        for name, u, df in (("a", 25.0, 18), ("b", 9.7, 25.6), ("c", 2.9, 50), ("d", 16.6, 2))
    }
    budget = combine(lambda a, b, c, d: a + b + c + d, inputs=parts, confidence=0.99)
    assert round(budget.standard_uncertainty) == 32
    assert budget.standard_uncertainty == pytest.approx(31.67, abs=0.005)
    assert budget.effective_df == pytest.approx(16.76, abs=0.005)
    assert budget.coverage_factor == pytest.approx(2.92, abs=0.005)  # t on 16, not on 16.76
    # the guide multiplies 32 nm by 2.92; unrounded it is 92.5
    assert budget.coverage_factor * 32 == pytest.approx(93, abs=0.5)
    assert budget.expanded_uncertainty == pytest.approx(92.5, abs=0.05)


def test_end_gauge_from_its_model():
    budget = combine(end_gauge, inputs=END_GAUGE, confidence=0.99)
    assert budget.value == pytest.approx(50.000838e6, abs=0.5)
    assert budget.contributions["contribution"].abs().tolist() == pytest.approx(
        [25, 9.7, 2.9, 0, 0, 16.6],
        abs=0.08,  # 16.675 unrounded, printed 16.6
    )
    assert round(budget.standard_uncertainty) == 32
    assert int(budget.effective_df) == 16
    assert budget.expanded_uncertainty == pytest.approx(93, abs=0.5)


def test_end_gauge_with_second_order_terms():
    # JCGM 100:2008 H.1.7, from memory: 34 nm
    budget = combine(end_gauge, inputs=END_GAUGE, second_order=True)
    assert budget.standard_uncertainty == pytest.approx(34, abs=0.5)
    first = combine(end_gauge, inputs=END_GAUGE).standard_uncertainty
    # the two products: 50 mm x .58e-6 x .41 K and 50 mm x 1.2e-6 x .029 K
    extra = (50e6 * 0.58e-6 * 0.41) ** 2 + (50e6 * 1.2e-6 * 0.029) ** 2
    assert budget.standard_uncertainty**2 - first**2 == pytest.approx(extra, rel=1e-3)


def test_second_order_terms_of_a_square():
    # x^2 at 0: variance 2 u^4 for a normal x, and the first order sees nothing
    inputs = {"x": Quantity(value=0.0, standard_uncertainty=0.3)}
    assert combine(lambda x: x * x, inputs=inputs).standard_uncertainty == 0.0
    budget = combine(lambda x: x * x, inputs=inputs, second_order=True)
    assert budget.standard_uncertainty == pytest.approx(math.sqrt(2) * 0.09)


def test_second_order_terms_of_a_cube():
    # x^3 at 1: first order 9 u^2; second (f'' ^2 / 2 + f' f''') u^4 = (18 + 18) u^4
    budget = combine(lambda x: x**3, inputs={"x": Quantity(value=1.0, standard_uncertainty=0.1)}, second_order=True)
    assert budget.standard_uncertainty**2 == pytest.approx(9e-2 + 36e-4, rel=1e-3)


def test_correlated_inputs_of_unlike_freedom_take_the_least():
    inputs = {
        "a": Quantity(value=1.0, standard_uncertainty=0.1, df=4),
        "b": Quantity(value=1.0, standard_uncertainty=0.1, df=9),
    }
    budget = combine(lambda a, b: a + b, inputs=inputs, correlations={("a", "b"): 0.5})
    assert budget.effective_df == pytest.approx(4.0)
    apart = combine(lambda a, b: a + b, inputs=inputs)
    assert apart.effective_df == pytest.approx(4 / (1 / 4 + 1 / 9))


@pytest.mark.parametrize(
    ("model", "value", "uncertainty"),
    # JCGM 100:2008 H.2 [quoted in public tests]
    [(resistance, 127.732, 0.071), (reactance, 219.847, 0.295), (impedance, 254.260, 0.236)],
)
def test_resistance_and_reactance_measured_together(model, value, uncertainty):
    budget = combine(model, inputs=simultaneous(), correlations=correlations_of(SETS))
    assert budget.value == pytest.approx(value, abs=5e-4)
    # .2956 unrounded for the reactance; the guide rounds its inputs first
    assert budget.standard_uncertainty == pytest.approx(uncertainty, abs=7e-4)


def test_trap_dropping_the_correlation():
    # JCGM 100:2008 H.2: without correlation u(R) comes out at .195 instead of .071
    assert combine(resistance, inputs=simultaneous()).standard_uncertainty == pytest.approx(0.195, abs=5e-4)


def test_correlations_of_simultaneous_readings():
    # JCGM 100:2008 H.2, from memory: -.36, .86, -.65
    found = correlations_of(SETS)
    assert list(found) == [("volt", "amp"), ("volt", "phase"), ("amp", "phase")]
    assert list(found.values()) == pytest.approx([-0.36, 0.86, -0.65], abs=0.005)


def test_correlated_inputs_read_together_keep_their_degrees_of_freedom():
    # a linear combination of five sets is itself five readings: 4 degrees of freedom, exactly
    budget = combine(resistance, inputs=simultaneous(), correlations=correlations_of(SETS))
    assert budget.effective_df == pytest.approx(4.0)
    each = [resistance(v, i, p) for v, i, p in zip(*SETS.values(), strict=True)]
    assert budget.standard_uncertainty == pytest.approx(quantity_from_readings(each).standard_uncertainty, rel=5e-3)


def test_sensitivities_agree_with_calculus():
    found = sensitivities(resistance, inputs=simultaneous())
    v, i, p = (quantity.value for quantity in simultaneous().values())
    exact = [math.cos(p) / i, -v / i**2 * math.cos(p), -v / i * math.sin(p)]
    assert list(found.values()) == pytest.approx(exact, rel=1e-6)
    given = dict(zip(SETS, exact, strict=True))
    numeric = combine(resistance, inputs=simultaneous()).standard_uncertainty
    assert combine(resistance, inputs=simultaneous(), coefficients=given).standard_uncertainty == pytest.approx(numeric)


def test_known_inputs_take_the_normal_factor():
    budget = combine(lambda x: x, inputs={"x": Quantity(value=1.0, standard_uncertainty=0.1)})
    assert math.isinf(budget.effective_df)
    assert budget.coverage_factor == pytest.approx(1.959964, abs=1e-6)
    assert (budget.low, budget.high) == pytest.approx((1 - 0.1959964, 1 + 0.1959964))


def test_intervals_keep_their_promise():
    # sum of a mean of 5 and a mean of 8 with unlike spreads: 2 000 data sets, 95 %
    rng = np.random.default_rng(6)
    hits = 0
    for _ in range(2000):
        inputs = {
            "a": quantity_from_readings(rng.normal(10, 3, 5)),
            "b": quantity_from_readings(rng.normal(5, 1, 8)),
        }
        budget = combine(lambda a, b: a + b, inputs=inputs, coefficients={"a": 1.0, "b": 1.0})
        hits += budget.low <= 15 <= budget.high
    assert 0.93 <= hits / 2000 <= 0.97


def test_order_of_inputs_does_not_matter():
    forward, backward = simultaneous(), dict(reversed(simultaneous().items()))
    links = correlations_of(SETS)
    one = combine(resistance, inputs=forward, correlations=links)
    two = combine(resistance, inputs=backward, correlations=links)
    assert one.standard_uncertainty == pytest.approx(two.standard_uncertainty, rel=1e-12)
    assert two.contributions["name"].tolist() == ["phase", "amp", "volt"]


def test_errors_say_what_is_wrong():
    inputs = simultaneous()
    with pytest.raises(ValueError, match="cannot all hold at once"):
        combine(
            resistance,
            inputs=inputs,
            correlations={("volt", "amp"): 0.9, ("volt", "phase"): 0.9, ("amp", "phase"): -0.9},
        )
    with pytest.raises(ValueError, match="must name two different inputs"):
        combine(resistance, inputs=inputs, correlations={("volt", "ohm"): 0.1})
    with pytest.raises(ValueError, match=r"was given twice: 0.1 and 0.2"):
        combine(resistance, inputs=inputs, correlations={("volt", "amp"): 0.1, ("amp", "volt"): 0.2})
    with pytest.raises(ValueError, match="second-order terms are defined for uncorrelated inputs"):
        combine(resistance, inputs=inputs, correlations={("volt", "amp"): 0.1}, second_order=True)
    with pytest.raises(ValueError, match="coefficients must name every input and no other"):
        combine(resistance, inputs=inputs, coefficients={"volt": 1.0})
    with pytest.raises(ValueError, match="the model must give a finite number"):
        combine(lambda x: math.nan * x, inputs={"x": Quantity(value=1, standard_uncertainty=1)})
    with pytest.raises(ValueError, match="at least one input is needed"):
        combine(resistance, inputs={})
    with pytest.raises(ValueError, match="standard_uncertainty must be 0 or more; given -1"):
        Quantity(value=1, standard_uncertainty=-1)
    with pytest.raises(ValueError, match="df must be above 0; given 0"):
        Quantity(value=1, standard_uncertainty=1, df=0)
    with pytest.raises(ValueError, match="value must be a finite number"):
        Quantity(value=math.inf, standard_uncertainty=1)
    with pytest.raises(ValueError, match="distribution must be one of"):
        quantity_from_half_width(0, half_width=1, distribution="normal")
    with pytest.raises(ValueError, match="half_width and relative_doubt must be 0 or more"):
        quantity_from_half_width(0, half_width=-1)
    with pytest.raises(ValueError, match="at least 2 readings are needed; given 1"):
        quantity_from_readings([1.0])
    with pytest.raises(ValueError, match="1 of 2 are not, first at position 1"):
        quantity_from_readings([1.0, math.nan])
    with pytest.raises(ValueError, match=r"equally many readings; given \[3, 4\]"):
        correlations_of({"a": [1, 2, 3], "b": [1, 2, 3, 4]})
    with pytest.raises(ValueError, match=r"readings that vary; \['b'\] do not"):
        correlations_of({"a": [1, 2, 3], "b": [1, 1, 1]})
