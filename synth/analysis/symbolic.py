"""From the admittance ring to formulas in the part names: R, C, L, D and s.

A factor in the ring holds admittances (1/R, s*C, 1/(s*L), s**2*D).  Here each factor is cleared
of its inverse parts and of the monomial common to all its terms; what was taken out is gathered
in one monomial that multiplies the whole ratio.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import gcd
from typing import Any, NamedTuple

from synth.analysis.loop import Factors
from synth.analysis.ring import Coefficient, Poly
from synth.network.model import Branch

#: One term of a cleared polynomial: power of s, part names, coefficient.
Term = tuple[int, tuple[str, ...], Fraction]


class Style(NamedTuple):
    """How names, powers and products are written; sums always as ``a + b`` with spaces."""

    name: Callable[[str], str]
    power: Callable[[str, int], str]
    times: str


PLAIN = Style(str, lambda base, k: f"{base}^{k}", "*")


@dataclass(frozen=True)
class Formula:
    """A ratio of products in part names.

    Parameters
    ----------
    coefficient : Fraction
        Number in front.
    monomial : tuple of (str, int)
        Part names and ``s`` with their net powers, numerator positive.
    numerator, denominator : tuples of tuples of Term
        The factors that are sums.
    """

    coefficient: Fraction
    monomial: tuple[tuple[str, int], ...]
    numerator: tuple[tuple[Term, ...], ...]
    denominator: tuple[tuple[Term, ...], ...]

    @property
    def numerator_factors(self) -> tuple[str, ...]:
        """Texts whose product is the numerator."""
        return self.factors(1, PLAIN)

    @property
    def denominator_factors(self) -> tuple[str, ...]:
        """Texts whose product is the denominator."""
        return self.factors(-1, PLAIN)

    def factors(self, side: int, style: Style) -> tuple[str, ...]:
        """Texts whose product is the numerator (side 1) or the denominator (side -1)."""
        if side == 1:
            return _texts(self.coefficient.numerator, self.monomial, 1, self.numerator, style)
        return _texts(self.coefficient.denominator, self.monomial, -1, self.denominator, style)

    def side(self, side: int, style: Style) -> str:
        """Return the numerator (side 1) or the denominator (side -1) as one text."""
        factors = self.factors(side, style)
        text = _joined(factors, style)
        if factors[0] == "-1" and len(factors) > 1:
            text = "-" + text.removeprefix(f"-1{style.times}")
        return text

    def __str__(self) -> str:
        top, bottom = self.side(1, PLAIN), self.side(-1, PLAIN)
        if bottom == "1":
            return top
        if len(self.numerator_factors) == 1 and " " in top:
            top = f"({top})"
        return f"{top}/{bottom}" if bottom.isalnum() else f"{top}/({bottom})"


def formula(numerator: Factors | None, denominator: Factors, branches: Sequence[Branch]) -> Formula:
    """Write numerator/denominator, as given by a loop, in the part names.

    Parameters
    ----------
    numerator : factors or None
        None stands for zero.
    denominator : factors
    branches : sequence of Branch
        In the order of the ring's variables.
    """
    if numerator is None:
        return Formula(Fraction(0), (), (), ())
    powers: dict[str, int] = {}
    coefficient = Fraction(1)
    sides: list[list[tuple[Term, ...]]] = [[], []]
    for side, factors in ((1, numerator), (-1, denominator)):
        for poly in factors:
            c, taken, terms = _cleared(poly, branches)
            coefficient = coefficient * c if side == 1 else coefficient / c
            for name, power in taken.items():
                powers[name] = powers.get(name, 0) + side * power
            if len(terms) > 1:
                sides[0 if side == 1 else 1].append(terms)
    for terms in list(sides[0]):
        if terms in sides[1]:
            sides[0].remove(terms)
            sides[1].remove(terms)
    monomial = tuple((n, p) for n, p in sorted(powers.items()) if p)
    return Formula(coefficient, monomial, tuple(sides[0]), tuple(sides[1]))


def _cleared(
    poly: Poly, branches: Sequence[Branch]
) -> tuple[Fraction, dict[str, int], tuple[Term, ...]]:
    """Split a ring polynomial into a number, a common monomial and cleared terms."""
    taken, (terms,) = _without_monomial([poly], branches)
    content = _content([c for _, _, c in terms])
    if _lowest_sign(terms) < 0:
        content = -content
    return content, taken, tuple((k, p, c / content) for k, p, c in terms)


def cleared_together(
    polys: Sequence[Poly], branches: Sequence[Branch]
) -> tuple[tuple[Term, ...], ...]:
    """Write ring polynomials in part names, all divided by one monomial and one number.

    The last polynomial, a denominator, decides the number: its lowest power of s is positive
    where its terms agree, and all coefficients of all polynomials are whole, without a common
    factor.  The polynomials may be zero, but not all of them.
    """
    _, cleared = _without_monomial(polys, branches)
    content = _content([c for terms in cleared for _, _, c in terms])
    if _lowest_sign(cleared[-1]) < 0:
        content = -content
    return tuple(tuple((k, p, c / content) for k, p, c in terms) for terms in cleared)


def _without_monomial(
    polys: Sequence[Poly], branches: Sequence[Branch]
) -> tuple[dict[str, int], list[list[Term]]]:
    """Take the largest monomial that all terms of all polynomials share out of them."""
    rows: list[list[tuple[dict[str, int], Coefficient]]] = []
    for poly in polys:
        rows.append([])
        for mask, c in poly.items():
            powers = {"s": 0}
            rest = mask
            while rest:
                low = rest & -rest
                b = branches[low.bit_length() - 1]
                powers[b.name] = 1 if b.power > 0 else -1
                powers["s"] += b.power
                rest ^= low
            rows[-1].append((powers, c))
    every = [p for row in rows for p, _ in row]
    names: set[str] = set().union(*every)
    taken = {n: min(p.get(n, 0) for p in every) for n in names}
    found = []
    for row in rows:
        terms = []
        for powers, c in row:
            left = {n: powers.get(n, 0) - taken[n] for n in names}
            parts = tuple(sorted(n for n, k in left.items() if k and n != "s"))
            terms.append((left.get("s", 0), parts, Fraction(c)))
        terms.sort(key=lambda t: (-t[0], t[1]))
        found.append(terms)
    return taken, found


def _lowest_sign(terms: Sequence[Term]) -> int:
    """Return the sign of the lowest power of s whose terms agree; 1 when none does."""
    for power in sorted({k for k, _, _ in terms}):
        signs = {c > 0 for k, _, c in terms if k == power}
        if len(signs) == 1:
            return 1 if signs.pop() else -1
    return 1


def _content(coefficients: Sequence[Fraction]) -> Fraction:
    top = gcd(*(c.numerator for c in coefficients))
    bottom = 1
    for c in coefficients:
        bottom = bottom * c.denominator // gcd(bottom, c.denominator)
    return Fraction(top, bottom)


def _texts(
    number: int,
    monomial: Sequence[tuple[str, int]],
    side: int,
    factors: Sequence[tuple[Term, ...]],
    style: Style,
) -> tuple[str, ...]:
    names = [
        style.name(name) if abs(power) == 1 else style.power(style.name(name), abs(power))
        for name, power in sorted(monomial, key=lambda x: x[0] != "s")
        if power * side > 0
    ]
    texts = [polynomial_text(f, style) for f in factors]
    if names:
        lead = style.times.join(names)
        if number != 1:
            lead = f"-{lead}" if number == -1 else f"{number}{style.times}{lead}"
        return (lead, *texts)
    if number == 1 and texts:
        return tuple(texts)
    return (str(number), *texts)


def polynomial_text(terms: Sequence[Term], style: Style = PLAIN) -> str:
    """Write the terms in descending powers of s, common part names taken out of each power."""
    groups: dict[int, list[Term]] = {}
    for term in terms:
        groups.setdefault(term[0], []).append(term)
    pieces = [_power_text(k, group, style) for k, group in sorted(groups.items(), reverse=True)]
    text = pieces[0]
    for piece in pieces[1:]:
        text += f" - {piece[1:]}" if piece.startswith("-") else f" + {piece}"
    return text


def _power_text(k: int, group: Sequence[Term], style: Style) -> str:
    lead = {0: [], 1: ["s"]}.get(k, [style.power("s", k)])
    common = set(group[0][1]).intersection(*(set(parts) for _, parts, _ in group[1:]))
    sign = ""
    if all(c < 0 for _, _, c in group):
        sign = "-"
        group = [(p, n, -c) for p, n, c in group]
    lead = lead + [style.name(n) for n in sorted(common)]
    inner = ""
    for _, parts, c in sorted(group, key=lambda t: t[2] < 0):
        rest = [style.name(n) for n in parts if n not in common]
        size = abs(c)
        bits = ([str(size)] if size != 1 or not rest else []) + rest
        text = style.times.join(bits)
        inner += (" - " if c < 0 else " + ") + text if inner else ("-" if c < 0 else "") + text
    if len(group) == 1:
        if inner == "1" and lead:
            return sign + style.times.join(lead)
        return sign + style.times.join([*lead, inner] if lead else [inner])
    if lead:
        return sign + style.times.join([*lead, f"({inner})"])
    return f"-({inner})" if sign else inner


def _joined(factors: Sequence[str], style: Style) -> str:
    if len(factors) == 1:
        return factors[0]
    return style.times.join(f"({f})" if " " in f else f for f in factors)


def to_sympy(f: Formula) -> Any:
    """Return the formula as a sympy expression in the part names and ``s``, all positive but s.

    Examples
    --------
    >>> from synth.analysis.loop import analyse
    >>> from synth.network.model import Branch, Network
    >>> rc = Network((Branch("R1", 0, ("in", "out")), Branch("C1", 1, ("out", "0"))))
    >>> loop = analyse(rc)
    >>> to_sympy(formula(loop.transfer(), loop.denominators, rc.branches))
    1/(C1*R1*s + 1)
    """
    import sympy

    def symbol(name: str) -> Any:
        return sympy.Symbol(name) if name == "s" else sympy.Symbol(name, positive=True)

    def rational(c: Fraction) -> Any:
        return sympy.Rational(c.numerator, c.denominator)

    def total(terms: Sequence[Term]) -> Any:
        return sympy.Add(
            *(
                rational(c) * symbol("s") ** k * sympy.Mul(*map(symbol, parts))
                for k, parts, c in terms
            )
        )

    whole = rational(f.coefficient)
    for name, power in f.monomial:
        whole *= symbol(name) ** power
    for factor in f.numerator:
        whole *= total(factor)
    for factor in f.denominator:
        whole /= total(factor)
    return whole
