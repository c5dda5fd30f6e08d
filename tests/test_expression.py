"""The text of H(s): every construct against arithmetic done beside it, and what is refused."""

import ast
import contextlib
import json
import math
import operator
import re
import time
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from synth.errors import ExpressionError
from synth.transfer import polynomial as poly
from synth.transfer.expression import (
    parse,
    polynomial_from_text,
    transfer_from_coefficients,
    transfer_from_text,
)

PUBLISHED = json.loads(
    (Path(__file__).parent / "published" / "published_stages.json").read_text(encoding="utf-8")
)
VALUES = {"s": Fraction(3, 7), "R1": Fraction(11, 5), "C2": Fraction(-2, 9)}


@st.composite
def written(draw, depth=4):
    """Text of an expression and its value, computed here without the parser."""
    shape = draw(st.sampled_from(["number", "name", "+", "-", "*", "/", "^", "-x", "2x", "()()"]))
    if depth == 0 or shape == "number":
        n = draw(st.integers(0, 99))
        return draw(
            st.sampled_from(
                [
                    (str(n), Fraction(n)),
                    (f"{n}e-1", Fraction(n, 10)),
                    (f"{n}.5", n + Fraction(1, 2)),
                ]
            )
        )
    if shape == "name":
        name = draw(st.sampled_from(sorted(VALUES)))
        return name, VALUES[name]
    a, x = draw(written(depth=depth - 1))
    if shape == "-x":
        return f"-({a})", -x
    if shape == "2x":
        return f"2({a})", 2 * x
    if shape == "^":
        n = draw(st.integers(-2, 2))
        if not x:
            n = abs(n)
        sign = draw(st.sampled_from(["^", "**"]))
        return f"({a}){sign}{n}", x**n
    b, y = draw(written(depth=depth - 1))
    if shape == "()()":
        return f"({a})({b})", x * y
    if shape == "/" and not y:
        return a, x
    value = {"+": lambda: x + y, "-": lambda: x - y, "*": lambda: x * y, "/": lambda: x / y}
    return f"({a}) {shape} ({b})", value[shape]()


@settings(max_examples=300, deadline=None)
@given(written())
def test_value_equals_arithmetic_done_beside_it(case):
    text, value = case
    assert parse(text, VALUES).evaluate(VALUES, Fraction) == value


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("2+3*4^2", 50),
        ("-2^2", -4),
        ("8/2/2", 2),
        ("8/2*2", 8),
        ("2-3-4", -5),
        ("--3", 3),
        ("2*-3", -6),
        ("2^(-3)", Fraction(1, 8)),
        (".5 + 1.", Fraction(3, 2)),
        ("1e-3", Fraction(1, 1000)),
        ("sqrt(4/9)", Fraction(2, 3)),
        ("3sqrt(4)", 6),
        ("(1+1)(2+3)", 10),
    ],
)
def test_precedence_is_that_of_mathematics(text, value):
    assert parse(text, ()).evaluate({}, Fraction) == value


def test_constants():
    assert parse("sqrt(2)*pi", ()).evaluate({}, float) == math.sqrt(2) * math.pi


@pytest.mark.parametrize("stage", PUBLISHED, ids=lambda s: s["name"])
def test_every_published_transfer_function_can_be_read(stage):
    """Texts of published_stages.json at unequal parts, against Python's own reading of them."""
    names = names_of(stage)
    values = {n: Fraction(k + 7, k + 3) for k, n in enumerate(sorted(names))}
    found = parse(stage["H"], names).evaluate(values, Fraction)
    assert found == arithmetic(ast.parse(stage["H"], mode="eval").body, values)


def arithmetic(node, values):
    """Value of Python's syntax tree of a text; only the four operations and powers."""
    if isinstance(node, ast.Constant):
        return Fraction(node.value)
    if isinstance(node, ast.Name):
        return values[node.id]
    if isinstance(node, ast.UnaryOp):
        return -arithmetic(node.operand, values)
    operation = {
        ast.Add: operator.add,
        ast.Sub: operator.sub,
        ast.Mult: operator.mul,
        ast.Div: operator.truediv,
        ast.Pow: operator.pow,
    }[type(node.op)]
    return operation(arithmetic(node.left, values), arithmetic(node.right, values))


def names_of(stage):
    return set(re.findall(r"[A-Za-z_]\w*", stage["H"]))


