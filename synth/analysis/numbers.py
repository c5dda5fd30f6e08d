"""From a loop and part values to numbers: exact polynomials in s, transfers, modes.

Values are read by their decimal text and every coefficient is an exact rational number, so no
digits are lost where terms subtract; floats appear only in the results.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from fractions import Fraction
from functools import lru_cache, reduce
from math import lcm, prod
from typing import TYPE_CHECKING, NamedTuple

from synth.analysis.loop import Factors, Loop
from synth.analysis.ring import Coefficient, Poly
from synth.errors import NetworkError
from synth.network.model import Branch, Network, Terminal
from synth.transfer import polynomial as exact

if TYPE_CHECKING:
    from synth.transfer.transfer import Transfer


class CommonForm(NamedTuple):
    """Numerators over one denominator, exact, ascending powers of s.

    Parameters
    ----------
    denominator : polynomial
    numerator : polynomial
        Of H under the drive asked for.
    terminals : mapping
        Terminal -> polynomial; every terminal of the network is there.
    """

    denominator: exact.Poly
    numerator: exact.Poly
    terminals: Mapping[Terminal, exact.Poly]


def admittances(network: Network) -> tuple[Fraction, ...]:
    """Return each branch's admittance coefficient (1/R, C, 1/L, D), exact.

    Raises
    ------
    NetworkError
        If a part has no value; the message names them all.
    """
    missing = [b.name for b in network.branches if b.value is None]
    if missing:
        raise NetworkError(
            f"no value for {', '.join(missing)}; give every part a value before asking for numbers"
        )
    return tuple(_admittance(float(b.value or 0), b.power > 0) for b in network.branches)


@lru_cache(maxsize=4096)  # the same values are asked for by one analysis after the other
def _admittance(value: float, above: bool) -> Fraction:
    exact_value = Fraction(repr(value))
    return exact_value if above else 1 / exact_value


class Whole(NamedTuple):
    """``s**shift * sum_k coefficients[k] * s**k / below``, all of them whole numbers.

    The first and the last coefficient are not zero; there is none where the value is zero.
    """

    coefficients: list[int]
    below: int
    shift: int


def whole(poly: Poly, branches: Sequence[Branch], y: Sequence[Fraction]) -> Whole:
    """Return the value of a ring element."""
    totals, below = _totals(poly, branches, y)
    powers = [k for k, c in totals.items() if c]
    if not powers:
        return Whole([], 1, 0)
    least = min(powers)
    found = [totals.get(k, 0) for k in range(least, max(powers) + 1)]
    common = lcm(*(c.denominator for c in found))  # 1, unless a drive by a fraction was applied
    return Whole([int(c * common) for c in found], below * common, least)


def multiplied(factors: Iterable[Whole]) -> Whole:
    """Return the product; one when there are none."""
    coefficients, below, shift = [1], 1, 0
    for f in factors:
        coefficients = exact.convolved(coefficients, f.coefficients)
        below, shift = below * f.below, shift + f.shift
    return Whole(coefficients, below, shift)


def polynomial(
    poly: Poly, branches: Sequence[Branch], y: Sequence[Fraction]
) -> tuple[exact.Poly, int]:
    """Return (polynomial, k): the ring element is ``s**k`` times the polynomial."""
    totals, below = _totals(poly, branches, y)
    sums = {k: Fraction(c, below) for k, c in totals.items() if c}
    if not sums:
        return (), 0
    least = min(sums)
    return tuple(sums.get(k, Fraction(0)) for k in range(least, max(sums) + 1)), least


def _totals(
    poly: Poly, branches: Sequence[Branch], y: Sequence[Fraction]
) -> tuple[dict[int, Coefficient], int]:
    """Return power of s -> coefficient, over the common denominator that comes second."""
    involved = 0
    for mask in poly:
        involved |= mask
    parts = {
        1 << k: (v.numerator, v.denominator, b.power)
        for k, (v, b) in enumerate(zip(y, branches, strict=True))
        if involved >> k & 1
    }
    below = prod(q for _, q, _ in parts.values())
    totals: dict[int, Coefficient] = {}
    for mask, c in poly.items():
        above, under, power = c, 1, 0  # over the common denominator, so that whole numbers do
        rest = mask
        while rest:
            bit = rest & -rest
            p, q, s = parts[bit]
            above, under, power = above * p, under * q, power + s
            rest ^= bit
        totals[power] = totals.get(power, 0) + above * (below // under)
    return totals, below


def transfer(loop: Loop, factors: Factors | None) -> Transfer:
    """Return numerator factors over the loop's denominator as a transfer function.

    Parameters
    ----------
    loop : Loop
        Of a network with values.
    factors : Factors or None
        As `Loop.transfer` gives them.

    Raises
    ------
    NetworkError
        If a part has no value.
    SingularError
        Through the transfer, if D vanishes for these values.
    """
    from synth.transfer.transfer import Transfer  # late: verifying a catalogue needs none

    branches, y = loop.network.branches, admittances(loop.network)
    if factors is None:
        return Transfer(0.0, ())
    top = [polynomial(p, branches, y) for p in factors]
    if any(not p for p, _ in top):
        return Transfer(0.0, ())
    bottom = [polynomial(p, branches, y) for p in loop.denominators]
    _require(loop, [p for p, _ in bottom])
    shift = sum(k for _, k in top) - sum(k for _, k in bottom)
    s_power = [(Fraction(0),) * abs(shift) + (Fraction(1),)] if shift else []
    return Transfer.from_factors(
        [p for p, _ in top] + (s_power if shift > 0 else []),
        [p for p, _ in bottom] + (s_power if shift < 0 else []),
    )


def common_form(loop: Loop) -> CommonForm:
    """Return H and every terminal's transfer over the common denominator D, exact.

    Raises
    ------
    NetworkError
        If a part has no value.
    """
    branches, y = loop.network.branches, admittances(loop.network)

    def value(factors: Factors) -> tuple[exact.Poly, int]:
        parts = [polynomial(p, branches, y) for p in factors]
        one: exact.Poly = (Fraction(1),)
        return reduce(exact.mul, (p for p, _ in parts), one), sum(k for _, k in parts)

    d, d_shift = value(loop.denominators)
    _require(loop, [d])
    whole = loop.transfer()
    rows = {t: value(f) for t, f in loop.numerators.items()}
    h = value(whole) if whole is not None else ((), 0)
    least = min([d_shift, h[1], *(k for _, k in rows.values())])

    def shifted(p: exact.Poly, k: int) -> exact.Poly:
        return (Fraction(0),) * (k - least) + p if p else ()

    lead = d[-1]
    return CommonForm(
        denominator=exact.scale(shifted(d, d_shift), 1 / lead),
        numerator=exact.scale(shifted(*h), 1 / lead),
        terminals={
            t: exact.scale(shifted(*rows[t]), 1 / lead) if t in rows else ()
            for t in loop.network.terminals
        },
    )


def modes(loop: Loop) -> tuple[complex, ...]:
    """Return every natural mode with ideal op amps, in rad/s, seen at the output or not."""
    branches, y = loop.network.branches, admittances(loop.network)
    found: list[complex] = []
    polys = [polynomial(p, branches, y) for p in loop.determinants]
    _require(loop, [p for p, _ in polys])
    for p, shift in polys:
        found += [0j] * max(shift, 0)
        found += exact.roots(p)
    return tuple(found)


def _require(loop: Loop, polys: Sequence[exact.Poly]) -> None:
    if not all(polys):
        raise NetworkError(
            "with exactly these values the network has no unique solution (its determinant "
            f"vanishes); change one value a little{_title(loop)}"
        )


def _title(loop: Loop) -> str:
    return f" in {loop.network.title}" if loop.network.title else ""
