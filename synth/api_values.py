"""The Python functions for preferred values and what tolerances do to them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from synth.api import read
from synth.masks.limits import Limit
from synth.network.model import Network
from synth.progress import Progress
from synth.realisation.request import Effort, ErrorWish, PartWishes, request_for
from synth.realisation.revalue import revalue
from synth.realisation.revalued import Revalued
from synth.target import Target
from synth.tolerances.classes import cheapest_classes as cheapest_classes
from synth.tolerances.study import tolerance as tolerance
from synth.transfer.transfer import Transfer
from synth.values.proven import WORK
from synth.values.series import CAPACITORS, RESISTORS
from synth.values.stock import Stock


def choose_values(
    circuit: Network | str | Path,
    target: Target | Transfer | None = None,
    *,
    resistors: str = RESISTORS.series,
    capacitors: str = CAPACITORS.series,
    resistor_window: tuple[float, float] | None = None,
    capacitor_window: tuple[float, float] | None = None,
    parts: Mapping[str, str] | None = None,
    keep: Mapping[str, float | None] | Sequence[str] = (),
    ties: Sequence[Sequence[str]] = (),
    pairs: Mapping[str, str] | None = None,
    stock: Stock | None = None,
    metric: str | None = None,
    band: tuple[float, float] | None = None,
    mask: Sequence[Limit] = (),
    floor: float | None = None,
    top: int = 5,
    work: float = WORK,
    seconds: float | None = None,
    pareto: bool = False,
    progress: Progress | None = None,
) -> Revalued:
    """Choose preferred values for a circuit, and prove the choice.

    Parameters
    ----------
    circuit : Network, str or Path
        A network, or what `read` takes; a stage of the catalogue has its example values.
    target : Target or Transfer, optional
        By default the circuit's own exact response.
    resistors, capacitors, resistor_window, capacitor_window, parts, keep, ties, pairs, stock
        See `synth.realisation.request.PartWishes`; `keep` may be names alone.
    metric, band, mask, top, work, seconds, pareto
        See `synth.realisation.request.ValueRequest`.
    floor : float, optional
        Error that is good enough: then the spread is the least.  0 for the bare optimum; by
        default a tenth of the smallest tolerance, or 1.5 times the least error where that is more.
    progress : callable, optional
        Called with (work done, work that there is at most).

    Returns
    -------
    Revalued
        With ``network``, ``values``, ``error``, ``bound``, ``proved``, ``certificate``,
        ``alternatives``, ``stages``.

    Raises
    ------
    NumberError
        If a wish is impossible, or no choice comes near.
    TargetError
        If the circuit cannot have the target with any values; the message says by how much.

    Examples
    --------
    >>> found = choose_values("sallen-key-lowpass-unity", resistors="E24", floor=0)
    >>> found.proved, found.error < 0.002
    (True, True)
    """
    network = circuit if isinstance(circuit, Network) else read(circuit)
    wishes = PartWishes(
        resistors,
        capacitors,
        resistor_window,
        capacitor_window,
        parts or {},
        dict(keep) if isinstance(keep, Mapping) else dict.fromkeys(keep),
        ties,
        pairs or {},
        stock,
    )
    error = ErrorWish(metric, band, mask, floor)
    request = request_for(network, wishes, error, Effort(top, work, seconds, pareto))
    wanted = target.transfer if isinstance(target, Target) else target
    return revalue(network, request, wanted, progress)
