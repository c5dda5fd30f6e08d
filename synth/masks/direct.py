"""A mask kept by a rational function of no family: the least largest breach over all limits.

The function is a product of sections, so its poles stay stable: the unknowns are logarithms of
pole frequencies and damping, of zeros on the imaginary axis, and of the gain; zeros at the origin
and at infinity are counted.  The limits, in units of the room they leave, are the functions of
`synth.masks.minimax`, from starts that do not depend on chance: poles spread over the pass bands,
zeros over the stop bands, in every sharing out.  Between the bands |H| stays below the ceiling.
The answer is verified at its extremes.

References
----------
.. [1] R. W. Daniels, "Approximation methods for electronic filter design", McGraw-Hill (1974)
   (from memory): equal-ripple fits of arbitrary masks.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise, product

import numpy as np
from numpy.typing import NDArray

from synth.errors import TargetError
from synth.masks.limits import Mask
from synth.masks.minimax import minimax
from synth.masks.shape import Band, Shape
from synth.masks.verify import Kept, verified
from synth.target.target import Target
from synth.transfer.critical import magnitude_extrema
from synth.transfer.transfer import Transfer

Floats = NDArray[np.float64]

_TURN = 2 * math.pi
_DB = 10 / math.log(10)
#: Stop-band decibels that count as much as half the ripple of a pass band.
_STOP_SCALE = 12.0
#: Grid points in a band for each pair of poles.
_POINTS = 8
_ROUNDS, _STEPS, _MOST_STARTS = 3, 60, 14
#: A fit with so much room is enough; one that lacks no more than that is followed further.
_ENOUGH, _NEARLY = 0.1, 0.5


@dataclass(frozen=True)
class DirectFit:
    """A fitted function with what it leaves of each limit; ``margin`` as of a family's design."""

    order: int
    target: Target
    margin: float
    rows: tuple[Kept, ...]

    @property
    def kept(self) -> bool:
        """Whether it keeps the mask."""
        return all(r.kept for r in self.rows)


@dataclass(frozen=True)
class _Structure:
    """How many roots of each sort: pole pairs, a real pole, zero pairs on the axis, at 0."""

    pairs: int
    real: int
    zeros: int
    origin: int

    @property
    def order(self) -> int:
        return 2 * self.pairs + self.real


def direct_fit(mask: Mask, shape: Shape, order: int) -> DirectFit:
    """Return the best function of an order that was found, whether it keeps the mask or not.

    Parameters
    ----------
    mask : Mask
        Its magnitudes are fitted; delays are only looked at.
    shape : Shape
    order : int
        Number of poles.

    Raises
    ------
    TargetError
        If the order leaves no place for the zeros that the mask needs at 0 or at infinity.
    """
    scale = math.sqrt(_first(shape) * _last(shape))
    best: tuple[DirectFit, _Structure, Floats] | None = None
    for structure, start in _starts(shape, order, scale):
        found, x = _fitted(mask, shape, structure, start, scale, _STEPS)
        if best is None or found.margin > best[0].margin:
            best = found, structure, x
        if best[0].kept and best[0].margin > _ENOUGH:
            return best[0]
    if best is None:
        raise TargetError(f"no function of order {order} has zeros where the mask stops; raise it")
    if -_NEARLY < best[0].margin < 0:
        return _fitted(mask, shape, *best[1:], scale, 4 * _STEPS)[0]
    return best[0]


def _first(shape: Shape) -> float:
    return min(w for b in (*shape.passes, *shape.stops) for w in (b.low, b.high) if w)


def _middle(shape: Shape) -> float:
    """Return a frequency in the middle of the pass bands."""
    ends = [(low, high) for low, high, _ in _joined(shape)]
    return math.sqrt(ends[0][0] * ends[-1][1])


def _last(shape: Shape) -> float:
    edges = [w for b in (*shape.passes, *shape.stops) for w in (b.low, b.high)]
    return max(w for w in edges if math.isfinite(w))


