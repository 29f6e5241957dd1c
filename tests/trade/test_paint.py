"""Wet film, dry film, coverage and transfer efficiency against published tables and worked values."""

import pytest

from auditkit.trade.paint import (
    MANUAL_ROTARY_TRANSFER_EFFICIENCY,
    dry_film_um,
    practical_spreading_rate,
    spreading_rate_m2_l,
    spreading_rate_us,
    transfer_efficiency_pct,
    wet_film_um,
)


def test_wet_film_published():
    # Trade estimating bulletin: 2.8 mil dry at 35 % solids needs 8.0 mil wet; with 10 % thinner 8.8 (worked).
    assert wet_film_um(2.8, volume_solids_pct=35) == pytest.approx(8.0)
    assert wet_film_um(2.8, volume_solids_pct=35, thinner_pct=10) == pytest.approx(8.8)
    assert wet_film_um(60, volume_solids_pct=45, thinner_pct=15) == pytest.approx(153.3, abs=0.05)


def test_dry_film_worked():
    assert dry_film_um(8, volume_solids_pct=35, thinner_pct=10) == pytest.approx(2.545, abs=5e-4)
    # The bulletin rounds 35/110 to 32 % first and has 2.56: that must not come out.
    assert dry_film_um(8, volume_solids_pct=35, thinner_pct=10) != pytest.approx(2.56, abs=5e-3)
    assert dry_film_um(160, volume_solids_pct=50, thinner_pct=10) == pytest.approx(72.7, abs=0.05)


@pytest.mark.parametrize("thinner", [0, 7.5, 40])
def test_wet_and_dry_undo_each_other(thinner):
    wet = wet_film_um(63, volume_solids_pct=48, thinner_pct=thinner)
    assert dry_film_um(wet, volume_solids_pct=48, thinner_pct=thinner) == pytest.approx(63)


# Published table of coverage, ft2 per US gallon (its 527 at 72 % and 2 mil is a misprint for 577 and not used).
@pytest.mark.parametrize(
    ("solids", "dry", "printed"), [(35, 2, 281), (50, 2, 401), (65, 5, 209), (100, 1, 1604), (100, 10, 160.4)]
)
def test_coverage_us(solids, dry, printed):
    tolerance = 0.05 if printed == 160.4 else 0.5
    assert spreading_rate_us(dry, volume_solids_pct=solids) == pytest.approx(printed, abs=tolerance)


def test_coverage_si_and_its_agreement_with_us_units():
    assert spreading_rate_m2_l(75, volume_solids_pct=50) == pytest.approx(6.67, abs=5e-3)
    # 1 ft2 = 0.09290304 m2, 1 US gallon = 3.785411784 L, 1 mil = 25.4 um, all exact.
    us = spreading_rate_us(60 / 25.4, volume_solids_pct=48)
    assert us * 0.09290304 / 3.785411784 == pytest.approx(spreading_rate_m2_l(60, volume_solids_pct=48), rel=1e-12)


def test_practical_coverage():
    rate = spreading_rate_m2_l(75, volume_solids_pct=50)
    default = 100 * MANUAL_ROTARY_TRANSFER_EFFICIENCY
    assert practical_spreading_rate(rate, transfer_efficiency_pct=default) == pytest.approx(5.33, abs=5e-3)
    lossy = practical_spreading_rate(rate, transfer_efficiency_pct=80, other_loss_pct=10)
    assert lossy == pytest.approx(4.8)


def test_transfer_efficiency():
    # 80 g of liquid at 65 % solids is 52 g; 36.4 g of it on the work is 70.0 %.
    assert transfer_efficiency_pct(36.4, sprayed=80 * 0.65) == pytest.approx(70.0)
    assert transfer_efficiency_pct(0, sprayed=10) == 0


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: dry_film_um(100, volume_solids_pct=0), "volume_solids_pct must be above 0 and at most 100; given 0"),
        (lambda: dry_film_um(100, volume_solids_pct=130), "at most 100; given 130"),
        (lambda: wet_film_um(-1, volume_solids_pct=50), "dry_um must be 0 or more; given -1"),
        (lambda: wet_film_um(1, volume_solids_pct=50, thinner_pct=-5), "thinner_pct must be 0 or more; given -5"),
        (lambda: spreading_rate_m2_l(0, volume_solids_pct=50), "dry_um must be above 0; given 0"),
        (lambda: spreading_rate_us(float("nan"), volume_solids_pct=50), "dry_mil must be above 0; given nan"),
        (lambda: practical_spreading_rate(5, transfer_efficiency_pct=120), "must lie between 0 and 100; given 120"),
        (lambda: transfer_efficiency_pct(6, sprayed=5), "deposited must not exceed sprayed; given 6 of 5"),
        (lambda: transfer_efficiency_pct(6, sprayed=0), "sprayed must be above 0; given 0"),
    ],
)
def test_errors(call, message):
    with pytest.raises(ValueError, match=message):
        call()
