"""Preferred values of a large circuit by exchange: capacitors first, then resistors that make up.

A ladder's response, or that of any large circuit, is a polynomial of all its parts at once, too
large to be enumerated with proof.  Near a solution ln |H| is nearly linear in the logarithms of
the parts, with exact slopes from the adjoint equations; on that linear model a minimax choice
from the series is found by exchanging one and two values at a time, then checked on the circuit
itself, and the model taken anew.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from synth.errors import RealisationError
from synth.network.model import Network
from synth.tolerances.nodal import Nodal, nodal
from synth.transfer.transfer import Transfer
from synth.units import format_si
from synth.values.series import Shelf

Array = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

#: What counts as one unit of deviation for a ladder: this share of |H| wanted, or of its largest
#: where that is more; and at how many frequencies.
SHARE, FLOOR, POINTS = 0.01, 0.001, 160
#: Rounds of the continuous fit, of linear models, and of exchanges on one of them.
_FITS, _MODELS, _SWEEPS = 6, 4, 12
#: How far a value moves from its place in one exchange of one, and of two, in steps of the series.
_REACH, _PAIR_REACH = 6, 2
#: Weight that keeps the continuous fit near the designed values, and weights tried for the same
#: when values are rounded in turn.
_KEEP = 1e-3
_KEEPS = (0.1, 0.4, 1.0, 3.0, 10.0)
#: Times values are rounded in turn with each weight, the disturbance in ln, and how many of the
#: results are measured on the circuit, then improved.
_ROUNDS, _DISTURBANCE, _MEASURED, _IMPROVED = 100, 0.01, 32, 6


@dataclass(frozen=True)
class Wanted:
    """What a circuit is to follow.

    Parameters
    ----------
    hertz : array (frequencies,)
    size : array (frequencies,)
        |H| wanted.
    unit : array (frequencies,)
        Deviation of |H| that counts as one.
    """

    hertz: Array
    size: Array
    unit: Array


def wanted_at(
    transfer: Transfer,
    w: Array,
    share: float = SHARE,
    floor: float = FLOOR,
    points: int = POINTS,
) -> Wanted:
    """Return what is wanted at some of the angular frequencies (rad/s), evenly picked.

    One unit of deviation is `share` of |H|, or `floor` of its largest where that is more.
    """
    pick = np.unique(np.linspace(0, len(w) - 1, min(points, len(w))).astype(int))
    chosen = w[pick]
    size = np.abs(transfer(1j * chosen))
    unit = np.asarray(np.maximum(share * size, floor * size.max()))
    return Wanted(chosen / (2 * np.pi), size, unit)


def nearest(shelf: Shelf, what: str, value: float) -> float:
    """Return the value of a shelf nearest to another by ratio.

    Raises
    ------
    RealisationError
        If the value lies outside the window by more than a step of the series.
    """
    values = shelf.values
    best = float(values[np.argmin(np.abs(np.log(values / value)))])
    inside = shelf.low / 1.5 <= value <= shelf.high * 1.5
    if not inside:
        unit = "ohm" if what == "resistor" else "F"
        raise RealisationError(
            f"this ladder needs a {what} of {format_si(value, unit, 3)}, outside the window "
            f"{format_si(shelf.low, unit)} to {format_si(shelf.high, unit)}; widen it, or choose "
            "another frequency or form"
        )
    return best


def preferred(
    network: Network, wanted: Wanted, resistors: Shelf, capacitors: Shelf
) -> tuple[Network, float]:
    """Return the network with preferred values, and its largest deviation in units of `wanted`.

    Parameters
    ----------
    network : Network
        With exact values; resistors, capacitors and op amps.
    wanted : Wanted
    resistors, capacitors : Shelf

    Raises
    ------
    RealisationError
        If a value is needed outside its window.
    """
    model = nodal(network)
    shelves = {0: (resistors, "resistor"), 1: (capacitors, "capacitor")}
    near = np.array(
        [nearest(*shelves[int(p)], v) for p, v in zip(model.powers, model.values, strict=True)]
    )
    free = np.flatnonzero(model.powers == 0)
    start = np.where(model.powers == 1, near, model.values)
    start = _fitted(model, start, free, wanted, (resistors.low, resistors.high))
    table = resistors.values
    logs = np.log(table)
    offsets, slopes = _curve(model, start, wanted)
    origin = np.log(start[free])
    simple = np.argmin(np.abs(logs[None, :] - origin[:, None]), axis=1)
    ways = _rounded_in_turn(offsets, slopes[:, free], origin, logs)
    ways.sort(key=lambda w: np.abs(offsets + slopes[:, free] @ (logs[w] - origin)).max())

    def measured(places: npt.NDArray[np.int64]) -> float:
        return _deviation(model, _placed(start, free, table, places), wanted)

    best, least = start, np.inf
    for places in (simple, *sorted(ways[:_MEASURED], key=measured)[:_IMPROVED]):
        found, size = _improved(model, start, free, places, table, wanted)
        if size < least:
            best, least = found, size
    values = dict(zip(model.names, best.tolist(), strict=True))
    return network.with_values(values), float(least)


def _placed(
    values: Array, free: npt.NDArray[np.int64], table: Array, places: npt.NDArray[np.int64]
) -> Array:
    """Return the values with those at `free` from their places in the table."""
    found = values.copy()
    found[free] = table[places]
    return found


def _improved(
    model: Nodal,
    start: Array,
    free: npt.NDArray[np.int64],
    places: npt.NDArray[np.int64],
    table: Array,
    wanted: Wanted,
) -> tuple[Array, float]:
    """Exchange values on linear models, each taken where the last one led."""
    logs = np.log(table)

    def at(where: npt.NDArray[np.int64]) -> Array:
        return _placed(start, free, table, where)

    best, least = at(places), _deviation(model, at(places), wanted)
    for centre in (start, *[None] * (_MODELS - 1)):
        here = at(places) if centre is None else centre
        offsets, slopes = _curve(model, here, wanted)
        moved = _exchanged(offsets, slopes[:, free], np.log(here[free]), logs, places)
        size = _deviation(model, at(moved), wanted)
        if size < least:
            best, least = at(moved), size
        if centre is None and np.array_equal(moved, places):
            break
        places = moved
    return best, least


def _deviation(model: Nodal, values: Array, wanted: Wanted) -> float:
    return float(np.max(np.abs(_curve(model, values, wanted)[0])))


def _curve(model: Nodal, values: Array, wanted: Wanted) -> tuple[Array, Array]:
    """Return the deviations in units, and their slopes by the logarithms of all parts.

    Parameters
    ----------
    model : Nodal
    values : array (parts,)
    wanted : Wanted

    Returns
    -------
    deviations : array (frequencies,)
    slopes : array (frequencies, parts)
    """
    s = 2j * np.pi * wanted.hertz
    size = np.where(model.powers > 0, values, 1 / values)
    left: ComplexArray = np.zeros((len(s), *model.matrix.shape[1:]), dtype=complex)
    right: ComplexArray = np.zeros((len(s), model.right.shape[1]), dtype=complex)
    for power in np.unique(model.powers):
        own = model.powers == power
        left += (s**power)[:, None, None] * np.tensordot(size[own], model.matrix[own], 1)
        right += (s**power)[:, None] * (size[own] @ model.right[own])
    v = np.asarray(np.linalg.solve(left, right[..., None])[..., 0], dtype=np.complex128)
    unit = np.broadcast_to(model.output, right.shape)
    transposed = left.transpose(0, 2, 1)
    adjoint = np.asarray(np.linalg.solve(transposed, unit[..., None])[..., 0], dtype=np.complex128)
    h = model.read(v)
    inner = model.right @ adjoint.T - _bilinear(model.matrix, adjoint, v)
    moves = (size * (s[:, None] ** model.powers)) * inner.T
    moves = np.where(model.powers > 0, moves, -moves)
    away = np.abs(h)
    turned = np.where(away > 0, h, 1) / np.where(away > 0, away, 1)  # at a zero |h| has no slope
    slopes = (moves * turned.conj()[:, None]).real / wanted.unit[:, None]
    return (away - wanted.size) / wanted.unit, slopes


def _bilinear(matrix: Array, left: ComplexArray, right: ComplexArray) -> ComplexArray:
    """Return left[f] . matrix[k] . right[f], (k, f); the matrices have few entries."""
    part, row, column = np.nonzero(matrix)
    terms = matrix[part, row, column][:, None] * left.T[row] * right.T[column]
    found = np.zeros((len(matrix), len(left)), dtype=complex)
    np.add.at(found, part, terms)
    return found


def _fitted(
    model: Nodal,
    start: Array,
    free: npt.NDArray[np.int64],
    wanted: Wanted,
    window: tuple[float, float],
) -> Array:
    """Move the free values so that the response follows what is wanted, by least squares."""
    now, least = start, _deviation(model, start, wanted)
    for _ in range(_FITS):
        offsets, slopes = _curve(model, now, wanted)
        keep = np.sqrt(_KEEP * len(offsets))
        drift = np.log(start[free] / now[free])
        rows = np.vstack([slopes[:, free], keep * np.eye(len(free))])
        step = np.linalg.lstsq(rows, np.concatenate([-offsets, keep * drift]), rcond=None)[0]
        tried = now.copy()
        tried[free] = np.clip(now[free] * np.exp(step), *window)
        size = _deviation(model, tried, wanted)
        if size >= least:
            break
        now, least = tried, size
    return now


def _rounded_in_turn(
    offsets: Array, slopes: Array, origin: Array, logs: Array
) -> list[npt.NDArray[np.int64]]:
    """Return places in the series: one value after the other, the rest making up for it.

    The nearest-plane rule (L. Babai, Combinatorica 6 (1986) 1-13, from memory) on the linear
    model in least squares, with several weights against drift, and with the places disturbed in
    all rounds but the first.  The value that matters least is chosen last, since nothing makes
    up for that one.
    """
    order = np.argsort(np.linalg.norm(slopes, axis=0))
    draw = np.random.default_rng(0)
    found = []
    for keep in _KEEPS:
        rows = np.vstack([slopes[:, order], keep * np.eye(len(order))])
        q, r = np.linalg.qr(rows)
        wanted = -q.T @ np.concatenate([offsets, np.zeros(len(order))])
        disturbed = draw.normal(scale=_DISTURBANCE, size=(_ROUNDS, len(order)))
        disturbed[0] = 0
        steps = np.zeros((_ROUNDS, len(order)))
        places = np.zeros((_ROUNDS, len(order)), dtype=np.int64)
        for k in range(len(order) - 1, -1, -1):
            middle = (wanted[k] - steps[:, k + 1 :] @ r[k, k + 1 :]) / r[k, k]
            part = order[k]
            near = logs - origin[part]
            places[:, part] = np.abs(near - (middle + disturbed[:, k])[:, None]).argmin(axis=1)
            steps[:, k] = near[places[:, part]]
        found += list(places)
    return found


def _exchanged(
    offsets: Array, slopes: Array, origin: Array, logs: Array, places: npt.NDArray[np.int64]
) -> npt.NDArray[np.int64]:
    """Return places in the series with a small largest |offset + slopes (ln v - origin)|."""
    places = places.copy()
    now = offsets + slopes @ (logs[places] - origin)
    for _ in range(_SWEEPS):
        before = float(np.abs(now).max())
        for k in range(len(places)):
            now = _moved(now, slopes[:, [k]], logs, places, [k], _REACH)
        if float(np.abs(now).max()) >= before * (1 - 1e-9):
            for k in range(len(places)):
                for m in range(k):
                    now = _moved(now, slopes[:, [k, m]], logs, places, [k, m], _PAIR_REACH)
        if float(np.abs(now).max()) >= before * (1 - 1e-9):
            break
    return places


def _moved(
    now: Array,
    slopes: Array,
    logs: Array,
    places: npt.NDArray[np.int64],
    which: list[int],
    reach: int,
) -> Array:
    """Move the values at `which` to their best places nearby, in `places`; return deviations."""
    near = [
        np.arange(max(0, places[k] - reach), min(len(logs), places[k] + reach + 1)) for k in which
    ]
    choices = np.stack([g.ravel() for g in np.meshgrid(*near, indexing="ij")])
    steps = logs[choices] - logs[places[which]][:, None]
    tried = now[:, None] + slopes @ steps
    best = int(np.argmin(np.abs(tried).max(axis=0)))
    if np.abs(tried[:, best]).max() < np.abs(now).max():
        places[which] = choices[:, best]
        return np.asarray(tried[:, best])
    return now