def _fitted(
    mask: Mask, shape: Shape, structure: _Structure, start: Floats, scale: float, steps: int
) -> tuple[DirectFit, Floats]:
    """Return the function reached from a start, and its unknowns."""
    x = start
    best: tuple[DirectFit, Floats] | None = None
    grid = _grid(shape, structure.order) / scale
    for _ in range(_ROUNDS):
        functions = _Breach(shape, structure, grid, scale)
        x, worst = minimax(functions, x, box=0.3, steps=steps, precision=1e-4)
        transfer = _transfer(structure, x, scale, mask.gain)
        rows = verified(mask, transfer)
        found = DirectFit(structure.order, _target(transfer, mask), _margin(rows, shape), rows)
        if best is None or found.margin > best[0].margin:
            best = found, x
        missed = magnitude_extrema(transfer.zeros, transfer.poles) / scale
        if worst > 0.3 or best[0].margin >= -worst - 0.02:
            break
        grid = np.unique(np.concatenate([grid, missed]))
    return best  # type: ignore[return-value]


def _margin(rows: Sequence[Kept], shape: Shape) -> float:
    """Return the least room left, in half ripples of pass bands and `_STOP_SCALE`."""
    depth = min(b.below_db for b in shape.passes) / 2
    deep = shape.ceiling_db - max(b.below_db for b in shape.passes)
    shares = []
    for r in rows:
        level = getattr(r.limit, "level_db", None)
        if level is not None:
            stop = r.limit.operation == "<=" and level < deep  # type: ignore[union-attr]
            shares.append(r.margin / (_STOP_SCALE if stop else depth))
    return min(shares)


def _target(transfer: Transfer, mask: Mask) -> Target:
    from synth.transfer.kinds import describe

    kind = describe(transfer).kind
    asked = f"{kind} of order {transfer.order} fitted to the mask, gain {mask.gain:.6g}"
    return Target(transfer, kind, None, asked, "no family: poles and zeros fitted directly")


