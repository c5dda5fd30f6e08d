"""Text of rational expressions, read by a small grammar and never evaluated by Python.

::

    sum      = term { ("+" | "-") term }
    term     = factor { "*" factor | "/" factor | power }         a power without a sign before
                                                                  it multiplies: 2s, (s+1)(s+2)
    factor   = { "+" | "-" } power
    power    = atom [ ("^" | "**") exponent ]
    exponent = [ "-" ] digits | "(" exponent ")"
    atom     = number | name | "pi" | "sqrt" "(" sum of constants ")" | "(" sum ")"

A product without a sign after a division, as in ``1/2s`` or ``1/(s+1)(s+2)``, is refused: it is
read both ways in print.  Limits on the length of the text, the depth of parentheses, exponents,
degree and size of numbers keep the work bounded.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from fractions import Fraction
from functools import lru_cache

from synth.errors import ExpressionError
from synth.transfer import polynomial as poly
from synth.transfer.syntax import (
    Divisor,
    Expression,
    Name,
    Negative,
    Node,
    Number,
    Power,
    Product,
    Sum,
)

MAX_LENGTH = 2000
MAX_NESTING = 50
MAX_EXPONENT = 40
MAX_DEGREE = 40
#: Bits of all numbers of an expression together, powers multiplied out.
MAX_BITS = 50_000
#: Decimal exponents of a number lie between plus and minus this.
MAX_DECIMAL = 300

_TOKEN = re.compile(
    r"(?P<number>(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)"
    r"|(?P<name>[A-Za-z_][A-Za-z_0-9]*)"
    r"|(?P<sign>\*\*|[-+*/^()])"
    r"|(?P<end>\Z)",
    re.ASCII,
)


#: Its ``lastgroup`` is the kind; the last one is the empty token at the end.
_Token = re.Match[str]


def parse(text: str, names: Iterable[str] = ("s",)) -> Expression:
    """Read a rational expression.

    Parameters
    ----------
    text : str
        At most 2000 characters in the grammar above; ``pi`` and ``sqrt`` are known.
    names : iterable of str
        The variables it may contain.

    Returns
    -------
    Expression

    Raises
    ------
    ExpressionError
        If the text is not in the grammar or beyond its limits; the sentence gives the position,
        counted from 1.

    Examples
    --------
    >>> half = parse("1/(1 + s R1 C1)", {"s", "R1", "C1"})
    >>> half.evaluate({"s": 1j, "R1": 2.0, "C1": 0.5}, float)
    (0.5-0.5j)
    """
    if len(text) > MAX_LENGTH:
        raise ExpressionError(
            f"the expression has {len(text)} characters; shorten it to {MAX_LENGTH} at most"
        )
    if not text.strip():
        raise ExpressionError("the expression is empty; write one, for example 1/(s + 1)")
    return Expression(text, _Parser(_tokens(text), frozenset(names)).read())


def _tokens(text: str) -> list[_Token]:
    found, at = [], 0
    for match in _TOKEN.finditer(text):
        if match.start() > at:
            _require_blank(text, at, match.start())
        at = match.end()
        found.append(match)
    return found


def _require_blank(text: str, start: int, end: int) -> None:
    """Raise ExpressionError for the first character between two tokens that is no blank."""
    for at in range(start, end):
        if not text[at].isspace():
            raise _error(at + 1, f"the character {text[at]!r} has no meaning here; remove it")


def _position(token: _Token) -> int:
    return token.start() + 1


def _error(position: int, what: str) -> ExpressionError:
    return ExpressionError(f"expression, position {position}: {what}")


class _Parser:
    """Recursive descent over the tokens; one method a rule of the grammar."""

    def __init__(self, tokens: list[_Token], names: frozenset[str]) -> None:
        self._rest = iter(tokens)
        self._names = names
        self._depth = 0
        self._next = next(self._rest)
        self._kind, self._text = self._next.lastgroup, self._next.group()

    def _take(self) -> _Token:
        token = self._next
        self._next = following = next(self._rest, token)  # the end stays
        self._kind, self._text = following.lastgroup, following.group()
        return token

    def read(self) -> Node:
        tree = self._sum()
        if self._text == ")":
            raise _error(
                _position(self._next), "a closing parenthesis has no opening one; remove it"
            )
        if self._kind != "end":
            raise _error(
                _position(self._next),
                f"an operator is missing before {self._text!r}; write * or + there",
            )
        return _bounded(tree)

    def _sum(self) -> Node:
        terms = [self._term()]
        while self._text in ("+", "-"):
            minus = self._take().group() == "-"
            term = self._term()
            terms.append(Negative(term) if minus else term)
        return terms[0] if len(terms) == 1 else Sum(tuple(terms))

    def _term(self) -> Node:
        factors: list[Node] = [self._factor()]
        divisors: list[Divisor] = []
        divided = False  # whether the last sign was a division
        while True:
            sign = self._text
            if sign == "*":
                self._take()
                factors.append(self._factor())
            elif sign == "/":
                token = self._take()
                divisors.append(Divisor(self._factor(), _position(token)))
            elif self._kind == "name" or sign == "(":
                if divided:
                    raise _error(
                        _position(self._next),
                        "a product without a sign after a division is ambiguous; write * or put "
                        "the denominator in parentheses",
                    )
                factors.append(self._power())
            else:
                break
            divided = sign == "/"
        if len(factors) == 1 and not divisors:
            return factors[0]
        return Product(tuple(factors), tuple(divisors))

    def _factor(self) -> Node:
        minus = False
        while self._text in ("+", "-"):
            minus ^= self._take().group() == "-"
        node = self._power()
        return Negative(node) if minus else node

    def _power(self) -> Node:
        base = self._atom()
        if self._text not in ("^", "**"):
            return base
        sign = self._take()
        exponent = self._exponent()
        if self._text in ("^", "**"):
            raise _error(
                _position(self._next), "a power of a power needs parentheses; write (s^2)^3"
            )
        return Power(base, exponent, _position(sign))

    def _exponent(self) -> int:
        if self._text == "(":
            opening = self._take()
            self._deeper(opening)
            exponent = self._exponent()
            if self._text not in (")", ""):
                raise self._no_exponent(self._next)
            self._close(opening)
            return exponent
        minus = self._text == "-"
        if minus:
            self._take()
        token = self._take()
        digits = token.group()
        if not digits.isdigit() or len(digits) > 4 or int(digits) > MAX_EXPONENT:
            raise self._no_exponent(token)
        return -int(digits) if minus else int(digits)

    @staticmethod
    def _no_exponent(token: _Token) -> ExpressionError:
        return _error(
            _position(token),
            f"an exponent must be a whole number up to {MAX_EXPONENT}; a root is written sqrt(...)",
        )

    def _atom(self) -> Node:
        kind, text, token = self._kind, self._text, self._take()
        if kind == "name":
            return Name(text) if text in self._names else self._known(token)
        if kind == "number":
            return Number(_number(token))
        if text == "(":
            self._deeper(token)
            inner = self._sum()
            self._close(token)
            return inner
        if kind == "end":
            raise _error(
                _position(token), "the expression breaks off; a number or a name is missing"
            )
        raise _error(_position(token), f"a number or a name is missing before {text!r}")

    def _known(self, token: _Token) -> Node:
        """Return what a name stands for that is no variable."""
        text = token.group()
        if text == "pi":
            return Number(math.pi)
        if text == "sqrt" and self._text == "(":
            opening = self._take()
            self._deeper(opening)
            inner = _bounded(self._sum())
            self._close(opening)
            return Number(_root(Expression("", inner), _position(token)))
        if text == "sqrt":
            raise _error(_position(token), "sqrt needs a parenthesis; write sqrt(...)")
        known = ", ".join(sorted(self._names))
        told = f"the names are {known}, besides" if known else "only numbers are known here, with"
        raise _error(_position(token), f"the name {text!r} is unknown; {told} pi and sqrt(...)")

    def _deeper(self, opening: _Token) -> None:
        self._depth += 1
        if self._depth > MAX_NESTING:
            raise _error(
                _position(opening),
                f"parentheses are nested more than {MAX_NESTING} deep; simplify",
            )

    def _close(self, opening: _Token) -> None:
        if self._text != ")":
            what = "is never closed" if self._kind == "end" else "is not closed in time"
            raise _error(
                _position(opening), f"this opening parenthesis {what}; add the closing one"
            )
        self._take()
        self._depth -= 1


def _bounded(node: Node) -> Node:
    """Return the tree if its value is within the limits; then each part of it that counts is."""
    extent = node.extent()
    if max(extent.numerator, extent.denominator) > MAX_DEGREE:
        raise ExpressionError(
            f"the degree of the expression is above {MAX_DEGREE}; lower its powers"
        )
    if extent.bits > MAX_BITS:
        raise ExpressionError(
            "the numbers of the expression are too long; give them fewer digits or powers"
        )
    return node


def _number(token: _Token) -> Fraction:
    mantissa, _, exponent = token.group().lower().partition("e")
    if exponent and (len(exponent) > 5 or abs(int(exponent)) > MAX_DECIMAL):
        raise _error(
            _position(token), f"the exponent of {token.group()} is beyond {MAX_DECIMAL}; rescale"
        )
    return _plain(mantissa) * Fraction(10) ** int(exponent) if exponent else _plain(mantissa)


@lru_cache(maxsize=256)  # the few small numbers of formulas
def _plain(mantissa: str) -> Fraction:
    return Fraction(mantissa)


def _root(argument: Expression, position: int) -> Fraction | float:
    """Return the square root of a constant, as a fraction when it is one."""
    if argument.names:
        raise _error(
            position,
            f"sqrt takes a constant, not one with {min(argument.names)}; write powers instead",
        )
    value = argument.evaluate({}, poly.exact)
    if value < 0:
        raise _error(position, "the square root of a negative number is not real")
    num, den = math.isqrt(value.numerator), math.isqrt(value.denominator)
    if Fraction(num, den) ** 2 == value:
        return Fraction(num, den)
    try:
        return math.sqrt(value)
    except OverflowError:
        raise _error(position, "the number under the root is too large; rescale") from None
