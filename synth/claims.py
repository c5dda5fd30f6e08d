"""What a stage claims, and the exact analysis that says whether it is so.

The published H(s) and the analysed one are compared by evaluation at one fixed pseudo-random
point modulo the prime p = 2**127 - 1 [1]_ [2]_.  Rational functions that differ agree at a random
point with probability at most d/p, d the total degree of N1*D2 - N2*D1.  A stage has d below
200, so a wrong H passes with a probability below 2e-36; the tests repeat the comparison with
polynomials.

References
----------
.. [1] J. T. Schwartz, "Fast probabilistic algorithms for verification of polynomial identities",
   J. ACM 27 (1980) 701-717 (from memory).
.. [2] R. Zippel, "Probabilistic algorithms for sparse polynomials", EUROSAM (1979) 216-226 (from
   memory).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from functools import cache, lru_cache
from hashlib import blake2b

from synth.analysis.loop import Loop
from synth.analysis.numbers import Whole, admittances, multiplied, whole
from synth.analysis.ring import Poly as RingPoly
from synth.conditions import check_about, check_conditions, named, numbers_of, with_sizes
from synth.errors import CatalogError, SynthError
from synth.network.model import Network
from synth.stage_file import Stage
from synth.statements import Statement, statements
from synth.supposed import check_supposed
from synth.transfer import polynomial as exact
from synth.transfer.design import GIVEN, names_in, worked_out
from synth.transfer.grammar import parse

#: Kind of stage -> what its transfer function N/D is, common factors cancelled.
STAGE_KINDS: Mapping[str, str] = {
    "gain": "a constant",
    "integrator": "a constant over s",
    "differentiator": "a constant times s",
    "lowpass": "only s^0 in the numerator",
    "highpass": "only the highest power of s in the numerator",
    "bandpass": "only the middle power of s in the numerator, even order",
    "bandstop": "second order, zeros on the axis, equal gains on both sides",
    "lowpass-notch": "second order, zeros on the axis, more gain below them than above",
    "highpass-notch": "second order, zeros on the axis, more gain above them than below",
    "allpass": "numerator mirrored: c * D(-s)",
    "peaking": "second order, equal gains on both sides, a boost or a cut between",
    "shelving": "first order, two finite gains of equal sign",
    "general": "none of the other kinds",
}

#: Kinds whose conditions cannot name a gain.
_NO_GAIN = frozenset({"integrator", "differentiator", "shelving", "peaking", "general"})
#: Raise it when the checks change, so that every stage is verified again.
CHECKS = 4
#: Where design equations are worked out: w0 in rad/s, Q, g, C in farad, m.  Numbers without a
#: pattern, so that an equation that holds at one of them by chance fails at the others; one that
#: is out of reach (a value that is not positive) is left out.
_POINTS = (
    (7351.3, 1.847, 1.273, 1.31e-8, 1.437),
    (913.7, 4.713, 0.683, 4.57e-8, 1.219),
    (53170.0, 0.829, 2.319, 2.33e-9, 2.131),
)
#: Where they are worked out that reach none of these: resistors and capacitors alone.
_LOW_POINT = (3127.9, 0.313, 0.237, 6.83e-9, 1.663)
#: A design is exact but for the rounding of floats.
_DESIGNED, _EXACT = 1e-6, Fraction(1, 10**6)
#: Kinds whose notch is at m*w0.
_BESIDE = frozenset({"lowpass-notch", "highpass-notch"})
#: Gains count as equal within this fraction: ratios of preferred values seldom meet exactly.
_EQUAL = Fraction(1, 20)
#: A notch passes less than this fraction of the pass-band gain.
_NOTCH = Fraction(1, 100)
_PRIME = 2**127 - 1
#: An analysed H(s) is shown to this length.
_LONGEST = 400


def check_claims(stage: Stage) -> None:
    """Check everything a stage claims.

    Raises
    ------
    CatalogError
        If a claim does not hold; the message names the key of the stage file.
    ExpressionError
        If the published transfer function cannot be read.
    """
    if not equals_published(stage.loop, stage.H):
        raise CatalogError(
            f"key H: {stage.H} is not what the analysis of the graph gives, which is "
            f"{_analysed(stage.loop)}; a part, a node or the formula is mistyped"
        )
    order = modes_order(stage.loop)
    if stage.order != order:
        raise CatalogError(f"key order: {stage.order} claimed, but the graph has {order} modes")
    if not stage.kinds or any(k not in STAGE_KINDS for k in stage.kinds):
        raise CatalogError(
            f"key kinds: {list(stage.kinds)} must name one or more of {', '.join(STAGE_KINDS)}"
        )
    if set(stage.variants) != set(stage.kinds[1:]):
        raise CatalogError(
            "key variants: it must have one table for each kind after the first, here "
            f"{', '.join(stage.kinds[1:]) or 'none'}"
        )
    said = statements(stage.conditions, [b.name for b in stage.network.branches])
    check_about(said, stage.kinds)
    measured = {}
    for kind in stage.kinds:
        circuit = stage.circuit(kind)
        measured[kind] = _where(stage, kind), _measured(stage, kind, circuit)
        if circuit.op_amps:
            _check_feedback(stage, kind, circuit)
    check_conditions(said, measured)
    for statement in said:
        if statement.supposed and statement.checked:
            _check_supposed(stage, statement)
    if stage.design:
        _check_design(stage)


def _analysed(loop: Loop) -> str:
    """Return H(s) of the graph as text, cut where it is long."""
    from synth.analysis.symbolic import formula

    text = str(formula(loop.transfer(), loop.denominators, loop.network.branches))
    return text if len(text) <= _LONGEST else f"{text[:_LONGEST]}..."


def _check_design(stage: Stage) -> None:
    """Work the published design equations out at several points and measure what they ask for."""
    rows = tuple(stage.design.items())
    used = {n for text in stage.design.values() for n in names_in(text)}
    reached, why = 0, ""
    for point in (*_POINTS, _LOW_POINT):
        if reached and point is _LOW_POINT:
            break
        given = _asked(stage.kinds[0], point)
        try:
            values = worked_out(rows, given)
            parts = {b.name: values[b.name] for b in stage.network.branches}
            low = min(parts, key=parts.__getitem__)
            if not parts[low] > 0:
                why = f"{low} is {parts[low]:.4g}"
                continue
            circuit = stage.network.with_values(parts)
        except KeyError as error:
            raise CatalogError(f"key design: no equation for {error.args[0]}") from error
        except SynthError as error:
            raise CatalogError(f"key design: {error}") from error
        except ValueError as error:  # a negative root: out of reach at this point
            why = str(error)
            continue
        reached += 1
        _check_asked(*_without_common(*response(stage.loop, circuit)), stage, given, used)
    if not reached:
        raise CatalogError(
            f"key design: out of reach at each of the points that are tried, the last with Q = "
            f"{given['Q']:g} and g = {given['g']:g}: {why}"
        )


def _without_common(n: exact.Poly, d: exact.Poly) -> tuple[exact.Poly, exact.Poly]:
    """Cancel poles and zeros of an order above two that miss each other by rounding only."""
    if len(d) <= 3 or len(n) < 2:
        return n, d
    import numpy as np

    poles: list[complex] = [*np.roots([float(c) for c in reversed(d)])]
    zeros: list[complex] = []
    for zero in np.roots([float(c) for c in reversed(n)]):
        near = min(poles, key=lambda p: abs(p - zero))
        if abs(near - zero) <= _DESIGNED * abs(zero):
            poles.remove(near)
        else:
            zeros.append(zero)
    if len(poles) == len(d) - 1:
        return n, d
    top, bottom = (
        tuple(Fraction(c) for c in reversed(np.atleast_1d(np.real(np.poly(r))).tolist()))
        for r in (zeros, poles)
    )
    return exact.scale(top, n[-1]), bottom


def _asked(kind: str, point: Sequence[float]) -> dict[str, float]:
    """Return w0, Q, g, C and m of a point."""
    given = dict(zip(GIVEN, point, strict=True))
    return {**given, "m": 1 / given["m"]} if kind == "highpass-notch" else given


def _check_asked(
    n: exact.Poly, d: exact.Poly, stage: Stage, given: Mapping[str, float], used: set[str]
) -> None:
    """Compare what the design equations make with what they were asked for."""
    kind, found = stage.kinds[0], kind_of(n, d, _EXACT, _EXACT)
    at = ", ".join(f"{name} = {given[name]:g}" for name in GIVEN if name in used)
    if found != kind:
        raise CatalogError(f"key design: at {at} the equations make a {found}, not a {kind}")
    measured = designed_for(n, d, kind)
    if "Q" in used and "Q" not in measured:
        raise CatalogError(
            f"key design: Q is that of one pair of poles; at {at} the equations make a {found} of "
            f"order {len(d) - 1}"
        )
    claimed = {"w0", "Q", *({"g"} & used), *({"m"} if kind in _BESIDE else ())}
    for name in GIVEN:
        if name in claimed & set(measured) and abs(measured[name] / given[name] - 1) > _DESIGNED:
            raise CatalogError(
                f"key design: at {at} the equations give {name} = {measured[name]:.6g}, not "
                f"{given[name]:.6g}"
            )


def designed_for(n: exact.Poly, d: exact.Poly, kind: str) -> dict[str, float]:
    """Return what design equations of a kind ask for, measured on H as `response` gives it.

    ``w0`` and ``Q`` are those of one pair of poles, which may stand beside a real pole (``w0`` is
    also that of a single pole), ``m`` is the
    frequency of the zeros over w0, and ``g`` the magnitude of the pass-band gain, of a peaking
    stage the gain at the centre over that at the ends.  What the kind does not define is left out.
    """
    found = numbers_of(n, d)
    if len(d) == 2 and d[0]:
        found["w0"] = float(d[0])
    if len(d) == 4:
        found |= _pair(d)
    if "wz" in found and "w0" in found:
        found["m"] = found["wz"] / found["w0"]
    if kind == "peaking":
        found["g"] = float(n[1] / d[1] / gain_of(n, d, kind))
    elif kind not in _NO_GAIN and (kind != "bandpass" or len(d) == 3):
        found["g"] = abs(float(gain_of(n, d, kind)))
    return found


def _pair(d: exact.Poly) -> dict[str, float]:
    """Return w0 and Q of the complex poles beside a real one, if there are any."""
    import numpy as np

    pair = [p for p in np.roots([float(c) for c in reversed(d)]) if p.imag > 0 and p.real]
    return {"w0": abs(pair[0]), "Q": -abs(pair[0]) / (2 * pair[0].real)} if pair else {}


def _check_supposed(stage: Stage, said: Statement) -> None:
    """Check a statement with what it supposes, each relation as a kind that it is about."""
    kinds = [next(k for k in stage.kinds if k in (r.kinds or stage.kinds)) for r in said.relations]
    for kind in dict.fromkeys(kinds):
        circuit = stage.circuit(kind)

        def response_at(
            values: Mapping[str, float], circuit: Network = circuit
        ) -> tuple[exact.Poly, exact.Poly]:
            return _without_common(*response(stage.loop, circuit.with_values(values)))

        def gain(n: exact.Poly, d: exact.Poly, kind: str = kind) -> dict[str, float]:
            return _gain_named(n, d, kind)

        about = tuple(r for r, k in zip(said.relations, kinds, strict=True) if k == kind)
        check_supposed(said._replace(relations=about), circuit.values, response_at, gain)


def _gain_named(n: exact.Poly, d: exact.Poly, kind: str) -> dict[str, float]:
    """Return the pass-band gain as conditions name it; nothing for kinds that have none."""
    return {} if kind in _NO_GAIN else {"gain": float(gain_of(n, d, kind))}


def _check_feedback(stage: Stage, kind: str, circuit: Network) -> None:
    """Refuse op amps in positive feedback and modes that grow, with the values of a kind."""
    from synth.analysis.feedback import decays, feedback, judged

    if decays(circuit):
        return
    found = feedback(replace(stage.loop, network=circuit))
    if found.negative:
        return
    where = _where(stage, kind)
    if any(p.real > 1e-9 * abs(p) for p in found.ideal):
        raise CatalogError(f"key {where}: with these values {found.reason}; change one of them")
    mended = [
        u.name for u in circuit.op_amps if judged(_exchanged(circuit, u.name), found.ideal).negative
    ]
    which = " or ".join(mended) or ", ".join(u.name for u in circuit.op_amps)
    raise CatalogError(
        f"key op_amps: {which} is in positive feedback with the values of {where}; exchange its "
        "inputs plus and minus"
    )


def _exchanged(circuit: Network, name: str) -> Network:
    return replace(
        circuit,
        op_amps=tuple(
            replace(u, plus=u.minus, minus=u.plus) if u.name == name else u for u in circuit.op_amps
        ),
    )


def _where(stage: Stage, kind: str) -> str:
    return f"variants.{kind}" if kind in stage.variants else "example"


def _measured(stage: Stage, kind: str, circuit: Network) -> dict[str, float]:
    """Return what conditions may name, with the values of a kind; check kind and sign of it."""
    where = _where(stage, kind)
    n, d = response(stage.loop, circuit)
    found = kind_of(n, d)
    if found != kind:
        raise CatalogError(
            f"key {where}: with these values the stage is no {kind} ({STAGE_KINDS[kind]}); "
            f"it is of the kind {found} ({STAGE_KINDS[found]})"
        )
    sign = sign_of(n, d, kind)
    if stage.sign is not None and stage.sign != sign:
        raise CatalogError(
            f"key sign: {stage.sign} claimed, but the pass-band gain has sign {sign} with the "
            f"values of {where}"
        )
    return {**circuit.values, **named(n, d), **with_sizes(_gain_named(n, d, kind))}


# -- the published transfer function ---------------------------------------------------------------


def equals_published(loop: Loop, published: str) -> bool:
    """Say whether the published H(s) is the loop's, as a rational function in the part names.

    Parameters
    ----------
    loop : Loop
        Of the stage; its input drives every terminal that is not at ground.
    published : str
        A rational function of s and the part names.

    Raises
    ------
    ExpressionError
        If the text cannot be read, divides by zero, or names a part the stage does not have.
    """
    branches = loop.network.branches
    points = {name: _point(name) for name in ("s", *(b.name for b in branches))}
    y = [_admittance_at(b.name, b.power) for b in branches]
    denominator = _product_at(loop.denominators, y)
    factors = loop.transfer()
    numerator = _product_at(factors, y) if factors is not None else 0
    value = parse(published, points).evaluate(points, Residue)
    return (value.value * denominator - numerator) % _PRIME == 0


def _product_at(factors: Iterable[RingPoly], y: list[int]) -> int:
    value = 1
    for poly in factors:
        total = 0
        for mask, c in poly.items():
            term = int(c)
            rest = mask
            while rest:
                low = rest & -rest
                term = term * y[low.bit_length() - 1] % _PRIME
                rest ^= low
            total += term
        value = value * total % _PRIME
    return value


@cache
def _point(name: str) -> Residue:
    """Return the fixed coordinate of a name: a hash, so it depends on nothing in the file."""
    return _residue(int.from_bytes(blake2b(name.encode(), digest_size=32).digest(), "big"))


@cache
def _admittance_at(name: str, power: int) -> int:
    """Return the admittance of a part at the fixed point, modulo the prime."""
    return (_point(name) ** (1 if power > 0 else -1) * _point("s") ** power).value


class Residue:
    """An integer modulo the prime 2**127 - 1, with the four operations and whole powers."""

    __slots__ = ("value",)

    value: int

    def __init__(self, number: Fraction | float) -> None:
        f = Fraction(number)
        self.value = f.numerator * _inverse(f.denominator) % _PRIME

    def __add__(self, other: Residue) -> Residue:
        return _residue(self.value + other.value)

    def __sub__(self, other: Residue) -> Residue:
        return _residue(self.value - other.value)

    def __mul__(self, other: Residue) -> Residue:
        return _residue(self.value * other.value)

    def __truediv__(self, other: Residue) -> Residue:
        return _residue(self.value * _inverse(other.value))

    def __neg__(self) -> Residue:
        return _residue(-self.value)

    def __pow__(self, exponent: int) -> Residue:
        base = self.value if exponent >= 0 else _inverse(self.value)
        return _residue(pow(base, abs(exponent), _PRIME))


def _residue(value: int) -> Residue:
    result = Residue.__new__(Residue)
    result.value = value % _PRIME
    return result


@lru_cache(maxsize=4096)  # the coordinates of the names come again with every stage
def _inverse(value: int) -> int:
    if value == 1:
        return 1
    if value % _PRIME == 0:
        raise ZeroDivisionError
    return pow(value, -1, _PRIME)


# -- order, kind and sign --------------------------------------------------------------------------


def modes_order(loop: Loop) -> int:
    """Return the number of natural modes: degree in s of the determinant, for general values.

    Modes at the origin count, and so do modes that the output does not show.
    """
    powers = [b.power for b in loop.network.branches]
    order = 0
    for poly in loop.determinants:
        degrees = [sum(p for k, p in enumerate(powers) if mask >> k & 1) for mask in poly]
        order += max(degrees) - min(0, *degrees)
    return order


def response(loop: Loop, circuit: Network) -> tuple[exact.Poly, exact.Poly]:
    """Return (N, D) of H(s), exact, ascending powers of s, common factors cancelled, D monic.

    Parameters
    ----------
    loop : Loop
        Of the graph.
    circuit : Network
        The same graph with values.
    """
    y = admittances(circuit)

    def value(factors: Iterable[RingPoly]) -> Whole:
        return multiplied(whole(p, circuit.branches, y) for p in factors)

    factors = loop.transfer()
    d = value(loop.denominators)
    if not d.coefficients:
        raise CatalogError("the determinant vanishes with these values; change one of them")
    n = value(factors) if factors is not None else None
    if n is None or not n.coefficients:
        return exact.ZERO, exact.ONE
    least = min(n.shift, d.shift)
    top = [0] * (n.shift - least) + n.coefficients
    bottom = [0] * (d.shift - least) + d.coefficients
    common = exact.common_factor(top, bottom)
    if len(common) == 1:
        lead = bottom[-1]
        return (
            tuple(Fraction(c * d.below, lead * n.below) for c in top),
            tuple(Fraction(c, lead) for c in bottom),
        )
    upper = exact.divide(tuple(Fraction(c, n.below) for c in top), common)[0]
    lower = exact.divide(tuple(Fraction(c, d.below) for c in bottom), common)[0]
    return exact.scale(upper, 1 / lower[-1]), exact.monic(lower)


def kind_of(
    n: exact.Poly, d: exact.Poly, equal: Fraction = _EQUAL, least: Fraction = _NOTCH
) -> str:
    """Return the kind (a key of `STAGE_KINDS`) of N/D, as `response` gives them.

    Gains within a share of each other count as equal, by default 5 %; a notch passes less than
    `least` of the pass-band gain at its centre, by default 1 %.
    """
    order = exact.degree(d)
    powers = [k for k, c in enumerate(n) if c]
    if not powers:
        return "gain"
    if len(powers) == 1:
        return _kind_of_monomial(powers[0], [k for k, c in enumerate(d) if c])
    if len(n) != len(d) or not d[0] or not n[0]:
        return "general"
    low, high = n[0] / d[0], n[-1] / d[-1]
    if all(_near(c, (-1) ** k * low * e, equal) for k, (c, e) in enumerate(zip(n, d, strict=True))):
        return "allpass"
    if low * high < 0 or order > 2:
        return "general"
    flat = _near(high, low, equal)
    if order == 1:
        return "gain" if flat else "shelving"
    if abs(n[1]) <= least * abs(high * d[1]):
        return "bandstop" if flat else "lowpass-notch" if abs(low) > abs(high) else "highpass-notch"
    return "peaking" if flat and n[1] * low > 0 else "general"


def _kind_of_monomial(power: int, d_powers: list[int]) -> str:
    order = d_powers[-1]
    if len(d_powers) == 1:
        if order == 0:
            return {0: "gain", 1: "differentiator"}.get(power, "general")
        return "integrator" if (power, order) == (0, 1) else "general"
    if d_powers[0] or power > order:
        return "general"
    if power == 0:
        return "lowpass"
    if power == order:
        return "highpass"
    return "bandpass" if 2 * power == order else "general"


def _near(a: Fraction, b: Fraction, equal: Fraction) -> bool:
    return abs(a - b) <= equal * abs(b)


def gain_of(n: exact.Poly, d: exact.Poly, kind: str) -> Fraction:
    """Return the pass-band gain with its sign, as `response` gives N and D; 0 without transfer.

    At infinity for a high-pass, a high-pass notch and a differentiator, at the centre for a
    band-pass of second order, else as s tends to 0; integrators and differentiators count without
    their powers of s.
    """
    powers = [k for k, c in enumerate(n) if c]
    if not powers:
        return Fraction(0)
    if kind in ("highpass", "highpass-notch", "differentiator"):
        return n[powers[-1]] / d[-1]
    if kind == "bandpass":
        return n[powers[0]] / (d[powers[0]] or d[-1])
    return n[powers[0]] / next(c for c in d if c)


def sign_of(n: exact.Poly, d: exact.Poly, kind: str) -> int:
    """Return the sign of the pass-band gain: +1, -1, or 0 where there is no transfer."""
    gain = gain_of(n, d, kind)
    return (gain > 0) - (gain < 0)