# -- transfer functions --------------------------------------------------------------------------


def test_factors_are_kept():
    """(s+1)^10 expanded in doubles scatters its roots by 3 %; kept as factors they stay at -1."""
    H = transfer_from_text("1/(s+1)^10")
    assert set(H.poles) == {-1}
    H = transfer_from_text("1/((s+1)(s+1.0000001)(s^2+1e-6 s+1))")
    assert sorted(p.real for p in H.poles if not p.imag) == [-1.0000001, -1]


def test_sums_use_the_common_denominator():
    H = transfer_from_text("1/(s+1) + s/(s+1)")
    assert H.gain == 1
    assert not H.sections
    assert transfer_from_text("1 - 1/(s^2+s+1)") == transfer_from_text("(s^2+s)/(s^2+s+1)")


def test_coefficients():
    assert polynomial_from_text("1, 0.2 sqrt(4)") == poly.from_floats([1, 0.2, 2])
    assert transfer_from_coefficients("1 0 1", "1 0.2 1") == transfer_from_text(
        "(s^2+1)/(s^2+0.2s+1)"
    )


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "is empty"),
        ("   ", "is empty"),
        ("1/(s+1", "position 3: this opening parenthesis is never closed"),
        ("s+1)", "position 4: a closing parenthesis"),
        ("1/(s+x)", "position 6: the name 'x' is unknown; the names are s"),
        ("sin(s)", "position 1: the name 'sin' is unknown"),
        ("s 2", "position 3: an operator is missing before '2'"),
        ("s*", "position 3: the expression breaks off"),
        ("*s", "position 1: a number or a name is missing"),
        ("()", "position 2: a number or a name is missing"),
        ("1/0", "position 2: division by zero"),
        ("1/(s-s)", "position 2: division by zero"),
        ("(s-s)^-1", "position 6: division by zero"),
        ("s^1.5", "whole number up to 40"),
        ("s^s", "whole number up to 40"),
        ("s^41", "whole number up to 40"),
        ("s^(1/2)", "position 5: an exponent must be a whole number up to 40; a root is written"),
        ("s^((2)", "position 3: this opening parenthesis is never closed"),
        ("sqrt s", "position 1: sqrt needs a parenthesis"),
        ("s^2^3", "a power of a power needs parentheses"),
        ("1/2s", "position 4: a product without a sign after a division is ambiguous"),
        ("1/(s+1)(s+2)", "position 8: a product without a sign after a division is ambiguous"),
        ("s;1", "position 2: the character ';'"),
        ("sqrt(s)", "sqrt takes a constant"),
        ("sqrt(-1)", "square root of a negative"),
        ("1e999", "beyond 300"),
        ("s^40 * s", "degree of the expression is above 40"),
        ("__import__('os').system('true')", "position 11: |unknown|no meaning"),
        ("(" * 51 + "s" + ")" * 51, "nested more than 50 deep"),
        ("1+" * 1000 + "1", "shorten it to 2000"),
    ],
)
def test_bad_text_gets_one_sentence_with_the_position(text, sentence):
    with pytest.raises(ExpressionError, match=sentence) as caught:
        transfer_from_text(text)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("num", "den", "sentence"),
    [
        ("", "1 1", "no coefficients"),
        ("1 x", "1 1", "coefficient 2, 'x'"),
        ("1", "0 0", "denominator is zero"),
        ("1 " * 60, "1", "too many coefficients"),
        ("1" * 2001, "1", "too many coefficients"),
    ],
)
def test_bad_coefficients(num, den, sentence):
    with pytest.raises(ExpressionError, match=sentence):
        transfer_from_coefficients(num, den)


@pytest.mark.parametrize(
    "text",
    [
        "((((9^40)^40)^40)^40)^40",
        "+".join(f"1/(s+1.{k:03d}23456789)" for k in range(90)),
        "(1e300)^40 s^40",
        "-" * 1990 + "s",
        "(" * 2000,
        "s" * 2000,
        "9" * 2000,
    ],
)
def test_no_text_within_the_limits_takes_long(text):
    started = time.perf_counter()
    with contextlib.suppress(ExpressionError):
        parse(text, {"s"}).evaluate({"s": Fraction(2)}, poly.exact)
    assert time.perf_counter() - started < 1.0