def _grid(shape: Shape, order: int) -> Floats:
    """Return angular frequencies in the bands and between them, crowded at the edges."""
    edges = {w for b in (*shape.passes, *shape.stops) for w in (b.low, b.high)}
    ends = sorted(w for w in edges if w and math.isfinite(w))
    count = max(12, _POINTS * order // 2)
    share = (1 - np.cos(np.linspace(0, math.pi, count))) / 2
    pieces = [ends[0] * np.maximum(share, 1e-4), ends[-1] / np.maximum(share, 1e-2)]
    pieces += [a + (b - a) * share for a, b in pairwise(ends)]
    return np.unique(np.concatenate(pieces))


class _Breach:
    """By how much each limit is left at each grid point, in units of its room; for `minimax`."""

    def __init__(self, shape: Shape, structure: _Structure, grid: Floats, scale: float) -> None:
        self._structure, self._grid = structure, grid
        upper = np.full(grid.size, shape.ceiling_db)
        lower = np.full(grid.size, -np.inf)
        room = np.full(grid.size, min(b.below_db for b in shape.passes) / 2)
        for b in shape.stops:
            inside = _inside(grid * scale, b)
            upper[inside] = np.minimum(upper[inside], shape.ceiling_db - b.below_db)
            room[inside] = _STOP_SCALE
        for b in shape.passes:
            inside = _inside(grid * scale, b)
            lower[inside] = np.maximum(lower[inside], shape.ceiling_db - b.below_db)
            room[inside] = np.minimum(room[inside], b.below_db / 2)
        self._upper, self._lower, self._room = upper, lower, room

    def __call__(self, x: Floats) -> tuple[Floats, Floats]:
        """Return the breaches and their slopes."""
        level, slopes = _level(self._structure, x, self._grid)
        over, bend = _softened(level - self._upper)
        above = over / self._room
        bounded = np.isfinite(self._lower)
        below = (self._lower - level)[bounded] / self._room[bounded]
        turn = slopes / self._room[:, None]
        return np.concatenate([above, below]), np.vstack([bend[:, None] * turn, -turn[bounded]])


def _softened(decibels: Floats) -> tuple[Floats, Floats]:
    """Return decibels with those below 0 replaced by the magnitude, and the slope of that.

    Beside a zero decibels change without bound, and linear steps would not dare to move it.
    """
    size = np.exp(np.minimum(decibels, 0.0) / (2 * _DB))
    return np.where(decibels < 0, 2 * _DB * (size - 1), decibels), size


def _inside(w: Floats, band: Band) -> NDArray[np.bool_]:
    return np.asarray((w >= band.low * (1 - 1e-12)) & (w <= band.high * (1 + 1e-12)), dtype=bool)


def _level(s: _Structure, x: Floats, w: Floats) -> tuple[Floats, Floats]:
    """Return 20 log10|H| and its slopes in the unknowns, at scaled frequencies."""
    gain, w0, d, real, z = _parts(s, x)
    u = (w**2)[:, None]
    gap, loss = w0**2 - u, (d * w0) ** 2 * u
    size = gap**2 + loss
    level = 2 * _DB * gain + 2 * _DB * s.origin * np.log(w) - _DB * np.log(size).sum(axis=1)
    by_w = -_DB * (4 * w0**2 * gap + 2 * loss) / size
    by_d = -_DB * 2 * loss / size
    slopes = [np.full((w.size, 1), 2 * _DB), by_w, by_d]
    if s.real:
        level = level - _DB * np.log(real**2 + u[:, 0])
        slopes.append(-_DB * 2 * real**2 / (real**2 + u))
    if s.zeros:
        away = z**2 - u
        away = np.where(np.abs(away) < 1e-12, 1e-12, away)
        level = level + 2 * _DB * np.log(np.abs(away)).sum(axis=1)
        slopes.append(2 * _DB * 2 * z**2 / away)
    return np.asarray(level, dtype=float), np.hstack(slopes)


def _parts(s: _Structure, x: Floats) -> tuple[float, Floats, Floats, float, Floats]:
    ends = np.cumsum([1, s.pairs, s.pairs, s.real])
    gain, w0, d, real, z = np.split(x, ends)
    return float(gain[0]), np.exp(w0), np.exp(d), float(np.exp(real.sum())), np.exp(z)


def _transfer(s: _Structure, x: Floats, scale: float, sign: float) -> Transfer:
    gain, w0, d, real, z = _parts(s, x)
    zeros = [complex(0, y) for v in z for y in (v, -v)] + [0j] * s.origin
    dens = [[1.0, b * w, w * w] for w, b in zip(w0, d, strict=True)]
    poles = [complex(p) for row in dens for p in np.roots(row)] + [complex(-real)] * s.real
    unit = Transfer.from_zpk(zeros, poles, math.copysign(math.exp(gain), sign))
    return unit.scaled_frequency(scale)


# -- starts ----------------------------------------------------------------------------------------


def _starts(shape: Shape, order: int, scale: float) -> Iterator[tuple[_Structure, Floats]]:
    """Yield structures and first unknowns: zeros in the stop bands in every sharing out.

    They stand over the whole of neighbouring stop bands, and in the deepest of them alone.
    """
    shares = sorted(_shares(shape, order), key=lambda s: (-sum(s[0]), s[1], max(s[0]) - min(s[0])))
    for count, origin in shares[:_MOST_STARTS]:
        s = _Structure(order // 2, order % 2, sum(count), origin)
        w0, d = _spread(shape, s)
        for bands in dict.fromkeys((_groups(shape), _deepest(shape))):
            z = np.concatenate([_beside(shape, b, n) for b, n in zip(bands, count, strict=True)])
            x = np.concatenate(
                [[0.0], np.log(w0 / scale), np.log(d), [math.log(_middle(shape) / scale)] * s.real]
            )
            x = np.concatenate([x, np.log(z / scale)])
            level, _ = _level(s, x, _grid(shape, order) / scale)
            inside = np.any([_inside(_grid(shape, order), b) for b in shape.passes], axis=0)
            x[0] = (shape.ceiling_db - level[inside].max()) / (2 * _DB)
            yield s, x


def _shares(shape: Shape, order: int) -> Iterator[tuple[tuple[int, ...], int]]:
    """Yield the pairs of zeros in each group of stop bands, and the zeros at the origin."""
    groups = _groups(shape)
    at_zero = any(b.low == 0 for b in shape.stops)
    at_infinity = any(math.isinf(b.high) for b in shape.stops)
    for count in product(range(order // 2 + 1), repeat=len(groups)):
        rest = order - 2 * sum(count)
        if rest < 0:
            continue
        origins = range(rest + 1) if at_zero and at_infinity else [rest if at_zero else 0]
        for origin in origins:
            if rest - origin > 1 + 2 * len(groups) and sum(count) == 0 and order > 3:
                continue
            if (rest - origin) % 2 and not at_infinity:
                continue
            yield count, origin


def _groups(shape: Shape) -> tuple[Band, ...]:
    """Return the stop bands between pass bands, joined where several lie in one gap."""
    found: list[Band] = []
    for s in sorted(shape.stops, key=lambda b: b.low):
        if found and not any(found[-1].high <= p.low and p.high <= s.low for p in shape.passes):
            a = found.pop()
            s = Band(min(a.low, s.low), max(a.high, s.high), max(a.below_db, s.below_db))
        found.append(s)
    return tuple(found)


def _deepest(shape: Shape) -> tuple[Band, ...]:
    """Return of each group of stop bands the one of most attenuation: zeros are needed there."""
    return tuple(
        max(
            (s for s in shape.stops if g.low <= s.low and s.high <= g.high),
            key=lambda s: s.below_db,
        )
        for g in _groups(shape)
    )


def _spread(shape: Shape, s: _Structure) -> tuple[Floats, Floats]:
    """Return pole frequencies and dampings over the pass bands, sharper towards the edges."""
    bands = _joined(shape)
    widths = np.array([math.log(b[1] / b[0]) + 1.0 for b in bands])
    counts = np.maximum(np.floor(s.pairs * widths / widths.sum()), 0).astype(int)
    while counts.sum() < s.pairs:
        counts[int(np.argmax(widths / (counts + 1)))] += 1
    w0: list[float] = []
    d: list[float] = []
    for (low, high, open_), n in zip(bands, counts, strict=True):
        angle = math.pi * (np.arange(n) + 0.5) / (2 * n if open_ else n)
        if open_ == "low":
            w0 += list(high * np.maximum(np.cos(angle), 0.4))
            d += list(np.minimum(2.0, 1.2 * np.sin(angle) + 0.05))
        elif open_ == "high":
            w0 += list(low / np.maximum(np.cos(angle), 0.4))
            d += list(np.minimum(2.0, 1.2 * np.sin(angle) + 0.05))
        else:
            middle, half = (low + high) / 2, (high - low) / 2
            at = middle - half * np.cos(angle)
            w0 += list(at)
            d += list(np.maximum(half * np.sin(angle) / at, 0.02))
    return np.array(w0), np.array(d)


def _joined(shape: Shape) -> list[tuple[float, float, str]]:
    """Return the pass bands joined between stop bands: ends, and which end of the axis is in."""
    found: list[list[float]] = []
    for p in shape.passes:
        if found and not any(found[-1][1] <= s.low and s.high <= p.low for s in shape.stops):
            found[-1] = [min(found[-1][0], p.low), max(found[-1][1], p.high)]
        else:
            found.append([p.low, p.high])
    first, last = _first(shape), _last(shape)
    rows = []
    for k, (low, high) in enumerate(found):
        lowest = k == 0 and not any(s.high <= low for s in shape.stops)
        highest = k == len(found) - 1 and not any(s.low >= high for s in shape.stops)
        side = "low" if lowest else "high" if highest else ""
        rows.append((max(low, first / 3), min(high, last * 3), side))
    return rows


def _beside(shape: Shape, band: Band, count: int) -> Floats:
    """Return zeros in a stop band, crowded at the edges that face a pass band."""
    low, high = band.low, band.high
    share = (np.arange(count) + 0.5) / max(count, 1)
    if low == 0 or low <= _first(shape) / 2:
        return high * np.cos(math.pi / 2 * share * 0.9)
    if math.isinf(high) or high >= _last(shape):
        return low / np.cos(math.pi / 2 * share * 0.9)
    return (low + high) / 2 - (high - low) / 2 * np.cos(math.pi * share)
