"""The syntax tree of a rational expression, and its value in any field.

The tree is frozen data.  `Expression.evaluate` walks it with whatever numbers the caller
brings: fractions, complex numbers, arrays, polynomials, elements of a polynomial ring.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
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


@dataclass(frozen=True)
class Number:
    """A constant: a fraction, or a float where it is irrational (pi, a root)."""

    value: Fraction | float

    @cached_property
    def extent(self) -> Extent:
        """Bounds on the value."""
        f = Fraction(self.value)
        return Extent(0, 0, f.numerator.bit_length() + f.denominator.bit_length())


@dataclass(frozen=True)
class Name:
    """A variable."""

    name: str

    @cached_property
    def extent(self) -> Extent:
        """Bounds on the value."""
        return Extent(1, 0, 1)


@dataclass(frozen=True)
class Negative:
    """Minus the operand."""

    operand: Node

    @cached_property
    def extent(self) -> Extent:
        """Bounds on the value."""
        return self.operand.extent


@dataclass(frozen=True)
class Sum:
    """The sum of the terms."""

    terms: tuple[Node, ...]

    @cached_property
    def extent(self) -> Extent:
        """Bounds on the value."""
        num, den, bits = self.terms[0].extent
        for t in self.terms[1:]:
            n, d, b = t.extent
            num, den, bits = max(num + d, n + den), den + d, bits + b + 1
        return Extent(num, den, bits)


class Divisor(NamedTuple):
    """What a product is divided by, and where in the text."""

    node: Node
    position: int


@dataclass(frozen=True)
class Product:
    """The product of the factors, divided by each of the divisors."""

    factors: tuple[Node, ...]
    divisors: tuple[Divisor, ...] = ()

    @cached_property
    def extent(self) -> Extent:
        """Bounds on the value."""
        above = [f.extent for f in self.factors]
        below = [d.node.extent for d in self.divisors]
        return Extent(
            sum(e.numerator for e in above) + sum(e.denominator for e in below),
            sum(e.denominator for e in above) + sum(e.numerator for e in below),
            sum(e.bits for e in (*above, *below)),
        )


@dataclass(frozen=True)
class Power:
    """The base to a whole exponent, which may be negative."""

    base: Node
    exponent: int
    position: int

    @cached_property
    def extent(self) -> Extent:
        """Bounds on the value."""
        n = abs(self.exponent)
        num, den, bits = (n * x for x in self.base.extent)
        return Extent(num, den, bits) if self.exponent >= 0 else Extent(den, num, bits)


Node = Number | Name | Negative | Sum | Product | Power


@dataclass(frozen=True)
class Expression:
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
        return frozenset(_names(self.tree))

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
        return _value(self.tree, values, number)

    def __str__(self) -> str:
        return self.text


def division_by_zero(position: int) -> ExpressionError:
    """Return the error for a division by zero at this position."""
    return ExpressionError(
        f"expression, position {position}: division by zero; give a denominator that is not zero"
    )


def _names(node: Node) -> set[str]:
    match node:
        case Name(name):
            return {name}
        case Negative(operand):
            return _names(operand)
        case Power(base=base):
            return _names(base)
        case Sum(terms):
            return set().union(*map(_names, terms))
        case Product(factors, divisors):
            return set().union(*map(_names, factors), *(_names(d.node) for d in divisors))
        case Number():
            return set()


def _value(node: Node, values: Mapping[str, T], number: Callable[[Fraction | float], T]) -> T:
    match node:
        case Number(constant):
            return number(constant)
        case Name(name):
            if name not in values:
                raise ExpressionError(f"{name} has no value; give one for every name")
            return values[name]
        case Negative(operand):
            return -_value(operand, values, number)
        case Sum(terms):
            total = _value(terms[0], values, number)
            for t in terms[1:]:
                total = total + _value(t, values, number)
            return total
        case Product(factors, divisors):
            result = _value(factors[0], values, number)
            for f in factors[1:]:
                result = result * _value(f, values, number)
            for d in divisors:
                result = _quotient(result, _value(d.node, values, number), d.position)
            return result
        case Power(base, exponent, position):
            if exponent == 0:
                return number(Fraction(1))
            raised: T = _value(base, values, number) ** abs(exponent)
            return raised if exponent > 0 else _quotient(number(Fraction(1)), raised, position)


def _quotient(a: T, b: T, position: int) -> T:
    try:
        return a / b
    except ZeroDivisionError:
        raise division_by_zero(position) from None
