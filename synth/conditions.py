"""Conditions of a stage that are relations: read, and checked with the values of its examples.

A condition is for people.  Pieces of it, between semicolons, that read ``A = B``, ``A < B`` and so
on in the part names, with Q, w0 and wz (frequency of the zeros) beside them, are relations as
well; so are those behind one of the words of `ABOUT` and "when".  A relation may be followed by
"for ..." and be joined to others by "and".  The example that satisfies it shows that it can be met.
"""

from __future__ import annotations

import operator
import re
from collections.abc import Callable, Iterator, Mapping
from typing import NamedTuple

from synth.errors import CatalogError, ExpressionError
from synth.transfer import polynomial as exact
from synth.transfer.grammar import parse
from synth.transfer.syntax import Expression

#: What a piece "... when RELATION" is about -> the kinds whose values satisfy it; None: all.
ABOUT: Mapping[str, tuple[str, ...] | None] = {
    "": None,
    "stable": None,
    "notch": ("bandstop", "lowpass-notch", "highpass-notch"),
    "equal gains on both sides of the notch": ("bandstop",),
    "all-pass": ("allpass",),
    "an integrator": ("integrator",),
}
#: Two sides count as equal within this fraction: ratios of preferred values seldom meet exactly.
_EQUAL = 0.05
_SIGNS: Mapping[str, Callable[[float, float], bool]] = {
    "=": lambda a, b: abs(a - b) <= _EQUAL * max(abs(a), abs(b)),
    "<": operator.lt,
    ">": operator.gt,
    "<=": lambda a, b: a <= b * (1 + _EQUAL),
    ">=": lambda a, b: a * (1 + _EQUAL) >= b,
}
_SIGN = re.compile(r"(<=|>=|<|>|=)")
_NAME = re.compile(r"[A-Za-z]\w*")
_PART = re.compile(r"[RCLD]\d+")


class Relation(NamedTuple):
    """Expressions with the signs between them, and the kinds they are about (None: all)."""

    text: str
    sides: tuple[Expression, ...]
    signs: tuple[str, ...]
    kinds: tuple[str, ...] | None


def relations(condition: str) -> Iterator[Relation]:
    """Yield the relations of a condition; none where it is text for people."""
    for piece in condition.split(";"):
        if not _SIGN.search(piece):
            continue
        about, when, rest = piece.partition(" when ")
        words = about.strip() if when else ""
        if words not in ABOUT:
            continue
        found = [_relation(r, ABOUT[words]) for r in _joined(rest if when else piece)]
        if all(found):
            yield from (r for r in found if r)


def _joined(text: str) -> list[str]:
    return [t.strip() for t in text.split(" for ")[0].split(" and ")]


def _relation(text: str, kinds: tuple[str, ...] | None) -> Relation | None:
    sides = [side.strip() for side in _SIGN.split(text)]
    if len(sides) < 3:
        return None
    try:
        read = tuple(parse(side, _NAME.findall(side)) for side in sides[::2])
    except ExpressionError:
        return None
    return Relation(text, read, tuple(sides[1::2]), kinds)


def check_conditions(
    conditions: tuple[str, ...], kind: str, where: str, values: Mapping[str, float]
) -> None:
    """Check the relations that are about a kind.

    Parameters
    ----------
    conditions : tuple of str
    kind : str
        That the values make.
    where : str
        The key of the stage file that the values stand in.
    values : mapping
        Of the parts in ohm and farad; ``w0``, ``wz`` in rad/s and ``Q`` where there are any.

    Raises
    ------
    CatalogError
        If one does not hold, or names a part that the stage has not.
    """
    for condition in conditions:
        for relation in relations(condition):
            unknown = {n for s in relation.sides for n in _NAME.findall(s.text)} - set(values)
            missing = sorted(n for n in unknown if _PART.fullmatch(n))
            if missing:
                raise CatalogError(
                    f"key conditions: {relation.text} names {', '.join(missing)}; the stage has "
                    "no such part"
                )
            if not unknown and (relation.kinds is None or kind in relation.kinds):
                _check(relation, where, values)


def _check(relation: Relation, where: str, values: Mapping[str, float]) -> None:
    sides = [float(s.evaluate(values, float)) for s in relation.sides]
    for left, sign, right in zip(sides, relation.signs, sides[1:], strict=False):
        if not _SIGNS[sign](left, right):
            raise CatalogError(
                f"key conditions: {relation.text} does not hold with the values of {where}: "
                f"{left:.4g} {sign} {right:.4g} is not so"
            )


def numbers_of(n: exact.Poly, d: exact.Poly) -> dict[str, float]:
    """Return w0 and Q of a pair of poles, and wz of a pair of zeros, where there are any."""
    found = {}
    if len(d) == 3 and d[0] > 0 and d[1]:
        found["w0"] = float(d[0]) ** 0.5
        found["Q"] = found["w0"] / float(d[1])
    if len(n) == 3 and n[0] / n[2] > 0:
        found["wz"] = float(n[0] / n[2]) ** 0.5
    return found
