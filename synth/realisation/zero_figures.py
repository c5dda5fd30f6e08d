"""What chosen values make of the zeros of a stage: notch depth, zero frequency, mismatch.

A coefficient that is to vanish, or zeros that are to mirror the poles, are not seen in an error
of frequencies and Q alone; a designer asks how deep the notch is, where, and how far the zeros of
an all-pass lie from the mirrored poles.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from synth.realisation.cell_choice import CellTask
from synth.search.candidates import SectionTarget
from synth.values.metrics import axis_zeros, mirrored

Array = npt.NDArray[np.float64]

#: A residue of |H| below this share of the largest is rounding: no depth is limited by it.
_ROUNDING = 1e-10


@dataclass(frozen=True)
class ZeroFigures:
    """Zeros of one stage: a pair that is to lie on the axis, or those of an all-pass.

    Parameters
    ----------
    stage : str
    kind : str
        notch or allpass.
    wanted_hz, zero_hz : float
        Frequency of the zeros of the target and of the choice.
    wanted_depth_db, depth_db : float or None
        Notch: |H| over the largest of the target, at the wanted frequency and at the choice's
        own; None where nothing but rounding is left.
    pole_hz : float or None
        Of the choice, of an order of two.
    mismatch : float or None
        How much the ratio of zero and pole frequency differs from the target's, as a fraction.
    q_mismatch : float or None
        All-pass: the same of zero and pole Q.
    """

    stage: str
    kind: str
    wanted_hz: float
    zero_hz: float
    wanted_depth_db: float | None
    depth_db: float | None
    pole_hz: float | None
    mismatch: float | None
    q_mismatch: float | None


def zero_figures(task: CellTask, row: Array) -> tuple[ZeroFigures, ...]:
    """Return the figures of a cell at values (elements,) of its problem."""
    n, d = np.split(task.problem.coefficients(row[None, :])[0], 2)
    return figures_of_zeros(task.cell.name, task.target, n / d[-1], d / d[-1])


def figures_of_zeros(
    stage: str, target: SectionTarget, n: Array, d: Array
) -> tuple[ZeroFigures, ...]:
    """Return the figures of coefficients, ascending powers of s/w0 of the target."""
    wanted_n, wanted_d = np.array(target.numerator), np.array(target.denominator)
    hertz = target.w0 / (2 * math.pi)
    if len(d) == 3 and mirrored(wanted_n, wanted_d):
        zero, f0 = math.sqrt(abs(n[0] / n[2])), math.sqrt(d[0])
        q = abs(math.sqrt(abs(n[0] * n[2])) / n[1]) / (math.sqrt(d[0]) / d[1])
        return (
            ZeroFigures(
                stage, "allpass", hertz, hertz * zero, None, None, hertz * f0,
                zero / f0 - 1, q - 1,
            ),
        )  # fmt: skip
    found = []
    roots = np.polynomial.polynomial.polyroots(_trimmed(n)) if n.any() else np.zeros(0)
    for w in axis_zeros(wanted_n):
        if not len(roots):
            continue
        own = float(np.abs(roots[np.argmin(np.abs(roots - 1j * w))]))
        pole = math.sqrt(d[0]) if len(d) == 3 else None
        nominal = math.sqrt(wanted_d[0] / wanted_d[2]) if len(d) == 3 else None
        mismatch = None if pole is None or nominal is None else own / pole / (w / nominal) - 1
        depths = [_depth(n, d, x, _largest(wanted_n, wanted_d)) for x in (w, own)]
        found.append(
            ZeroFigures(
                stage, "notch", hertz * w, hertz * own, depths[0], depths[1],
                None if pole is None else hertz * pole, mismatch, None,
            )
        )  # fmt: skip
    return tuple(found)


def _depth(n: Array, d: Array, w: float, largest: float) -> float | None:
    powers = (1j * w) ** np.arange(len(n))
    share = abs(n @ powers / (d @ powers)) / largest
    size = float(np.abs(n) @ np.abs(powers) / abs(d @ powers)) / largest
    return None if share <= _ROUNDING * max(1.0, size) else 20 * math.log10(share)


def _largest(n: Array, d: Array) -> float:
    w = np.geomspace(1e-3, 1e3, 601)
    powers = (1j * w[:, None]) ** np.arange(len(n))
    return float(np.abs((powers @ n) / (powers @ d)).max())


def _trimmed(n: Array) -> Array:
    return np.trim_zeros(n, "b")


def all_zero_figures(tasks: Sequence[CellTask], rows: Sequence[Array]) -> tuple[ZeroFigures, ...]:
    """Return the figures of all cells."""
    return tuple(z for t, r in zip(tasks, rows, strict=True) for z in zero_figures(t, r))
