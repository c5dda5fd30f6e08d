"""Formulas for readers, in plain text and in LaTeX side by side.

No LaTeX made here holds ``$`` or ``|``: it can stand between dollar signs and in a table.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import NamedTuple

from synth.analysis.symbolic import PLAIN, Formula, Style, Term, polynomial_text
from synth.report.layout import printable

#: A formula longer than this in plain text is only in the JSON answer.
LONGEST = 700


class Math(NamedTuple):
    """One formula in both forms."""

    plain: str
    latex: str


_CHARACTERS = {
    "\\": r"\backslash{}",
    "{": r"\{",
    "}": r"\}",
    "_": r"\_",
    "%": r"\%",
    "&": r"\&",
    "#": r"\#",
    "$": r"\char36{}",
    "^": r"\char94{}",
    "~": r"\char126{}",
    "|": r"\vert{}",
    "<": r"\lt{}",
    ">": r"\gt{}",
    "`": r"\char96{}",
    "*": r"\ast{}",
    " ": "~",
}


def escaped(text: str) -> str:
    """Return text that may stand in LaTeX mathematics in place of a name."""
    return "".join(_CHARACTERS.get(c, c) for c in printable(text))


def _upright(name: str) -> str:
    return name if name == "s" else rf"\mathrm{{{escaped(name)}}}"


LATEX = Style(_upright, lambda base, k: f"{base}^{{{k}}}", r"\,")


def symbol(letter: str, index: str = "", argument: str = "") -> Math:
    """Return a letter with an index, as T of a terminal; `argument` as in H(s)."""
    plain = f"{letter}_{printable(index)}" if index else letter
    latex = f"{letter}_{{{_upright(index)}}}" if index else letter
    after = f"({argument})" if argument else ""
    return Math(plain + after, latex + after)


def word(text: str) -> Math:
    """Return a name as it stands."""
    return Math(printable(text), _upright(text))


def raw(plain: str, latex: str | None = None) -> Math:
    """Return a formula of our own making; the LaTeX is by default the plain text."""
    return Math(plain, plain if latex is None else latex)


def fraction(symbolic: Formula) -> Math:
    """Return a formula in part names."""
    top, bottom = symbolic.side(1, LATEX), symbolic.side(-1, LATEX)
    if bottom == "1":
        latex = top
    elif top.startswith("-") and " " not in top:
        latex = rf"-\frac{{{top[1:]}}}{{{bottom}}}"
    else:
        latex = rf"\frac{{{top}}}{{{bottom}}}"
    return _limited(Math(printable(str(symbolic)), latex))


def terms(cleared: Sequence[Term]) -> Math:
    """Return a polynomial in part names; 0 when it has no term."""
    if not cleared:
        return raw("0")
    return _limited(
        Math(printable(polynomial_text(cleared, PLAIN)), polynomial_text(cleared, LATEX))
    )


def _limited(formula: Math) -> Math:
    if len(formula.plain) <= LONGEST:
        return formula
    count = len(formula.plain)
    return Math(
        f"(a formula of {count} characters; --json has it)",
        rf"\text{{(a formula of {count} characters; --json has it)}}",
    )


def number(value: float, digits: int = 6) -> Math:
    """Return a real number."""
    plain = f"{value:.{digits}g}"
    mantissa, e, exponent = plain.partition("e")
    if not e:
        return raw(plain.replace("inf", "infinite"), plain.replace("inf", r"\infty"))
    return Math(plain, rf"{mantissa} \cdot 10^{{{int(exponent)}}}")


def complex_number(value: complex, digits: int = 5) -> Math:
    """Return a complex number; parts below rounding of the other are left out."""
    size = abs(value)
    real, imaginary = (0.0 if abs(x) < 1e-12 * size else x for x in (value.real, value.imag))
    a, b = number(real, digits), number(abs(imaginary), digits)
    if not imaginary:
        return a
    sign = "-" if imaginary < 0 else "+"
    if not real:
        lead = "-" if imaginary < 0 else ""
        return Math(f"{lead}j{b.plain}", rf"{lead}\mathrm{{j}}\,{b.latex}")
    return Math(f"{a.plain} {sign} j{b.plain}", rf"{a.latex} {sign} \mathrm{{j}}\,{b.latex}")


def polynomial(coefficients: Sequence[float]) -> Math:
    """Return a polynomial in s with numbers, from descending powers."""
    return Math(
        _polynomial(coefficients, PLAIN, lambda m: m.plain),
        _polynomial(coefficients, LATEX, lambda m: m.latex),
    )


def _polynomial(coefficients: Sequence[float], style: Style, form: Callable[[Math], str]) -> str:
    n = len(coefficients) - 1
    text = ""
    for k, c in enumerate(coefficients):
        if not c and (n or text):
            continue
        power = n - k
        variable = {0: "", 1: "s"}.get(power, style.power("s", power))
        size = "" if abs(c) == 1 and variable else form(number(abs(c)))
        sign = ("-" if c < 0 else "") if not text else (" - " if c < 0 else " + ")
        text += sign + style.times.join(x for x in (size, variable) if x)
    return text or "0"


def ratio(top: Sequence[float], bottom: Sequence[float]) -> Math:
    """Return a ratio of polynomials with numbers, from descending powers."""
    a, b = polynomial(top), polynomial(bottom)
    if b.plain == "1":
        return a
    above = f"({a.plain})" if " " in a.plain else a.plain
    return Math(f"{above} / ({b.plain})", rf"\frac{{{a.latex}}}{{{b.latex}}}")


def equal(*sides: Math) -> Math:
    """Return ``a = b = c``."""
    return joined(sides, " = ")


def total(items: Iterable[Math]) -> Math:
    """Return ``a + b + c``; 0 for nothing; an item that begins with a minus is subtracted."""
    plain = latex = ""
    for item in items:
        if not plain:
            plain, latex = item
        elif item.plain.startswith("-") and " " not in item.plain:
            plain, latex = f"{plain} - {item.plain[1:]}", f"{latex} - {item.latex[1:]}"
        else:
            shown = grouped(item) if item.plain.startswith("-") else item
            plain, latex = f"{plain} + {shown.plain}", f"{latex} + {shown.latex}"
    return Math(plain, latex) if plain else raw("0")


def joined(items: Iterable[Math], sign: str) -> Math:
    """Return the items with a sign between them that is the same in both forms."""
    found = list(items)
    return Math(sign.join(m.plain for m in found), sign.join(m.latex for m in found))


def less(number: int, items: Iterable[Math]) -> Math:
    """Return ``number - a - b``, a number that is 0 left out."""
    found = [*items]
    if number:
        return joined([raw(str(number)), *found], " - ")
    rest = joined(found, " - ")
    return Math(f"-{rest.plain}", f"-{rest.latex}") if found else raw("0")


def grouped(item: Math) -> Math:
    """Return the item in parentheses where it is a sum."""
    if " " not in item.plain:
        return item
    return Math(f"({item.plain})", rf"\left({item.latex}\right)")


def magnitude(item: Math) -> Math:
    """Return ``|item|``."""
    return Math(f"|{item.plain}|", rf"\lvert {item.latex} \rvert")
