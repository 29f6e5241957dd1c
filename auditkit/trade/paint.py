"""Paint on the metal: wet film to dry, coverage, and how much of what was sprayed arrived.

Volume solids are of the paint as supplied, by volume; thinner is by volume of
the paint it was added to. A wet film is for control of the work and is not
contract acceptance (MIL-HDBK-1110, procedure 13).

References
----------
.. [1] MIL-HDBK-1110 (UFC 3-190-06), procedure 13.
.. [2] Trade estimating bulletin: thinned paint, and coverage in US units.
.. [3] ISO 3233-3, theoretical spreading rate (geometric identity; from memory).
.. [4] ASTM D5286, transfer efficiency under general production conditions.
"""

from __future__ import annotations

__all__ = [
    "MANUAL_ROTARY_TRANSFER_EFFICIENCY",
    "dry_film_um",
    "practical_spreading_rate",
    "spreading_rate_m2_l",
    "spreading_rate_us",
    "transfer_efficiency_pct",
    "wet_film_um",
]

MANUAL_ROTARY_TRANSFER_EFFICIENCY = 0.80
"""Regulatory default for rotating-head electrostatic spray, manual and automatic [-].

40 CFR 60.313 (subpart EE, metal furniture), as printed in Wisconsin NR 440.48
Table 1: the only public default found that names a hand-held rotating head. A
default, not a measurement: on small parts any gun may do far worse.
"""

_FT2_MIL_PER_US_GALLON = 231 / 144 * 1000  # [2] 231 in3 a gallon, 144 in2 a square foot: 1604.17


def dry_film_um(wet_um: float, *, volume_solids_pct: float, thinner_pct: float = 0.0) -> float:
    """Return the dry film that a wet film leaves, in the unit of the wet film [um].

    Parameters
    ----------
    wet_um : float
        Wet film `[um]`; any other unit of length comes back as itself.
    volume_solids_pct : float
        Solids of the unthinned paint by volume `[%]`.
    thinner_pct : float
        Thinner by volume of paint `[%]`.

    Raises
    ------
    ValueError
        An argument is outside its range.

    References
    ----------
    MIL-HDBK-1110, procedure 13; thinned: trade estimating bulletin.

    Examples
    --------
    >>> round(dry_film_um(160, volume_solids_pct=50, thinner_pct=10), 1)
    72.7
    """
    return _at_least_0(wet_um, "wet_um") * _solids(volume_solids_pct) / _dilution(thinner_pct)  # [1], [2]


def wet_film_um(dry_um: float, *, volume_solids_pct: float, thinner_pct: float = 0.0) -> float:
    """Return the wet film that leaves a dry film, in the unit of the dry film [um].

    Parameters
    ----------
    dry_um : float
        Dry film `[um]`; any other unit of length comes back as itself.
    volume_solids_pct : float
        Solids of the unthinned paint by volume `[%]`.
    thinner_pct : float
        Thinner by volume of paint `[%]`.

    Raises
    ------
    ValueError
        An argument is outside its range.

    References
    ----------
    MIL-HDBK-1110, procedure 13; thinned: trade estimating bulletin.

    Examples
    --------
    >>> round(wet_film_um(60, volume_solids_pct=45, thinner_pct=15), 1)
    153.3
    """
    return _at_least_0(dry_um, "dry_um") * _dilution(thinner_pct) / _solids(volume_solids_pct)  # [2]


def spreading_rate_m2_l(dry_um: float, *, volume_solids_pct: float) -> float:
    """Return the theoretical spreading rate of unthinned paint [m2/L].

    Parameters
    ----------
    dry_um : float
        Dry film, above 0 `[um]`.
    volume_solids_pct : float
        Solids of the paint by volume `[%]`.

    Raises
    ------
    ValueError
        An argument is outside its range.

    References
    ----------
    ISO 3233-3 (from memory).

    Examples
    --------
    >>> round(spreading_rate_m2_l(75, volume_solids_pct=50), 2)
    6.67
    """
    return 1000 * _solids(volume_solids_pct) / _above_0(dry_um, "dry_um")  # [3]


def spreading_rate_us(dry_mil: float, *, volume_solids_pct: float) -> float:
    """Return the theoretical spreading rate of unthinned paint in US units [ft2/gal].

    Parameters
    ----------
    dry_mil : float
        Dry film, above 0 `[mil]`.
    volume_solids_pct : float
        Solids of the paint by volume `[%]`.

    Raises
    ------
    ValueError
        An argument is outside its range.

    References
    ----------
    Trade estimating bulletin; 231 in3 a US gallon.

    Examples
    --------
    >>> round(spreading_rate_us(2, volume_solids_pct=35))
    281
    """
    return _FT2_MIL_PER_US_GALLON * _solids(volume_solids_pct) / _above_0(dry_mil, "dry_mil")  # [2]


def practical_spreading_rate(
    theoretical: float, *, transfer_efficiency_pct: float, other_loss_pct: float = 0.0
) -> float:
    """Return the spreading rate after losses, in the unit of the theoretical rate.

    Parameters
    ----------
    theoretical : float
        Theoretical spreading rate `[m2/L]` or `[ft2/gal]`.
    transfer_efficiency_pct : float
        Share of the sprayed solids that arrives on the work `[%]`.
    other_loss_pct : float
        Share lost otherwise: left in pot and hose, spilled, over-applied `[%]`.

    Raises
    ------
    ValueError
        An argument is outside its range.

    References
    ----------
    Trade page: 1604 x solids x transfer efficiency / dry film.

    Examples
    --------
    >>> round(practical_spreading_rate(20 / 3, transfer_efficiency_pct=80), 2)
    5.33
    """
    efficiency = _percent(transfer_efficiency_pct, "transfer_efficiency_pct") / 100
    return _at_least_0(theoretical, "theoretical") * efficiency * (1 - _percent(other_loss_pct, "other_loss_pct") / 100)


def transfer_efficiency_pct(deposited: float, *, sprayed: float) -> float:
    """Return the share of the sprayed solids that was deposited [%].

    Parameters
    ----------
    deposited, sprayed : float
        Solids, both by mass or both by volume: say which beside the result.

    Raises
    ------
    ValueError
        Nothing was sprayed, or more was deposited than sprayed.

    References
    ----------
    ASTM D5286. A single result may not represent the process (its Note 3).

    Examples
    --------
    80 g of liquid at 65 % solids by mass, 36.4 g of them on the work:

    >>> round(transfer_efficiency_pct(36.4, sprayed=80 * 0.65), 1)
    70.0
    """
    if _at_least_0(deposited, "deposited") > _above_0(sprayed, "sprayed"):
        raise ValueError(
            f"deposited must not exceed sprayed; given {deposited} of {sprayed}. Are both solids, on the same basis?"
        )
    return 100 * deposited / sprayed  # [4]


def _solids(volume_solids_pct: float) -> float:
    if not 0 < volume_solids_pct <= 100:
        raise ValueError(f"volume_solids_pct must be above 0 and at most 100; given {volume_solids_pct}")
    return volume_solids_pct / 100


def _dilution(thinner_pct: float) -> float:
    return 1 + _at_least_0(thinner_pct, "thinner_pct") / 100


def _percent(value: float, name: str) -> float:
    if not 0 <= value <= 100:
        raise ValueError(f"{name} must lie between 0 and 100; given {value}")
    return value


def _at_least_0(value: float, name: str) -> float:
    if not value >= 0:
        raise ValueError(f"{name} must be 0 or more; given {value}")
    return value


def _above_0(value: float, name: str) -> float:
    if not value > 0:
        raise ValueError(f"{name} must be above 0; given {value}")
    return value
