"""Partial products of a cascade: which sets of poles and zeros can stand in front, and how loud.

The product of the first sections depends on the sets of poles and zeros they use, not on which
zero goes with which pole, nor on the order.  A set is one integer: a bit a pole group, a bit a
finite zero factor, and the number of zeros at the origin; zeros at infinity make up the rest.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from synth.errors import TargetError
from synth.transfer.transfer import Transfer

Array = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: Most sections of a cascade: at most sum_k C(10, k)**2 = 184,756 sets.
MOST_SECTIONS = 10
_PER_DECADE = 24
_REACH = 30.0
#: Points around each pole, in units of its distance from the imaginary axis.
_AROUND = np.sinh(np.linspace(-3.0, 3.0, 17)) / 2
_BLOCK = 1 << 21  # numbers in a slice of levels
_TINY = 1e-30
_END = 1e-3


@dataclass(frozen=True)
class Factors:
    """What a cascade is made of; polynomials are monic in rad/s, ascending.

    Parameters
    ----------
    poles : tuple of tuple of float
        Denominators of the sections to be.
    zeros : tuple of tuple of float
        Finite zero factors off the origin.
    origin, infinity : int
        Zeros there.
    """

    poles: tuple[tuple[float, ...], ...]
    zeros: tuple[tuple[float, ...], ...]
    origin: int
    infinity: int

    @property
    def scale(self) -> float:
        """Geometric mean of the pole frequencies, rad/s."""
        sizes = [p[0] ** (1 / (len(p) - 1)) for p in self.poles]
        return float(np.exp(np.mean(np.log(sizes))))

    @cached_property
    def frequencies(self) -> Array:
        """Angular frequencies in rad/s that resolve every pole and zero, DC and infinity nearly."""
        roots = [np.roots(p[::-1]) for p in (*self.poles, *self.zeros)]
        all_ = np.concatenate(roots)
        sizes = np.abs(all_)
        low, high = sizes.min() / _REACH, sizes.max() * _REACH
        count = max(2, int(_PER_DECADE * np.log10(high / low)))
        around = [
            abs(p.imag) + abs(p.real) * _AROUND for q in self.poles for p in np.roots(q[::-1])
        ]
        grid = np.unique(np.concatenate([np.geomspace(low, high, count), sizes, *around]))
        ends = np.array([low * _END, high / _END])
        return np.sort(np.concatenate([grid[(grid >= low) & (grid <= high)], ends]))

    @property
    def weights(self) -> Array:
        """Widths of the frequencies in units of `scale`; the two ends are beyond the band."""
        inner = self.frequencies[1:-1]
        return np.concatenate([[0.0], np.gradient(inner) / self.scale, [0.0]])


def factors_of(transfer: Transfer) -> Factors:
    """Return the factors of a transfer function, its poles grouped as its sections have them.

    Raises
    ------
    TargetError
        If it has no poles, more zeros than poles, or more than `MOST_SECTIONS` sections.
    """
    poles = tuple(_ascending(s.denominator) for s in transfer.sections if s.order)
    if not poles or transfer.excess < 0:
        raise TargetError("a cascade needs poles, and at most as many zeros; give a proper target")
    if len(poles) > MOST_SECTIONS:
        raise TargetError(
            f"a cascade of {len(poles)} sections is too long; at most {MOST_SECTIONS} are arranged"
        )
    zeros: list[tuple[float, ...]] = []
    origin = 0
    for s in transfer.sections:
        n = _ascending(s.numerator)
        while len(n) > 1 and n[0] == 0:
            origin, n = origin + 1, n[1:]
        if len(n) > 1:
            zeros += _real_factors(n)
    return Factors(poles, tuple(zeros), origin, transfer.excess)


def _ascending(coefficients: Sequence[float]) -> tuple[float, ...]:
    lead = coefficients[0]
    return tuple(float(c / lead) for c in reversed(coefficients))


def _real_factors(n: tuple[float, ...]) -> list[tuple[float, ...]]:
    """Two real zeros are factors of their own; a conjugate pair is one."""
    if len(n) == 3 and n[1] ** 2 >= 4 * n[0]:
        return [(float(-r.real), 1.0) for r in np.roots(n[::-1])]
    return [n]


@dataclass(frozen=True)
class Choice:
    """What one section takes: a pole group, finite zero factors, and zeros at the origin."""

    pole: int
    zeros: tuple[int, ...]
    origin: int


@dataclass(frozen=True)
class Sets:
    """All sets of poles and zeros that some sections can use, level by level.

    Parameters
    ----------
    factors : Factors
    """

    factors: Factors

    @property
    def _zero_shift(self) -> int:
        """Bits that count the zeros at the origin."""
        return self.factors.origin.bit_length()

    @property
    def _pole_shift(self) -> int:
        return self._zero_shift + len(self.factors.zeros)

    def _at_origin(self, keys: IntArray) -> IntArray:
        return keys & ((1 << self._zero_shift) - 1)

    @property
    def size(self) -> int:
        """One more than the largest key."""
        return 1 << (self._pole_shift + len(self.factors.poles))

    @property
    def full(self) -> int:
        """Key of everything."""
        poles, zeros = len(self.factors.poles), len(self.factors.zeros)
        return (
            (((1 << poles) - 1) << self._pole_shift)
            | (((1 << zeros) - 1) << self._zero_shift)
            | self.factors.origin
        )

    @cached_property
    def choices(self) -> tuple[Choice, ...]:
        """Everything one section may be, of degree at most that of its poles."""
        f = self.factors
        degrees = [len(z) - 1 for z in f.zeros]
        picks: list[tuple[int, ...]] = [(), *((j,) for j in range(len(degrees)))]
        singles = [j for j, d in enumerate(degrees) if d == 1]
        picks += [(a, b) for a in singles for b in singles if a < b]
        return tuple(
            Choice(i, pick, o)
            for i, p in enumerate(f.poles)
            for pick in picks
            for o in range(min(f.origin, len(p) - 1) + 1)
            if self._possible(len(p) - 1, sum(degrees[j] for j in pick), o)
        )

    def _possible(self, poles: int, finite: int, origin: int) -> bool:
        """Whether a section may have so many zeros; one of third order has them all at one end."""
        if not 0 <= poles - finite - origin <= self.factors.infinity:
            return False
        return poles < 3 or (not finite and origin in (0, poles))

    def step(self, choice: Choice) -> int:
        """Return what a section adds to the key."""
        zeros = sum(1 << j for j in choice.zeros)
        return (1 << (self._pole_shift + choice.pole)) | (zeros << self._zero_shift) | choice.origin

    def followers(self, keys: IntArray, choice: Choice) -> tuple[IntArray, IntArray]:
        """Return the places of the keys that a section can follow, and the keys it leads to."""
        f = self.factors
        step = self.step(choice)
        ok = (keys >> self._zero_shift) & (step >> self._zero_shift) == 0
        if f.origin:
            ok &= self._at_origin(keys) + choice.origin <= f.origin
        if f.infinity and f.infinity < sum(len(p) - 1 for p in f.poles):
            ok &= self._beyond(keys) + self._own_beyond(choice) <= f.infinity
        rows = np.flatnonzero(ok)
        return rows, keys[rows] + step

    def _own_beyond(self, c: Choice) -> int:
        f = self.factors
        return len(f.poles[c.pole]) - 1 - sum(len(f.zeros[j]) - 1 for j in c.zeros) - c.origin

    def _beyond(self, keys: IntArray) -> IntArray:
        """Zeros at infinity that the sets use."""
        f = self.factors
        total = -self._at_origin(keys)
        for i, p in enumerate(f.poles):
            total = total + (len(p) - 1) * ((keys >> (self._pole_shift + i)) & 1)
        for j, z in enumerate(f.zeros):
            total = total - (len(z) - 1) * ((keys >> (self._zero_shift + j)) & 1)
        return np.asarray(total)

    @cached_property
    def levels(self) -> tuple[IntArray, ...]:
        """Keys after 0, 1, 2, ... sections, ascending."""
        found = [np.zeros(1, dtype=np.int64)]
        for _ in self.factors.poles:
            mark = np.zeros(self.size, dtype=bool)
            for choice in self.choices:
                mark[self.followers(found[-1], choice)[1]] = True
            found.append(np.flatnonzero(mark))
        return tuple(found)

    def magnitudes(self, keys: IntArray, w: Array) -> Array:
        """Return ln |partial product| with monic sections, (sets, frequencies), w in rad/s.

        Frequencies are counted in units of `Factors.scale`, so that numbers stay moderate.
        """
        f, unit = self.factors, self.factors.scale
        poles = _subset_sums(np.array([-_log_size(p, w, unit) for p in f.poles]))
        zeros = _subset_sums(
            np.array([_log_size(z, w, unit) for z in f.zeros]).reshape(len(f.zeros), len(w))
        )
        p = keys >> self._pole_shift
        z = (keys >> self._zero_shift) & ((1 << len(f.zeros)) - 1)
        found = poles[p]
        if len(f.zeros):
            found += zeros[z]
        if f.origin:
            found += self._at_origin(keys)[:, None] * np.log(w / unit)
        return np.asarray(found)

    def blocks(self, keys: IntArray, points: int) -> list[IntArray]:
        """Return the keys in slices whose magnitudes fit the memory."""
        rows = max(1, _BLOCK // points)
        return [keys[k : k + rows] for k in range(0, len(keys), rows)]


def _log_size(coefficients: Sequence[float], w: Array, unit: float) -> Array:
    """Ln |polynomial| on the imaginary axis, s counted in units of `unit`."""
    n = len(coefficients) - 1
    scaled = [c * unit ** (k - n) for k, c in enumerate(coefficients)]
    value = np.polynomial.polynomial.polyval(1j * w / unit, scaled)
    return np.asarray(np.log(np.maximum(np.abs(value), _TINY)))


def _subset_sums(rows: Array) -> Array:
    """Sum of every subset of the rows, by bit mask."""
    found = np.zeros((1, rows.shape[1]))
    for row in rows:
        found = np.vstack([found, found + row])
    return found
