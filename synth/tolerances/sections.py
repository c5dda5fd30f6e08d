"""f0, Q and zero frequencies of many circuits, and their logarithmic sensitivities.

``S^y_x = d ln y/d ln x`` is the sensitivity of y to x; see L. P. Huelsman, Active and Passive
Analog Filter Design, McGraw-Hill 1993, ch. 3; G. S. Moschytz, Linear Integrated Networks:
Fundamentals, Van Nostrand 1974 (both from memory).  A factor of second order is a section
``c2*s**2 + c1*s + c0`` with ``w0 = sqrt(c0/c2)`` and ``Q = sqrt(c0*c2)/c1``; of a factor of
higher order each root or pair is a section, a root's sensitivity being ``-(dP/d ln x)/(s*P'(s))``
there.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from synth.tolerances.factored import ComplexArray, Factor, Factored
from synth.tolerances.montecarlo import ranked
from synth.tolerances.roots import roots_of
from synth.tolerances.spread import Array

#: A coefficient below this share of the largest counts as zero: zeros on the axis have no Q.
_VANISHED = 1e-9


@dataclass(frozen=True)
class Section:
    """A pole or zero, or a pair, at nominal values.

    Parameters
    ----------
    what : str
        ``"pole"`` or ``"zero"``.
    order : int
        1 or 2.
    f0_hz : float
        ``w0/(2 pi)``.
    q : float or None
        None at first order and for a zero on the imaginary axis.
    s_f0, s_q : array (parts,)
        Sensitivities of f0 and Q to each part; of Q zero where there is none.
    row, degree : int
        Where its factor's coefficients stand among the prepared rows, and the factor's degree.
    root : complex
        The root over w_ref that it is, at a factor of higher order.
    """

    what: str
    order: int
    f0_hz: float
    q: float | None
    s_f0: Array
    s_q: Array
    row: int
    degree: int
    root: complex = 0j


@dataclass(frozen=True)
class SectionStatistics:
    """How f0 and Q of one section vary.

    Parameters
    ----------
    section : Section
    f0_hz : array (percents,)
        Percentiles.
    f0_deviation : float
        Standard deviation over the nominal value.
    q : array (percents,) or None
    q_deviation : float or None
        None, as `q`, where the section has no Q or `q_crosses`.
    q_crosses : bool
        Whether 1/Q passes through 0, so that percentiles of Q would mean nothing.
    """

    section: Section
    f0_hz: Array
    f0_deviation: float
    q: Array | None
    q_deviation: float | None
    q_crosses: bool = False


def sections(model: Factored) -> tuple[Section, ...]:
    """Return the sections of the poles, then those of the zeros; ends at 0 and infinity apart."""
    found: list[Section] = []
    rows = np.cumsum([0] + [f.degree + 1 for f in (*model.numerators, *model.denominators)])
    count = len(model.numerators)
    for k, f in enumerate(model.denominators):
        found += _of_factor(model, f, "pole", int(rows[count + k]))
    for k, f in enumerate(model.numerators):
        found += _of_factor(model, f, "zero", int(rows[k]))
    return tuple(found)


def _of_factor(model: Factored, f: Factor, what: str, row: int) -> Iterator[Section]:
    c, slopes = f.nominal, f.slopes
    hz = model.w_ref / (2 * np.pi)
    size = np.abs(f.matrix).sum(axis=1)
    gone = np.abs(c) <= _VANISHED * size
    if f.degree == 0 or gone[0] or gone[-1]:
        return  # a balanced end has no frequency
    if f.degree <= 2:
        ends = (slopes[0] / c[0] - slopes[-1] / c[-1]) / f.degree
        w0 = abs(c[0] / c[-1]) ** (1 / f.degree)
        has_q = f.degree == 2 and not gone[1] and size[1] > 0 and c[0] * c[2] > 0
        q = float(np.sqrt(c[0] * c[2]) / c[1] * np.sign(c[2])) if has_q else None
        s_q = np.zeros(len(model.names))
        if has_q:
            s_q = (slopes[0] / c[0] + slopes[2] / c[2]) / 2 - slopes[1] / c[1]
        yield Section(what, f.degree, float(w0 * hz), q, ends, s_q, row, f.degree)
        return
    derivative = np.polynomial.polynomial.polyder(c)
    for z in _upper(np.asarray(np.polynomial.polynomial.polyroots(c), dtype=complex)):
        powers = z ** np.arange(len(c))
        moves = -(powers @ slopes) / (z * np.polynomial.polynomial.polyval(z, derivative))
        pair = z.imag > 0
        on_axis = abs(z.real) <= _VANISHED * abs(z)
        q = float(-abs(z) / (2 * z.real)) if pair and not on_axis else None
        s_q = np.zeros(len(model.names)) if q is None else moves.imag * (z.imag / z.real)
        f0 = float(abs(z) * hz)
        yield Section(what, 2 if pair else 1, f0, q, moves.real, s_q, row, f.degree, complex(z))


def statistics(
    model: Factored, section: Section, prepared: Array, percents: tuple[float, ...]
) -> SectionStatistics:
    """Return how a section varies over the circuits; of high order, by the root nearest to it."""
    c = prepared[section.row : section.row + section.degree + 1]
    hz = model.w_ref / (2 * np.pi)
    if section.degree <= 2:
        f0 = np.abs(c[0] / c[-1]) ** (1 / section.degree) * hz
        q = None
        if section.q is not None:
            with np.errstate(divide="ignore"):
                q = np.sqrt(np.abs(c[0] * c[-1])) / c[1] * np.sign(c[-1])
    else:
        z = _nearest(c, section.root)
        f0 = np.abs(z) * hz
        q = -np.abs(z) / (2 * z.real) if section.q is not None else None
    crosses = q is not None and bool(((q > 0).any() and (q < 0).any()) or np.isinf(q).any())
    if crosses:
        q = None
    return SectionStatistics(
        section,
        ranked(f0[None, :], percents)[:, 0],
        float(f0.std() / section.f0_hz),
        None if q is None else ranked(q[None, :], percents)[:, 0],
        None if q is None or not section.q else float(q.std() / abs(section.q)),
        crosses,
    )


def _nearest(c: Array, root: complex) -> ComplexArray:
    """Return for each column of coefficients the root nearest to the one given."""
    found = roots_of(c)
    nearest = np.abs(np.log(found / root)).argmin(axis=1)
    return np.asarray(found[np.arange(len(found)), nearest])


def _upper(roots: ComplexArray) -> list[complex]:
    """One of each conjugate pair, lowest first."""
    kept = [complex(z) for z in roots if z.imag >= -1e-12 * abs(z)]
    return sorted((z.real + 0j if abs(z.imag) < 1e-9 * abs(z) else z for z in kept), key=abs)
