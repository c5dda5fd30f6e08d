"""A whole target given to the cells of a circuit: each takes the poles nearest to its own."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from synth.errors import TargetError
from synth.realisation.cells import Cell, normalised
from synth.search.candidates import SectionTarget
from synth.transfer.transfer import Transfer

Array = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

_REAL = 1e-9


@dataclass(frozen=True)
class _Slot:
    """Room for two roots (or one) in a cell, with the roots that are there now."""

    cell: int
    own: tuple[complex, ...]


def cell_targets(
    cells: Sequence[Cell], transfer: Transfer, values: Mapping[str, float]
) -> tuple[SectionTarget, ...]:
    """Return the target of each cell, their product being the whole target.

    Parameters
    ----------
    cells : sequence of Cell
    transfer : Transfer
        The whole target.
    values : mapping
        Part -> value at present; what is nearest is measured from them.

    Raises
    ------
    TargetError
        If the circuit's order, zeros or gain cannot be the target's; the message says by how
        much.
    """
    order = sum(c.order for c in cells)
    if order != transfer.order:
        raise TargetError(
            f"the circuit is of order {order} and the target of order {transfer.order}; give a "
            "target of the circuit's order"
        )
    if len(cells) == 1:
        n = np.array(transfer.numerator[::-1])
        d = np.array(transfer.denominator[::-1])
        n = np.concatenate([n, np.zeros(len(d) - len(n))])
        return (normalised(n, d, "the target"),)
    own = [c.own_target(values) for c in cells]
    poles = _given([_roots(t.denominator, t.w0) for t in own], transfer.poles, "poles")
    finite = [_roots(t.numerator, t.w0) for t in own]
    zeros = _given(finite, transfer.zeros, "zeros")
    gains = _gains(cells, own, poles, zeros, transfer)
    return tuple(
        _target(gain, p, z, c) for gain, p, z, c in zip(gains, poles, zeros, cells, strict=True)
    )


def _roots(coefficients: Sequence[float], w0: float) -> list[complex]:
    """Roots in rad/s of a polynomial in s/w0, ascending; those at the origin are 0."""
    c = np.array(coefficients)
    used = np.flatnonzero(c)
    inner = np.roots(c[used[0] : used[-1] + 1][::-1])
    return [0j] * int(used[0]) + [complex(z) * w0 for z in inner]


def _given(
    own: Sequence[Sequence[complex]], wanted: Sequence[complex], what: str
) -> list[list[complex]]:
    """Hand the roots wanted to the cells: as many to each as it has, the nearest ones."""
    origin = sum(z == 0 for z in wanted)
    has = [sum(z == 0 for z in roots) for roots in own]
    count = sum(map(len, own))
    if len(wanted) != count or origin != sum(has):
        raise TargetError(
            f"the target has {len(wanted)} finite {what}, {origin} of them at the origin, and the "
            f"circuit has {count} and {sum(has)}; take a circuit of the target's kind"
        )
    found: list[list[complex]] = [[0j] * n for n in has]
    singles, pairs = _groups([z for z in wanted if z])
    slots = [
        _Slot(k, tuple(z for z in group))
        for k, roots in enumerate(own)
        for group in _slots([z for z in roots if z])
    ]
    short = [s for s in slots if len(s.own) == 1]
    if len(short) > len(singles) or (len(singles) - len(short)) % 2:
        raise TargetError(
            f"the circuit needs {len(short)} real {what} of its own and the target has "
            f"{len(singles)}; take a circuit whose stages have the target's orders"
        )
    left = list(singles)
    for slot, z in _nearest(short, [(z,) for z in singles]):
        found[slot.cell] += z
        left.remove(z[0])
    left.sort(key=abs)
    pairs += list(zip(left[::2], left[1::2], strict=True))
    for slot, two in _nearest([s for s in slots if len(s.own) == 2], pairs):
        found[slot.cell] += two
    return found


def _nearest(
    slots: Sequence[_Slot], items: Sequence[tuple[complex, ...]]
) -> list[tuple[_Slot, tuple[complex, ...]]]:
    """Give every slot an item so that the sum of the distances is least."""
    from scipy.optimize import linear_sum_assignment

    if not slots:
        return []
    cost = np.array([[_distance(s.own, i) for i in items] for s in slots])
    rows, columns = linear_sum_assignment(cost)
    return [(slots[r], items[c]) for r, c in zip(rows, columns, strict=True)]


def _groups(roots: Sequence[complex]) -> tuple[list[complex], list[tuple[complex, ...]]]:
    """Real roots, and conjugate pairs."""
    real = [z for z in roots if abs(z.imag) <= _REAL * abs(z)]
    upper = [z for z in roots if z.imag > _REAL * abs(z)]
    return real, [(z, z.conjugate()) for z in upper]


def _slots(roots: Sequence[complex]) -> list[tuple[complex, ...]]:
    real, pairs = _groups(roots)
    real = sorted(real, key=abs)
    even = len(real) - len(real) % 2
    twos = [(real[k], real[k + 1]) for k in range(0, even, 2)]
    return [*pairs, *twos, *((z,) for z in real[even:])]


def _distance(own: tuple[complex, ...], wanted: tuple[complex, ...]) -> float:
    """Distance in the logarithms of frequency and Q."""

    def figures(z: tuple[complex, ...]) -> tuple[float, float]:
        w0 = float(np.abs(np.prod(z))) ** (1 / len(z))
        damping = abs(sum(z)) / w0
        return math.log(w0), math.log(max(damping, 1e-12))

    (a, b), (c, d) = figures(own), figures(wanted)
    return abs(a - c) + abs(b - d)


def _gains(
    cells: Sequence[Cell],
    own: Sequence[SectionTarget],
    poles: Sequence[Sequence[complex]],
    zeros: Sequence[Sequence[complex]],
    transfer: Transfer,
) -> list[float]:
    """Leading coefficients of N in s: each cell keeps its own pass-band gain, but for one."""
    found = []
    for k, t in enumerate(own):
        n, d = np.array(t.numerator), np.array(t.denominator)
        at = int(np.argmax(np.abs(n / d)))
        unit = _target(1.0, poles[k], zeros[k], cells[k])
        found.append(float(n[at] / d[at] / (unit.numerator[at] / unit.denominator[at])))
    rest = transfer.gain / math.prod(found)
    if abs(rest - 1) <= 1e-9:
        return found
    free = [k for k, t in enumerate(own) if _adjustable(cells[k], t)]
    if rest < 0 or (not free and abs(rest - 1) > 1e-6):
        size = 20 * math.log10(abs(rest))
        sign = " and of the other sign" if rest < 0 else ""
        raise TargetError(
            f"the target's gain is {size:+.3g} dB from what the circuit can have{sign}: its stages "
            "have no gain that their values could set; change the gain of the target"
        )
    if free:
        found[free[0]] *= rest
    return found


def _adjustable(cell: Cell, target: SectionTarget) -> bool:
    """Whether the pass-band gain of a cell depends on values at all."""
    n, d = np.array(target.numerator), np.array(target.denominator)
    at = int(np.argmax(np.abs(n / d)))
    top, under = cell.terms.numerator[at], cell.terms.denominator[at]
    generator = np.random.default_rng(0)
    logs = generator.normal(size=(4, len(cell.terms.names)))
    monomials = np.exp(logs @ cell.terms.exponents.T)
    ratio = (monomials @ top) / (monomials @ under)
    return bool(np.ptp(ratio) > 1e-9 * np.abs(ratio).max())


def _target(
    gain: float, poles: Sequence[complex], zeros: Sequence[complex], cell: Cell
) -> SectionTarget:
    d = np.real(np.poly(np.array(poles)))[::-1] if poles else np.ones(1)
    n = gain * np.real(np.poly(np.array(zeros)))[::-1] if zeros else np.array([gain])
    n = np.where(np.abs(n) <= 1e-12 * _sizes(zeros) * abs(gain), 0.0, n)
    n = np.concatenate([n, np.zeros(max(0, len(d) - len(n)))])
    return normalised(n, np.asarray(d), f"stage {cell.name}")


def _sizes(roots: Sequence[complex]) -> Array:
    """Coefficients of the polynomial whose roots have these sizes, all of one sign, ascending."""
    return np.asarray(np.poly([-abs(z) for z in roots])[::-1] if roots else np.ones(1))
