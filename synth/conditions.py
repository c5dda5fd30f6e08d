"""Conditions of a stage that are relations, checked with the values of its examples.

What a condition says is read by `synth.statements`.  The example that satisfies a relation shows
that it can be met.  What is said of supposed values is `synth.supposed`'s.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence

from synth.errors import CatalogError, SynthError
from synth.statements import GAINS, MEASURED, Relation, Statement
from synth.transfer import polynomial as exact
from synth.transfer.design import names_in, value_of

#: Two sides count as equal within this fraction: ratios of preferred values seldom meet exactly.
_EQUAL = 0.05
#: Sign -> whether it holds between two numbers that are known to within the third.
Signs = Mapping[str, Callable[[float, float, float], bool]]
#: Names of gains in relations -> as a person writes them.
_SHOWN: Mapping[str, str] = {
    "gain": "gain",
    "centre": "centre gain",
    "dc": "DC gain",
    "high": "gain at high frequencies",
}
_DECIMAL = re.compile(r"-?\s*\d*\.(\d+)")
#: Ohms and seconds are changed by these factors to see whether the two sides have one unit.
_OHM, _SECOND = 3.0, 7.0
_ROUNDING = 1e-9


def signs_within(near: float) -> Signs:
    """Return the signs of relations whose sides count as equal within a fraction."""
    return {
        "=": lambda a, b, slack: abs(a - b) <= max(slack, near * max(abs(a), abs(b))),
        "<": lambda a, b, _: a < b,
        ">": lambda a, b, _: a > b,
        "<=": lambda a, b, _: a <= b + near * abs(b),
        ">=": lambda a, b, _: a + near * abs(a) >= b,
    }


_SIGNS = signs_within(_EQUAL)


def check_about(said: Iterable[Statement], kinds: Sequence[str]) -> None:
    """Refuse relations for a kind that the stage is not.

    Raises
    ------
    CatalogError
    """
    for statement in said:
        for found in statement.relations:
            if found.kinds is not None and not set(found.kinds) & set(kinds):
                raise CatalogError(
                    f"key conditions: {statement.text!r} is about the kinds "
                    f"{', '.join(found.kinds)}; the stage is of {', '.join(kinds)}"
                )


def check_conditions(
    said: Iterable[Statement], measured: Mapping[str, tuple[str, Mapping[str, float]]]
) -> None:
    """Check the relations that suppose nothing, with the values of each kind they are about.

    Parameters
    ----------
    said : iterable of Statement
    measured : mapping
        Kind -> the key of the stage file that its values stand in, and by name the values of the
        parts in ohm and farad and what `named` measures.

    Raises
    ------
    CatalogError
        If a relation does not hold, compares quantities of different units, or has a name that is
        not known.
    """
    for found in (r for s in said if not s.supposed for r in s.relations):
        about = [m for kind, m in measured.items() if found.kinds is None or kind in found.kinds]
        known = [(where, values) for where, values in about if found.names <= set(values)]
        if not known:
            raise unknown(found, about[0][1], f"the values of {about[0][0]}")
        for where, values in known:
            check(found, where, values, _SIGNS)
            _check_units(found, values)


def unknown(found: Relation, values: Mapping[str, float], where: str) -> CatalogError:
    """Return the error for a relation with names that `values` has not."""
    missing = found.names - set(values)
    strange = sorted(n for n in missing if n.removesuffix("_size") not in (*MEASURED, *GAINS))
    if strange:
        neither = "which is neither a part" if len(strange) == 1 else "which are neither parts"
        return CatalogError(
            f"key conditions: {found.text} names {', '.join(strange)}, {neither} of the stage nor "
            f"{', '.join(MEASURED)}; what stands for something else is supposed before a colon, "
            "and words are written without a sign between them"
        )
    plain = sorted(_SHOWN.get(n.removesuffix("_size"), n) for n in missing)
    return CatalogError(
        f"key conditions: {found.text} names {', '.join(plain)}, which the stage has not with "
        f"{where}: w0 and Q are those of one pair of poles, wz of a pair of zeros, and gains "
        "those of a pass-band, at a place where they are real and finite"
    )


def check(found: Relation, where: str, values: Mapping[str, float], signs: Signs) -> None:
    """Check one relation; CatalogError if it does not hold or cannot be worked out.

    A plain decimal number is known to its own digits: 0.71 is between 0.705 and 0.715.
    """
    try:
        sides = [value_of(s, values) for s in found.sides]
    except (SynthError, ValueError) as error:
        raise CatalogError(f"key conditions: {found.text}: {error}") from error
    slacks = [_slack(s) for s in found.sides]
    for k, sign in enumerate(found.signs):
        left, right = sides[k], sides[k + 1]
        if not signs[sign](left, right, max(slacks[k], slacks[k + 1])):
            raise CatalogError(
                f"key conditions: {found.text} does not hold with the values of {where}: "
                f"{left:.4g} {sign} {right:.4g} is not so"
            )


def _slack(side: str) -> float:
    """Return to within what a side is known: half of the last digit of a plain decimal number."""
    decimal = _DECIMAL.fullmatch(side)
    return 0.5001 * 10.0 ** -len(decimal[1]) if decimal else 0.0


def _check_units(found: Relation, values: Mapping[str, float]) -> None:
    """Refuse a relation whose sides differ by a factor after a change of units.

    Plain numbers are in ohm, farad, rad/s or whatever the other side is in.
    """
    others = {n: v * _factor(n) for n, v in values.items()}
    sides = [s for s in found.sides if names_in(s)]
    try:
        before, after = ([value_of(s, known) for s in sides] for known in (values, others))
    except (SynthError, ValueError):
        return  # a difference that has a number in it
    if not all(before):
        return  # nothing has the unit of everything
    ratios = [b / a for a, b in zip(before, after, strict=True)]
    if any(abs(r / ratios[0] - 1) > _ROUNDING for r in ratios):
        raise CatalogError(
            f"key conditions: {found.text} compares quantities of different units; write both "
            "sides in ohm, farad, rad/s or as ratios"
        )


def _factor(name: str) -> float:
    """Return by how much the number of a quantity changes with the units of ohm and second."""
    if name in ("w0", "wz"):
        return 1 / _SECOND
    powers = {"R": (1, 0), "C": (-1, 1), "L": (1, 1), "D": (-1, 2)}
    ohm, second = powers.get(name[0], (0, 0))
    return _OHM**ohm * _SECOND**second


def named(n: exact.Poly, d: exact.Poly) -> dict[str, float]:
    """Return what conditions may name of H = N/D, as far as it is defined.

    ``w0`` in rad/s and ``Q`` of a pair of poles, ``wz`` of a pair of zeros, and the gains
    ``centre``, ``dc`` and ``high`` with their signs; ``NAME_size`` is the magnitude of a gain.
    """
    found = {**numbers_of(n, d), **_centre(n, d)}
    if d[0]:
        found["dc"] = float(n[0] / d[0]) if n else 0.0
    if len(n) <= len(d):
        found["high"] = float(n[-1] / d[-1]) if len(n) == len(d) else 0.0
    return with_sizes(found)


def with_sizes(found: Mapping[str, float]) -> dict[str, float]:
    """Return measured numbers with the magnitudes of the gains beside them."""
    return {**found, **{f"{name}_size": abs(found[name]) for name in GAINS if name in found}}


def numbers_of(n: exact.Poly, d: exact.Poly) -> dict[str, float]:
    """Return w0 and Q of a pair of poles, and wz of a pair of zeros, where there are any."""
    found = {}
    if len(d) == 3 and d[0] > 0 and d[1]:
        found["w0"] = float(d[0]) ** 0.5
        found["Q"] = found["w0"] / float(d[1])
    if len(n) == 3 and n[0] / n[2] > 0:
        found["wz"] = float(n[0] / n[2]) ** 0.5
    return found


def _centre(n: exact.Poly, d: exact.Poly) -> dict[str, float]:
    """Return the gain at the centre of a pair of poles where it is real, with its sign."""
    if len(d) != 3 or len(n) < 2 or not d[1]:
        return {}
    # at s = j*w0 nothing is left of the outer terms when they are equal, seen from there
    outer = float((n[2] * d[0] if len(n) == 3 else 0) - n[0])
    real = float(n[1] / d[1])
    return {} if abs(outer) > _ROUNDING * abs(n[0]) else {"centre": real}
