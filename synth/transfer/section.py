"""Sections of first and second order, what their poles are called by, and how they print."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from synth.errors import TargetError
from synth.transfer.pairing import quality
from synth.transfer.polynomial import from_floats


class Figures(NamedTuple):
    """What a section's poles are called by: ``w0`` in rad/s and ``q``, None at first order."""

    w0: float
    q: float | None


@dataclass(frozen=True)
class Section:
    """A monic numerator over a monic denominator, each of degree two at most.

    Parameters
    ----------
    numerator, denominator : tuple of float
        Coefficients in descending powers of s (rad/s), the first one 1.

    Raises
    ------
    TargetError
        If a polynomial is not monic, of degree above two, or not finite.
    """

    numerator: tuple[float, ...]
    denominator: tuple[float, ...]

    def __post_init__(self) -> None:
        for name, p in (("numerator", self.numerator), ("denominator", self.denominator)):
            if not 1 <= len(p) <= 3 or p[0] != 1 or not all(map(math.isfinite, p)):
                raise TargetError(
                    f"the {name} {p} of a section is not a finite monic polynomial of degree "
                    "two at most; divide by its leading coefficient and split it"
                )

    @property
    def order(self) -> int:
        """Degree of the denominator."""
        return len(self.denominator) - 1

    def __str__(self) -> str:
        return fraction_text([polynomial_text(self.numerator)], [polynomial_text(self.denominator)])


def section_figures(section: Section) -> Figures:
    """Return frequency and Q of a section's poles.

    Parameters
    ----------
    section : Section
        Its denominator is s + w0, or s^2 + (w0/Q) s + w0^2.

    Returns
    -------
    Figures
        ``w0`` in rad/s (0 without poles), ``q`` None below second order, inf for poles on the
        imaginary axis, negative for poles right of it, 0 for real poles of opposite sign.
    """
    den = section.denominator
    if section.order < 2:
        return Figures(abs(den[1]) if section.order else 0.0, None)
    return Figures(math.sqrt(abs(den[2])), quality(from_floats(den)))


def fraction_text(numerators: Sequence[str], denominators: Sequence[str]) -> str:
    """Return a product of factors over another as text; factors that are 1 are left out."""
    num = [f for f in numerators if f != "1"] or ["1"]
    den = [f for f in denominators if f != "1"]
    over = " ".join(den) if len(den) < 2 else f"({' '.join(den)})"
    return " ".join(num) + (f" / {over}" if den else "")


def polynomial_text(coefficients: Sequence[float]) -> str:
    """Return a polynomial in descending powers as text, in parentheses when it has a sum."""
    n = len(coefficients) - 1
    text = ""
    for k, c in enumerate(coefficients):
        if not c and n:
            continue
        variable = {0: "", 1: "s"}.get(n - k, f"s^{n - k}")
        size = "" if abs(c) == 1 and variable else f"{abs(c):.6g}"
        sign = ("-" if c < 0 else "") if not text else (" - " if c < 0 else " + ")
        text += sign + " ".join(filter(None, (size, variable)))
    return f"({text})" if " + " in text or " - " in text else text
