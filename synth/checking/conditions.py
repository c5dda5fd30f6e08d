"""Under which conditions a circuit is checked: source, load, band, level, tolerance."""

from __future__ import annotations

from dataclasses import dataclass, replace

from synth.checking.deck_supply import deck_supply
from synth.checking.model import OpAmpModel
from synth.checking.model_fields import HIGHEST_VOLTAGE
from synth.errors import NumberError
from synth.network.model import Network
from synth.units import format_si

#: What source, load, level and band may be: ohm, V, Hz.
_LARGEST_RESISTANCE = 1e12
_LOADS = (1e-3, 1e12)
_LEVELS = (1e-12, HIGHEST_VOLTAGE)
_BANDS = (1e-6, 1e12)


@dataclass(frozen=True)
class Conditions:
    """What stands around the circuit.

    Parameters
    ----------
    source_resistance : float
        Of the source, ohm.
    load : float or None
        Resistance from the output to the signal's ground, or between the two nodes of a
        differential output, ohm; None for none.
    band_hz : tuple of two float or None
        The band that matters, Hz; None for one chosen from the natural modes.
    level : float or None
        Amplitude (peak) of the source, V; None where it is not known.
    tolerance : float
        Of every part, as a share of its value.

    Raises
    ------
    NumberError
        If a number is out of its range, or the band is upside down.
    """

    source_resistance: float = 0.0
    load: float | None = None
    band_hz: tuple[float, float] | None = None
    level: float | None = None
    tolerance: float = 0.01

    def __post_init__(self) -> None:
        if not (0 <= self.source_resistance <= _LARGEST_RESISTANCE):
            raise NumberError(
                f"the source resistance {self.source_resistance:g} ohm must be between 0 and "
                f"{_LARGEST_RESISTANCE:g} ohm; give 0 for an ideal source"
            )
        low, high = _LOADS
        if self.load is not None and not (low <= self.load <= high):
            raise NumberError(
                f"the load {self.load:g} ohm must be between {low:g} and {high:g} ohm; leave it "
                "out for none"
            )
        low, high = _LEVELS
        if self.level is not None and not (low <= self.level <= high):
            raise NumberError(
                f"the level {self.level:g} V must be between {low:g} and {high:g} V; it is the "
                "amplitude of the source"
            )
        if not (0 < self.tolerance < 0.5):
            raise NumberError(
                f"the tolerance {self.tolerance:g} must be a share between 0 and 0.5, as 0.01 "
                "for 1 %"
            )
        if self.band_hz is not None:
            _check_band(*self.band_hz)


def conditions_of(
    source_resistance: float | None = None,
    load: float | None = None,
    band_hz: tuple[float, float] | None = None,
    level: float | None = None,
    tolerance: float | None = None,
) -> Conditions:
    """Return conditions, by default those of `Conditions` where None is given."""
    plain = Conditions()
    return Conditions(
        plain.source_resistance if source_resistance is None else source_resistance,
        load,
        band_hz,
        level,
        plain.tolerance if tolerance is None else tolerance,
    )


def _check_band(low: float, high: float) -> None:
    least, most = _BANDS
    if not (least <= low <= most and least <= high <= most):
        raise NumberError(
            f"the band {low:g} to {high:g} Hz must have positive ends between {least:g} and "
            f"{most:g} Hz, as in 10Hz:20kHz"
        )
    if low >= high:
        raise NumberError(
            f"the band {low:g} to {high:g} Hz is upside down; give the lower frequency first"
        )


def supplied(model: OpAmpModel, negative: float, positive: float) -> OpAmpModel:
    """Return the op amp on other rails, its distances to them kept.

    Parameters
    ----------
    model : OpAmpModel
    negative, positive : float
        V against ground.

    Raises
    ------
    NumberError
        If the rails are upside down or leave no swing.

    Examples
    --------
    >>> from synth.checking.model import op_amp_model
    >>> supplied(op_amp_model("general-purpose"), -5.0, 5.0).output_range
    (-3.0, 3.0)
    """
    return replace(model, supply_negative=negative, supply_positive=positive)


def on_supplies(
    model: OpAmpModel, network: Network, asked: bool
) -> tuple[OpAmpModel, tuple[str, ...]]:
    """Return the op amp on the rails of the deck, unless rails were asked for, and what to say.

    Parameters
    ----------
    model : OpAmpModel
    network : Network
    asked : bool
        Whether the rails of `model` were asked for.

    Raises
    ------
    NumberError
        If the deck's rails leave no swing.
    """
    deck = deck_supply(network)
    rails = (model.supply_negative, model.supply_positive)
    if deck is None or deck.rails == rails:
        return model, ()
    named = f"{format_si(deck.negative, 'V', 3)} and {format_si(deck.positive, 'V', 3)}"
    if asked:
        return model, (f"the deck's op amps are on {named}; --supply puts them on other rails",)
    return supplied(model, *deck.rails), (
        f"the deck's op amps are on {named}: these rails are taken (--supply takes others)",
    )
