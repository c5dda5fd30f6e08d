"""From the admittance ring to formulas in the part names: R, C, L, D and s.

A factor in the ring holds admittances (1/R, s*C, 1/(s*L), s**2*D).  Here each factor is cleared
of its inverse parts and of the monomial common to all its terms; what was taken out is gathered
in one monomial that multiplies the whole ratio.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import gcd
from typing import Any

from synth.analysis.loop import Factors
from synth.analysis.ring import Coefficient, Poly
from synth.network.model import Branch

#: One term of a cleared polynomial: power of s, part names, coefficient.
Term = tuple[int, tuple[str, ...], Fraction]


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
        return _texts(self.coefficient.numerator, self.monomial, 1, self.numerator)

    @property
    def denominator_factors(self) -> tuple[str, ...]:
        """Texts whose product is the denominator."""
        return _texts(self.coefficient.denominator, self.monomial, -1, self.denominator)

    def __str__(self) -> str:
        top = _joined(self.numerator_factors).removeprefix("-1*")
        top = f"-{top}" if self.numerator_factors[0] == "-1" and len(top) > 2 else top
        bottom = _joined(self.denominator_factors)
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
    rows: list[tuple[dict[str, int], Coefficient]] = []
    for mask, c in poly.items():
        powers = {"s": 0}
        rest = mask
        while rest:
            low = rest & -rest
            b = branches[low.bit_length() - 1]
            powers[b.name] = 1 if b.power > 0 else -1
            powers["s"] += b.power
            rest ^= low
        rows.append((powers, c))
    names = set().union(*(p for p, _ in rows))
    taken = {n: min(p.get(n, 0) for p, _ in rows) for n in names}
    terms = []
    for powers, c in rows:
        left = {n: powers.get(n, 0) - taken[n] for n in names}
        parts = tuple(sorted(n for n, k in left.items() if k and n != "s"))
        terms.append((left.get("s", 0), parts, Fraction(c)))
    terms.sort(key=lambda t: (-t[0], t[1]))
    content = _content([c for _, _, c in terms])
    if _lowest_sign(terms) < 0:
        content = -content
    return content, taken, tuple((k, p, c / content) for k, p, c in terms)


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
    number: int, monomial: Sequence[tuple[str, int]], side: int, factors: Sequence[tuple[Term, ...]]
) -> tuple[str, ...]:
    names = [
        name if abs(power) == 1 else f"{name}^{abs(power)}"
        for name, power in sorted(monomial, key=lambda x: x[0] != "s")
        if power * side > 0
    ]
    texts = [polynomial_text(f) for f in factors]
    if names:
        lead = "*".join(names)
        if number != 1:
            lead = f"-{lead}" if number == -1 else f"{number}*{lead}"
        return (lead, *texts)
    if number == 1 and texts:
        return tuple(texts)
    return (str(number), *texts)


def polynomial_text(terms: Sequence[Term]) -> str:
    """Write the terms in descending powers of s, common part names taken out of each power."""
    groups: dict[int, list[Term]] = {}
    for term in terms:
        groups.setdefault(term[0], []).append(term)
    pieces = [_power_text(k, group) for k, group in sorted(groups.items(), reverse=True)]
    text = pieces[0]
    for piece in pieces[1:]:
        text += f" - {piece[1:]}" if piece.startswith("-") else f" + {piece}"
    return text


def _power_text(k: int, group: Sequence[Term]) -> str:
    lead = {0: [], 1: ["s"]}.get(k, [f"s^{k}"])
    common = set(group[0][1]).intersection(*(set(parts) for _, parts, _ in group[1:]))
    sign = ""
    if all(c < 0 for _, _, c in group):
        sign = "-"
        group = [(p, n, -c) for p, n, c in group]
    lead = lead + sorted(common)
    inner = ""
    for _, parts, c in sorted(group, key=lambda t: t[2] < 0):
        rest = [n for n in parts if n not in common]
        size = abs(c)
        bits = ([str(size)] if size != 1 or not rest else []) + rest
        text = "*".join(bits)
        inner += (" - " if c < 0 else " + ") + text if inner else ("-" if c < 0 else "") + text
    if len(group) == 1:
        if inner == "1" and lead:
            return sign + "*".join(lead)
        return sign + "*".join([*lead, inner] if lead else [inner])
    return sign + "*".join([*lead, f"({inner})"]) if lead else (f"-({inner})" if sign else inner)


def _joined(factors: Sequence[str]) -> str:
    if len(factors) == 1:
        return factors[0]
    return "*".join(f"({f})" if " " in f else f for f in factors)


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
