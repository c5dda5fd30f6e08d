"""What is looked at once values are chosen: between the frequencies, and how sensitive they are."""

from __future__ import annotations

import math

import numpy as np

from synth.errors import SynthError
from synth.network.model import Network
from synth.realisation.cell_choice import mask_limits
from synth.realisation.request import ValueRequest
from synth.tolerances.model import model_of
from synth.tolerances.passband import band_points, pass_bands
from synth.tolerances.sensitivity import decibels_per_cent, variance
from synth.tolerances.spread import Spread, ranges
from synth.transfer.transfer import Transfer

#: Frequencies in a band, many more than the choice was made on.
_DENSE = 4000
#: A deviation grown by more than this, and above so many dB, is worth a note.
_GROWN, _MATTERS = 1.5, 0.1


def error_between(request: ValueRequest, wanted: Transfer, got: Transfer) -> float | None:
    """Return the error in dB of a band or mask on a dense grid; None for other metrics."""
    if request.metric == "band" and request.band is not None:
        w = 2 * math.pi * np.geomspace(*request.band, _DENSE)
        with np.errstate(divide="ignore", invalid="ignore"):
            away = 20 * np.log10(np.abs(got(1j * w)) / np.abs(wanted(1j * w)))
        return float(np.nanmax(np.abs(away)))
    if request.metric == "mask":
        w, lower, upper = mask_limits(
            request.mask, lambda x: np.abs(wanted(1j * x)) ** 2, between=_DENSE
        )
        with np.errstate(divide="ignore"):
            found = 20 * np.log10(np.abs(got(1j * w)))
        return float(max(0.0, np.maximum(found - upper, lower - found).max()))
    return None


def sensitivity_note(before: Network, after: Network) -> tuple[str, ...]:
    """Say when the chosen values let tolerances move |H| much more than the circuit's own do.

    Compared is the largest standard deviation in the pass band that the sensitivities predict
    for resistors of 1 % and capacitors of 5 %.
    """
    try:
        own, chosen = _deviation(before), _deviation(after)
    except SynthError:
        return ()
    if chosen < _MATTERS or chosen <= _GROWN * own:
        return ()
    return (
        f"more sensitive than the circuit's own values: resistors of 1 % and capacitors of 5 % "
        f"move |H| by {chosen:.2g} dB (standard deviation, the most in the pass band) and not by "
        f"{own:.2g} dB; keep the parts that set Q, or a gain, with --keep",
    )


def _deviation(network: Network) -> float:
    model, loop = model_of(network)
    grid = band_points(pass_bands(network, model, loop), model)
    found = variance(decibels_per_cent(model, grid), ranges(network, Spread())).deviation_db
    return float(found[np.isfinite(found)].max(initial=0.0))
