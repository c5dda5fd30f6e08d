"""From a circuit at hand to another response of the same loop, in one line."""

from __future__ import annotations

from synth.network.model import Network
from synth.report.lift import LiftOption, lift_record
from synth.units import parse_si


def lift(
    network: Network,
    kind: str,
    at: float | str | None = None,
    *,
    tolerance: float = 0.01,
    top: int = 5,
) -> tuple[LiftOption, ...]:
    """Return the ways to drive the grounds of a loop so that it has another numerator.

    Parameters
    ----------
    network : Network
        With values, one input and one output.
    kind : str
        highpass, bandpass, bandstop, allpass ... as in ``synth lift --to``.
    at : float or str, optional
        Frequency in hertz, or text such as ``"1kHz"``, where the kind takes one.
    tolerance : float
        Of the parts, for the floors of balanced zeros.
    top : int
        How many at most.

    Returns
    -------
    tuple of LiftOption
        Least cost first, each with its ``network``, ``response``, ``zeros`` and ``added`` parts;
        empty when no drive of this loop gives the response.

    Raises
    ------
    SynthError
        If the circuit cannot be lifted, or the kind is none; the message says why.

    Examples
    --------
    >>> from synth.catalog import stage
    >>> found = lift(stage("sallen-key-lowpass-gain").circuit(), "highpass")[0]
    >>> found.added, [zero.kind for zero in found.zeros]
    (2, ['balanced'])
    """
    where = parse_si(at, "Hz") if isinstance(at, str) else at
    return lift_record(network, kind=kind, at_hz=where, tolerance=tolerance, top=top).options
