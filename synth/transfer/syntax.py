"""The syntax tree of a rational expression, and its value in any field.

The tree is frozen data.  `Expression.evaluate` walks it with whatever numbers the caller
brings: fractions, complex numbers, arrays, polynomials, elements of a polynomial ring.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from fractions import Fraction
from typing import Any, NamedTuple, Protocol, Self, TypeVar

from synth.errors import ExpressionError


class Arithmetic(Protocol):
    """What a number needs: the four operations, minus, and whole powers from one up."""

    def __add__(self, other: Any, /) -> Self: ...
    def __mul__(self, other: Any, /) -> Self: ...
    def __truediv__(self, other: Any, /) -> Self: ...
    def __neg__(self) -> Self: ...
    def __pow__(self, other: int, /) -> Any: ...


T = TypeVar("T", bound=Arithmetic)


class Extent(NamedTuple):
    """How large the value of a tree can get.

    ``numerator`` and ``denominator`` bound the total degrees, ``bits`` the length of the
    integers in the coefficients.
    """

    numerator: int
    denominator: int
    bits: int


_OF_A_NAME = Extent(1, 0, 1)


class Number(NamedTuple):
    """A constant: a fraction, or a float where it is irrational (pi, a root)."""

    constant: Fraction | float

    def extent(self) -> Extent:
        """Return bounds on the value."""
        f = Fraction(self.constant)
        return Extent(0, 0, f.numerator.bit_length() + f.denominator.bit_length())

    def names(self) -> set[str]:
        """Return the names that occur."""
        return set()

    def value(self, _: Mapping[str, T], number: Callable[[Fraction | float], T]) -> T:
        """Return the value; see `Expression.evaluate`."""
        return number(self.constant)


class Name(NamedTuple):
    """A variable."""

    name: str

    def extent(self) -> Extent:
        """Return bounds on the value."""
        return _OF_A_NAME

    def names(self) -> set[str]:
        """Return the names that occur."""
        return {self.name}

    def value(self, values: Mapping[str, T], _: Callable[[Fraction | float], T]) -> T:
        """Return the value; see `Expression.evaluate`."""
        if self.name not in values:
            raise ExpressionError(f"{self.name} has no value; give one for every name")
        return values[self.name]


class Negative(NamedTuple):
    """Minus the operand."""

    operand: Node

    def extent(self) -> Extent:
        """Return bounds on the value."""
        return self.operand.extent()

    def names(self) -> set[str]:
        """Return the names that occur."""
        return self.operand.names()

    def value(self, values: Mapping[str, T], number: Callable[[Fraction | float], T]) -> T:
        """Return the value; see `Expression.evaluate`."""
        return -self.operand.value(values, number)


class Sum(NamedTuple):
    """The sum of the terms."""

    terms: tuple[Node, ...]

    def extent(self) -> Extent:
        """Return bounds on the value."""
        num, den, bits = self.terms[0].extent()
        for t in self.terms[1:]:
            n, d, b = t.extent()
            num, den, bits = max(num + d, n + den), den + d, bits + b + 1
        return Extent(num, den, bits)

    def names(self) -> set[str]:
        """Return the names that occur."""
        return set().union(*(t.names() for t in self.terms))

    def value(self, values: Mapping[str, T], number: Callable[[Fraction | float], T]) -> T:
        """Return the value; see `Expression.evaluate`."""
        total = self.terms[0].value(values, number)
        for t in self.terms[1:]:
            total = total + t.value(values, number)
        return total


class Divisor(NamedTuple):
    """What a product is divided by, and where in the text."""

    node: Node
    position: int


class Product(NamedTuple):
    """The product of the factors, divided by each of the divisors."""

    factors: tuple[Node, ...]
    divisors: tuple[Divisor, ...] = ()

    def extent(self) -> Extent:
        """Return bounds on the value."""
        num, den, bits = 0, 0, 0
        for f in self.factors:
            n, d, b = f.extent()
            num, den, bits = num + n, den + d, bits + b
        for divisor in self.divisors:
            n, d, b = divisor.node.extent()
            num, den, bits = num + d, den + n, bits + b
        return Extent(num, den, bits)

    def names(self) -> set[str]:
        """Return the names that occur."""
        nodes = (*self.factors, *(d.node for d in self.divisors))
        return set().union(*(node.names() for node in nodes))

    def value(self, values: Mapping[str, T], number: Callable[[Fraction | float], T]) -> T:
        """Return the value; see `Expression.evaluate`."""
        result = self.factors[0].value(values, number)
        for f in self.factors[1:]:
            result = result * f.value(values, number)
        for d in self.divisors:
            result = _quotient(result, d.node.value(values, number), d.position)
        return result


class Power(NamedTuple):
    """The base to a whole exponent, which may be negative."""

    base: Node
    exponent: int
    position: int

    def extent(self) -> Extent:
        """Return bounds on the value."""
        n = abs(self.exponent)
        num, den, bits = (n * x for x in self.base.extent())
        return Extent(num, den, bits) if self.exponent >= 0 else Extent(den, num, bits)

    def names(self) -> set[str]:
        """Return the names that occur."""
        return self.base.names()

    def value(self, values: Mapping[str, T], number: Callable[[Fraction | float], T]) -> T:
        """Return the value; see `Expression.evaluate`."""
        if self.exponent == 0:
            return number(Fraction(1))
        raised: T = self.base.value(values, number) ** abs(self.exponent)
        return (
            raised if self.exponent > 0 else _quotient(number(Fraction(1)), raised, self.position)
        )


Node = Number | Name | Negative | Sum | Product | Power


class Expression(NamedTuple):
    """A rational expression that has been read.

    Parameters
    ----------
    text : str
        What was read.
    tree : Node
        Its syntax tree.
    """

    text: str
    tree: Node

    @property
    def names(self) -> frozenset[str]:
        """The names that occur."""
        return frozenset(self.tree.names())

    def evaluate(self, values: Mapping[str, T], number: Callable[[Fraction | float], T]) -> T:
        """Return the value.

        Parameters
        ----------
        values : mapping of str to T
            A value for each name.
        number : callable
            Turns a constant into a T: a fraction where the text gives the number exactly, a
            float for pi and for a square root that is irrational.

        Returns
        -------
        T
            Whatever kind of number the caller brought.

        Raises
        ------
        ExpressionError
            If a name has no value, or something is divided by zero.
        """
        return self.tree.value(values, number)

    def __str__(self) -> str:
        return self.text


def division_by_zero(position: int) -> ExpressionError:
    """Return the error for a division by zero at this position."""
    return ExpressionError(
        f"expression, position {position}: division by zero; give a denominator that is not zero"
    )


def _quotient(a: T, b: T, position: int) -> T:
    try:
        return a / b
    except ZeroDivisionError:
        raise division_by_zero(position) from None
