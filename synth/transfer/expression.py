"""H(s) from text: an expression, or lists of coefficients.

The grammar is in `synth.transfer.grammar`, the tree and its evaluation in
`synth.transfer.syntax`.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from synth.errors import ExpressionError
from synth.transfer import polynomial as poly
from synth.transfer.grammar import MAX_DEGREE, MAX_LENGTH, parse
from synth.transfer.polynomial import Poly
from synth.transfer.syntax import Expression
from synth.transfer.transfer import Transfer

__all__ = [
    "Expression",
    "parse",
    "polynomial_from_text",
    "transfer_from_coefficients",
    "transfer_from_text",
]

_NOT_FINITE = ("nan", "inf", "infinity")


@dataclass(frozen=True)
class _Factored:
    """A rational function of s as lists of polynomials; sums expand only what they must."""

    num: tuple[Poly, ...]
    den: tuple[Poly, ...] = ()

    def __add__(self, other: _Factored) -> _Factored:
        lacks = list(other.den)  # factors of the common denominator this one does not have
        other_lacks = []
        for d in self.den:
            if d in lacks:
                lacks.remove(d)
            else:
                other_lacks.append(d)
        a = poly.product((*self.num, *lacks))
        b = poly.product((*other.num, *other_lacks))
        return _Factored((poly.add(a, b),), (*self.den, *lacks))

    def __mul__(self, other: _Factored) -> _Factored:
        return _Factored((*self.num, *other.num), (*self.den, *other.den))

    def __truediv__(self, other: _Factored) -> _Factored:
        if not all(other.num):
            raise ZeroDivisionError
        return _Factored((*self.num, *other.den), (*self.den, *other.num))

    def __neg__(self) -> _Factored:
        return _Factored((poly.from_floats([-1]), *self.num), self.den)

    def __pow__(self, exponent: int) -> _Factored:
        return _Factored(self.num * exponent, self.den * exponent)


def _constant(x: Fraction | float) -> _Factored:
    return _Factored((poly.from_floats([x]),))


def transfer_from_text(text: str) -> Transfer:
    """Return H(s) from its text; factors written as products are kept, so their roots are exact.

    Raises
    ------
    ExpressionError
        If the text is not a rational expression in s.

    Examples
    --------
    >>> print(transfer_from_text("s^2/((s + 1)(s + 2))"))
    s^2 / (s^2 + 3 s + 2)
    """
    value = parse(text, {"s"}).evaluate({"s": _Factored((poly.S,))}, _constant)
    return Transfer.from_factors(value.num, value.den)


def polynomial_from_text(text: str) -> Poly:
    """Return the polynomial of coefficients in descending powers, separated by blanks or commas.

    A coefficient is a number or a constant expression without blanks, such as ``sqrt(2)``.

    Raises
    ------
    ExpressionError
        If there is none, a coefficient cannot be read, or the degree is above 40.

    Examples
    --------
    >>> polynomial_from_text("1 0.2 1")
    (Fraction(1, 1), Fraction(1, 5), Fraction(1, 1))
    """
    pieces = text[: MAX_LENGTH + 1].replace(",", " ").split()
    if not pieces:
        raise ExpressionError(
            "there are no coefficients; give them in descending powers of s, for example 1 0.2 1"
        )
    if len(text) > MAX_LENGTH or len(pieces) > MAX_DEGREE + 1:
        raise ExpressionError(
            f"there are too many coefficients; the degree goes up to {MAX_DEGREE} and the text "
            f"to {MAX_LENGTH} characters"
        )
    found = []
    for k, piece in enumerate(pieces, start=1):
        try:
            found.append(parse(piece, ()).evaluate({}, poly.exact))
        except ExpressionError as error:
            if piece.lower().lstrip("+-") in _NOT_FINITE:
                raise ExpressionError(
                    f"coefficient {k}: {piece} is not a finite number; give one such as 0.2"
                ) from None
            raise ExpressionError(f"coefficient {k}, {piece!r}: {error}") from None
    return poly.from_floats(found)


def transfer_from_coefficients(numerator: str, denominator: str) -> Transfer:
    """Return H(s) from the texts of its coefficients in descending powers.

    Raises
    ------
    ExpressionError
        If a text cannot be read (see `polynomial_from_text`) or the denominator is zero.

    Examples
    --------
    >>> print(transfer_from_coefficients("1 0 1", "1 0.2 1"))
    (s^2 + 1) / (s^2 + 0.2 s + 1)
    """
    den = polynomial_from_text(denominator)
    if not den:
        raise ExpressionError("the denominator is zero; give one that is not")
    return Transfer.from_polynomials(polynomial_from_text(numerator), den)
