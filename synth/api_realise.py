"""The Python functions for targets and the circuits that realise them."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor

from synth.errors import TargetError
from synth.masks.limits import Limit
from synth.progress import Progress
from synth.realisation.brief import Brief
from synth.realisation.design import Realisation
from synth.realisation.divide import Division, division
from synth.realisation.realise import realise as search
from synth.target import Target, response_target, transfer_target
from synth.tolerances.spread import Spread
from synth.transfer.expression import transfer_from_text
from synth.transfer.transfer import Transfer
from synth.units import parse_si
from synth.values.series import CAPACITORS, RESISTORS, Shelf


def target_for(
    kind: str,
    at: float | str,
    *,
    family: str | None = None,
    order: int | None = None,
    ripple_db: float | None = None,
    stop_attenuation_db: float | None = None,
    phase_degrees: float | None = None,
    delay_ripple: float | None = None,
    gain: float = 1.0,
    q: float | None = None,
    width_hz: float | None = None,
    edge: str | None = None,
) -> Target:
    """Return the target of a kind of response; `print` says what its numbers mean.

    Parameters
    ----------
    kind : str
        lowpass, highpass, bandpass, bandstop or allpass.
    at : float or str
        Frequency in hertz, or text such as ``"1kHz"``.
    family, order, ripple_db, stop_attenuation_db, phase_degrees, delay_ripple, gain, q, width_hz
        As ``edge``: see `synth.target.responses.response_target`.

    Raises
    ------
    TargetError
        If something is out of range, missing, or does not belong to the kind.

    Examples
    --------
    >>> target_for("bandstop", "50Hz", q=5).transfer.order
    2
    """
    return response_target(
        kind,
        parse_si(at, "Hz") if isinstance(at, str) else at,
        family=family,
        order=order,
        ripple_db=ripple_db,
        stop_attenuation_db=stop_attenuation_db,
        phase_degrees=phase_degrees,
        delay_ripple=delay_ripple,
        gain=gain,
        q=q,
        width_hz=width_hz,
        edge=edge,
    )


def target_from_text(h: str, at: float | str | None = None, complement: bool = False) -> Target:
    """Return the target H(s) from its text, such as ``"1/(s^2 + sqrt(2)*s + 1)"``.

    Parameters
    ----------
    h : str
        A rational function of s; it is parsed and never evaluated as code.
    at : float or str, optional
        Frequency in hertz on which s = j1 falls; without it s is in rad/s.
    complement : bool
        Whether 1 - H is wanted.
    """
    return target_from_transfer(transfer_from_text(h), at, complement)


def target_from_transfer(
    transfer: Transfer, at: float | str | None = None, complement: bool = False
) -> Target:
    """Return a transfer function as a target; parameters as in `target_from_text`."""
    return transfer_target(transfer, parse_si(at, "Hz") if isinstance(at, str) else at, complement)


def realise(
    target: Target | str,
    at: float | str | None = None,
    *,
    family: str | None = None,
    order: int | None = None,
    ripple_db: float | None = None,
    stop_attenuation_db: float | None = None,
    gain: float | None = None,
    q: float | None = None,
    width_hz: float | None = None,
    edge: str | None = None,
    resistors: Shelf = RESISTORS,
    capacitors: Shelf = CAPACITORS,
    top: int = 5,
    seed: int = 0,
    best_for: str = "range",
    mask: Sequence[Limit] = (),
    spread: Spread | None = None,
    rank: str | None = None,
    executor: Executor | None = None,
    progress: Progress | None = None,
) -> tuple[Realisation, ...]:
    """Return circuits for a target, best first.

    Parameters
    ----------
    target : Target or str
        A target, or the kind of one; then the other arguments are those of `target_for`.
    at, family, order, ripple_db, stop_attenuation_db, gain, q, width_hz, edge
        See `target_for`; only with a kind.
    resistors, capacitors : Shelf
        Series and window of the values.
    top : int
        How many circuits at most.
    seed : int
        Of the value search; the result is reproducible.
    best_for : str
        What pairing, order and gains of sections are chosen for: ``range`` (the largest dynamic
        range) or ``noise``.
    mask : sequence of Limit
        What the response must keep; values are then chosen for the largest margin, and each
        circuit has its yield.
    spread : Spread, optional
        How parts vary, for the yield.
    rank : str, optional
        Criteria to rank by first, joined by commas (`synth.realisation.ranking.IDEAL`), such as
        ``"range"``; circuits that are best by them are looked for.
    executor : Executor, optional
        Any of `concurrent.futures` or like it; the result does not depend on it.
    progress : callable, optional
        Called with (done, total) as the search goes on.

    Returns
    -------
    tuple of Realisation
        Each with its ``network``, ``design``, ``error_db`` and the stages it is made of.

    Raises
    ------
    TargetError
        If the target is none a circuit can have.
    RealisationError
        If no circuit of the catalogue realises it.
    """
    if isinstance(target, Target):
        others = (at, family, order, ripple_db, stop_attenuation_db, gain, q, width_hz, edge)
        if any(x is not None for x in others):
            raise TargetError("a Target is complete; give the other arguments to target_for")
        wanted = target
    else:
        if at is None:
            raise TargetError(f"a {target} needs its frequency; give at in hertz")
        wanted = target_for(
            target,
            at,
            family=family,
            order=order,
            ripple_db=ripple_db,
            stop_attenuation_db=stop_attenuation_db,
            gain=1.0 if gain is None else gain,
            q=q,
            width_hz=width_hz,
            edge=edge,
        )
    brief = Brief(
        wanted,
        resistors,
        capacitors,
        best_for,
        tuple(mask),
        spread or Spread(),
        seed,
        executor,
        rank,
    )
    return search(brief, top=top, progress=progress)


def divide(
    corners: Sequence[float | str],
    *,
    family: str = "butterworth",
    order: int = 1,
    ripple_db: float | None = None,
    resistors: Shelf = RESISTORS,
    capacitors: Shelf = CAPACITORS,
    seed: int = 0,
    executor: Executor | None = None,
    progress: Progress | None = None,
) -> Division:
    """Divide a signal into bands whose outputs sum to 1, from low-passes and their complements.

    Parameters
    ----------
    corners : sequence of float or str
        Hertz, or a text as ``"300Hz"``, rising.
    family, order, ripple_db
        Of the low-passes; see `target_for`.
    resistors, capacitors, seed, executor, progress
        As in `realise`.

    Returns
    -------
    Division
        Its ``network`` has an output for each of its ``bands``.

    Raises
    ------
    TargetError
        If the corners do not rise, or the low-passes make no sense.
    RealisationError
        If no circuit has a complement that can be built.

    Examples
    --------
    >>> found = divide([500.0])
    >>> [band.name for band in found.bands], found.sum_is_one
    (['low', 'high'], True)
    """
    targets = [
        target_for("lowpass", f, family=family, order=order, ripple_db=ripple_db) for f in corners
    ]
    at = [t.at_hz or 0.0 for t in targets]
    if at != sorted(set(at)):
        raise TargetError("the corners of a division must rise, each given once")
    briefs = [Brief(t, resistors, capacitors, seed=seed, executor=executor) for t in targets]
    return division(briefs, progress)
