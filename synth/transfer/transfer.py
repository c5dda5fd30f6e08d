"""Transfer functions as a gain times real sections of first and second order.

This form is the primary one because it holds the poles: the coefficients of an expanded
denominator of order 20 in doubles move the poles of a narrow band-pass by more than half their
distance to the imaginary axis.  Expanded numerator and denominator are derived from it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property
from typing import Any, overload

import numpy as np
from numpy.typing import ArrayLike, NDArray

from synth.errors import TargetError
from synth.shown import shown
from synth.transfer import polynomial as poly
from synth.transfer.pairing import cancel_exact, cancel_near, pair
from synth.transfer.polynomial import Poly
from synth.transfer.reading import read_polynomial, read_roots
from synth.transfer.section import Section, fraction_text, polynomial_text


@dataclass(frozen=True)
class Transfer:
    """A real rational function of s: gain times sections.

    Parameters
    ----------
    gain : float
        Ratio of the leading coefficients; 0 for the zero function.
    sections : tuple of Section
        The factors; empty for a constant.
    cancelled : tuple of complex
        Natural modes in rad/s that numerator and denominator have in common.

    Notes
    -----
    Build one with the class methods `from_polynomials`, `from_factors`, `from_zpk`, `from_tf`,
    `from_sos`; they cancel common factors and pair zeros with poles.

    Examples
    --------
    >>> H = Transfer.from_tf([1.0], [1.0, 2.0, 1.0])
    >>> print(H)
    1 / (s^2 + 2 s + 1)
    >>> print(H.complement())
    (s^2 + 2 s) / (s^2 + 2 s + 1)
    """

    gain: float
    sections: tuple[Section, ...] = ()
    cancelled: tuple[complex, ...] = ()

    def __post_init__(self) -> None:
        if not math.isfinite(self.gain):
            raise TargetError(f"the gain {self.gain} is not a finite number; give a finite one")

    # -- constructors ------------------------------------------------------------------------

    @classmethod
    def from_polynomials(cls, numerator: Poly, denominator: Poly) -> Transfer:
        """Return numerator / denominator, both exact and in ascending powers."""
        return cls.from_factors([numerator], [denominator])

    @classmethod
    def from_factors(
        cls,
        numerators: Iterable[Poly],
        denominators: Iterable[Poly],
        gain: Fraction | float = 1,
        cancelled: Iterable[complex] = (),
    ) -> Transfer:
        """Return gain times a product of polynomials over another, without expanding them.

        Parameters
        ----------
        numerators, denominators : iterable of Poly
            Exact polynomials in ascending powers (`synth.transfer.polynomial`).
        gain : Fraction or float
            Constant factor.
        cancelled : iterable of complex
            Modes already known to cancel.

        Returns
        -------
        Transfer
            Common factors are cancelled exactly; a zero and a pole within 1e-9 of each other
            are cancelled too.  Both are recorded in ``cancelled``.

        Raises
        ------
        TargetError
            If a denominator is zero.
        """
        num, den = list(numerators), list(denominators)
        if not all(den):
            raise TargetError("the denominator is zero; give one that is not")
        if not all(num) or not gain:
            modes = [z for p in den for z in poly.roots(p)]
            return cls(0.0, (), (*cancelled, *modes))
        lead = poly.exact(gain)
        for p in num:
            lead *= p[-1]
        for p in den:
            lead /= p[-1]
        num, den, common = cancel_exact(num, den)
        try:
            num, den, near = cancel_near(
                [f for p in num for f in poly.factors(p)], [f for p in den for f in poly.factors(p)]
            )
            gone = [z for p in (*common, *near) for z in poly.roots(p)]
            sections = tuple(
                Section(poly.to_floats(n), poly.to_floats(d)) for n, d in pair(num, den)
            )
            return cls(float(lead), sections, (*cancelled, *gone))
        except OverflowError:
            raise _beyond_range() from None

    @classmethod
    def from_zpk(cls, zeros: ArrayLike, poles: ArrayLike, gain: float) -> Transfer:
        """Return the function with these zeros and poles in rad/s, as scipy's zpk.

        Raises
        ------
        TargetError
            If a complex root has no conjugate (the function is not real), or is not finite.
        """
        return cls.from_factors(read_roots(zeros, "zeros"), read_roots(poles, "poles"), float(gain))

    @classmethod
    def from_tf(cls, b: ArrayLike, a: ArrayLike) -> Transfer:
        """Return the function with coefficients in descending powers, as scipy's (b, a)."""
        return cls.from_polynomials(
            read_polynomial(b, "numerator"), read_polynomial(a, "denominator")
        )

    @classmethod
    def from_sos(cls, sos: ArrayLike) -> Transfer:
        """Return the product of analog sections, rows b0 b1 b2 a0 a1 a2 in descending powers."""
        rows = np.atleast_2d(np.asarray(sos, dtype=float))
        if rows.ndim != 2 or rows.shape[1] != 6:
            raise TargetError(
                f"sections need rows of six numbers b0 b1 b2 a0 a1 a2; the shape is {rows.shape}"
            )
        return cls.from_factors(
            [read_polynomial(r[:3], "numerator") for r in rows],
            [read_polynomial(r[3:], "denominator") for r in rows],
        )

    # -- what it is --------------------------------------------------------------------------

    @cached_property
    def zeros(self) -> tuple[complex, ...]:
        """Zeros in rad/s, by section."""
        return tuple(z for s in self.sections for z in poly.roots(poly.from_floats(s.numerator)))

    @cached_property
    def poles(self) -> tuple[complex, ...]:
        """Poles in rad/s, by section."""
        return tuple(z for s in self.sections for z in poly.roots(poly.from_floats(s.denominator)))

    @property
    def modes(self) -> tuple[complex, ...]:
        """Natural modes in rad/s: the poles and what cancelled."""
        return (*self.poles, *self.cancelled)

    @property
    def order(self) -> int:
        """Number of poles."""
        return sum(s.order for s in self.sections)

    @property
    def excess(self) -> int:
        """Number of poles minus number of zeros: zeros at infinity; negative when improper."""
        return sum(len(s.denominator) - len(s.numerator) for s in self.sections)

    @cached_property
    def exact_numerator(self) -> Poly:
        """Numerator over the monic denominator, gain included, exact and ascending."""
        p = poly.product(poly.from_floats(s.numerator) for s in self.sections)
        return poly.scale(p, poly.exact(self.gain))

    @cached_property
    def exact_denominator(self) -> Poly:
        """Monic denominator, exact and ascending."""
        return poly.product(poly.from_floats(s.denominator) for s in self.sections)

    @property
    def numerator(self) -> tuple[float, ...]:
        """Coefficients in descending powers over the monic denominator, gain included."""
        return poly.to_floats(self.exact_numerator)

    @property
    def denominator(self) -> tuple[float, ...]:
        """Monic denominator in descending powers."""
        return poly.to_floats(self.exact_denominator)

    # -- values ------------------------------------------------------------------------------

    @overload
    def __call__(self, s: complex) -> complex: ...
    @overload
    def __call__(self, s: NDArray[Any]) -> NDArray[np.complex128]: ...
    def __call__(self, s: complex | NDArray[Any]) -> complex | NDArray[np.complex128]:
        """Return H(s) for s in rad/s, a number or an array of any shape; inf at a pole."""
        at = np.asarray(s, dtype=complex)
        value = np.full(at.shape, self.gain, dtype=complex)
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            for section in self.sections:
                value = value * (_horner(section.numerator, at) / _horner(section.denominator, at))
        return value if isinstance(s, np.ndarray) else complex(value)

    def response(self, frequencies_hz: ArrayLike) -> NDArray[np.complex128]:
        """Return H at these frequencies in hertz, an array of the same shape."""
        return self(2j * math.pi * np.asarray(frequencies_hz, dtype=float))

    # -- algebra -----------------------------------------------------------------------------

    def complement(self) -> Transfer:
        """Return 1 - H over the same poles.

        The difference of the polynomials is exact.  A coefficient smaller than the rounding of
        the section coefficients it comes from is taken as zero: 1 - H of a low-pass with gain 1
        has its zero at the origin whatever its corner frequency.
        """
        den, num = self.exact_denominator, self.exact_numerator
        rounding = Fraction(4 * (len(den) + len(num)), 2**53)
        width = max(len(den), len(num))
        d, n = (p + (Fraction(0),) * (width - len(p)) for p in (den, num))
        rest = poly.strip(
            a - b if abs(a - b) > rounding * max(abs(a), abs(b)) else Fraction(0)
            for a, b in zip(d, n, strict=True)
        )
        dens = [poly.from_floats(s.denominator) for s in self.sections]
        return type(self).from_factors([rest], dens, 1, self.cancelled)

    def __mul__(self, other: Transfer | float) -> Transfer:
        """Return the product with another function or a number."""
        if not isinstance(other, Transfer):
            gain = self.gain * float(other)
            return replace(self, gain=gain) if gain else type(self)(0.0, (), self.modes)
        sections = (*self.sections, *other.sections)
        return type(self).from_factors(
            [poly.from_floats(s.numerator) for s in sections],
            [poly.from_floats(s.denominator) for s in sections],
            poly.exact(self.gain) * poly.exact(other.gain),
            (*self.cancelled, *other.cancelled),
        )

    __rmul__ = __mul__

    def __neg__(self) -> Transfer:
        return replace(self, gain=-self.gain)

    def scaled_frequency(self, k: float) -> Transfer:
        """Return H(s/k): every pole and zero times k > 0."""
        if not (math.isfinite(k) and k > 0):
            raise TargetError(f"the frequency factor {k} must be positive and finite")
        factor = poly.exact(float(k))
        try:
            sections = tuple(
                Section(_stretched(s.numerator, factor), _stretched(s.denominator, factor))
                for s in self.sections
            )
            gain = float(poly.exact(self.gain) * factor**self.excess)
        except OverflowError:
            raise _beyond_range() from None
        return type(self)(gain, sections, tuple(z * k for z in self.cancelled))

    def mirrored(self, w0: float) -> Transfer:
        """Return H(w0^2/s), w0 > 0 in rad/s: low frequencies and high ones interchanged."""
        if not (math.isfinite(w0) and w0 > 0):
            raise TargetError(f"the reference frequency {w0} must be positive and finite")
        square = poly.exact(float(w0)) ** 2
        num: list[Poly] = []
        den: list[Poly] = []
        for s in self.sections:
            num.append(_reflected(s.numerator, square))
            den.append(_reflected(s.denominator, square))
            excess = len(s.denominator) - len(s.numerator)
            (num if excess > 0 else den).extend([poly.S] * abs(excess))
        gone = tuple(w0 * w0 / z for z in self.cancelled if z)
        return type(self).from_factors(num, den, self.gain, gone)

    # -- the forms scipy takes ---------------------------------------------------------------

    def zpk(self) -> tuple[NDArray[np.complex128], NDArray[np.complex128], float]:
        """Return zeros, poles (rad/s) and gain as scipy's zpk."""
        return np.array(self.zeros, dtype=complex), np.array(self.poles, dtype=complex), self.gain

    def tf(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return numerator and denominator in descending powers as scipy's (b, a)."""
        return np.array(self.numerator), np.array(self.denominator)

    def sos(self) -> NDArray[np.float64]:
        """Return analog sections as rows b0 b1 b2 a0 a1 a2, the gain in the first row.

        A section of lower degree has zeros in front, as scipy's analog sections do.
        """
        sections = self.sections or (Section((1.0,), (1.0,)),)
        rows = np.zeros((len(sections), 6))
        for row, s in zip(rows, sections, strict=True):
            row[3 - len(s.numerator) : 3] = s.numerator
            row[6 - len(s.denominator) :] = s.denominator
        rows[0, :3] *= self.gain
        return rows

    def __str__(self) -> str:
        num = [f"{self.gain:.6g}", *(polynomial_text(s.numerator) for s in self.sections)]
        return fraction_text(num, [polynomial_text(s.denominator) for s in self.sections])

    def __repr__(self) -> str:
        return f"<Transfer {self}>"

    def _repr_latex_(self) -> str | None:
        return shown(self, "latex")


# -- helpers -------------------------------------------------------------------------------------


def _beyond_range() -> TargetError:
    return TargetError(
        "a coefficient is beyond the range of floating-point numbers; choose another unit for s"
    )


def _horner(coefficients: Sequence[float], s: NDArray[np.complex128]) -> NDArray[np.complex128]:
    value = np.ones_like(s)
    for c in coefficients[1:]:
        value = value * s + c
    return value


def _stretched(coefficients: Sequence[float], factor: Fraction) -> tuple[float, ...]:
    return tuple(float(poly.exact(c) * factor**k) for k, c in enumerate(coefficients))


def _reflected(coefficients: Sequence[float], square: Fraction) -> Poly:
    """Return s^n p(square/s) for p of degree n."""
    return poly.strip(
        poly.exact(c) * square ** (len(coefficients) - 1 - k) for k, c in enumerate(coefficients)
    )
