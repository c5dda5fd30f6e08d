"""Conditions of a stage that are relations: read, and checked with the values of its examples.

A condition is for people.  Pieces of it, between semicolons, that read ``A = B``, ``A < B`` and so
on in the part names, with Q, w0 and wz (frequency of the zeros) beside them, are relations as
well; so are those behind one of the words of `ABOUT` and "when", and phrases like "gain of 1 or
more".  A relation may be followed by "for ..." and be joined to others by "and".  The example that
satisfies it shows that it can be met.  What is supposed before a colon is `synth.supposed`'s.
"""

from __future__ import annotations

import operator
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import NamedTuple

from synth.errors import CatalogError
from synth.transfer import polynomial as exact
from synth.transfer.design import is_formula, names_in, value_of

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
_PART = re.compile(r"[RCLD]\d+")
#: Phrases that are relations, ``size`` being the magnitude of the gain.
_PHRASES = (
    (re.compile(r"(gain|Q) of (\S+) or more"), "{} >= {}"),
    (re.compile(r"(gain|Q) of (\S+) or less"), "{} <= {}"),
    (re.compile(r"(gain|Q) above (\S+)"), "{} > {}"),
    (re.compile(r"(gain|Q) below (\S+)"), "{} < {}"),
)
_GAIN = re.compile(r"(?:the )?gain (?:is )?(\S+)")
#: Ohms and seconds are changed by these factors to see whether the two sides have one unit.
_OHM, _SECOND = 3.0, 7.0
_ROUNDING = 1e-9


class Relation(NamedTuple):
    """Formulas with the signs between them, and the kinds they are about (None: all)."""

    text: str
    sides: tuple[str, ...]
    signs: tuple[str, ...]
    kinds: tuple[str, ...] | None

    @property
    def names(self) -> set[str]:
        """Names that occur."""
        return {n for s in self.sides for n in names_in(s)}


def relations(condition: str) -> Iterator[Relation]:
    """Yield the relations of a condition; none where it is text for people."""
    for piece in map(_spelt_out, condition.split(";")):
        if not _SIGN.search(piece):
            continue
        about, when, rest = piece.partition(" when ")
        words = about.strip() if when else ""
        if words not in ABOUT:
            continue
        found = [relation(r, ABOUT[words]) for r in _joined(rest if when else piece)]
        if all(found):
            yield from (r for r in found if r)


def _spelt_out(piece: str) -> str:
    """Return a phrase as the relation it is, other text as it is."""
    for phrase, form in _PHRASES:
        if found := phrase.fullmatch(piece.strip()):
            return form.format(found[1].replace("gain", "size"), found[2])
    found = _GAIN.fullmatch(piece.strip())
    return f"gain = {found[1]}" if found else piece


def _joined(text: str) -> list[str]:
    return [t.strip() for t in text.split(" for ")[0].split(" and ")]


def relation(text: str, kinds: tuple[str, ...] | None = None) -> Relation | None:
    """Return the relation that a text is; None where it is none."""
    sides = [side.strip() for side in _SIGN.split(text)]
    if len(sides) < 3:
        return None
    if not all(is_formula(side) for side in sides[::2]):
        return None
    return Relation(text, tuple(sides[::2]), tuple(sides[1::2]), kinds)


def check_about(conditions: Sequence[str], kinds: Sequence[str]) -> None:
    """Refuse conditions for a kind that the stage is not.

    Raises
    ------
    CatalogError
    """
    for condition in conditions:
        for found in relations(condition):
            if found.kinds is not None and not set(found.kinds) & set(kinds):
                raise CatalogError(
                    f"key conditions: {condition!r} is about the kinds {', '.join(found.kinds)}; "
                    f"the stage is of {', '.join(kinds)}"
                )


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
        Of the parts in ohm and farad; ``gain``, ``w0``, ``wz`` in rad/s and ``Q`` where there are
        any.

    Raises
    ------
    CatalogError
        If one does not hold, compares quantities of different units, or names a part that the
        stage has not.
    """
    known = {**values, **({"size": abs(values["gain"])} if "gain" in values else {})}
    for condition in conditions:
        for found in relations(condition):
            unknown = found.names - set(known)
            missing = sorted(n for n in unknown if _PART.fullmatch(n))
            if missing:
                raise CatalogError(
                    f"key conditions: {found.text} names {', '.join(missing)}; the stage has "
                    "no such part"
                )
            if not unknown and (found.kinds is None or kind in found.kinds):
                check(found, where, known, _SIGNS)
                _check_units(found, known)


def check(
    found: Relation,
    where: str,
    values: Mapping[str, float],
    signs: Mapping[str, Callable[[float, float], bool]],
) -> None:
    """Check one relation; CatalogError if it does not hold."""
    sides = _values(found, values)
    for left, sign, right in zip(sides, found.signs, sides[1:], strict=False):
        if not signs[sign](left, right):
            raise CatalogError(
                f"key conditions: {found.text} does not hold with the values of {where}: "
                f"{left:.4g} {sign} {right:.4g} is not so"
            )


def _values(found: Relation, values: Mapping[str, float]) -> list[float]:
    return [value_of(s, values) for s in found.sides]


def _check_units(found: Relation, values: Mapping[str, float]) -> None:
    """Refuse a relation whose sides differ by a factor after a change of units."""
    others = {n: v * _factor(n) for n, v in values.items()}
    before, after = _values(found, values), _values(found, others)
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


def numbers_of(n: exact.Poly, d: exact.Poly) -> dict[str, float]:
    """Return w0 and Q of a pair of poles, and wz of a pair of zeros, where there are any."""
    found = {}
    if len(d) == 3 and d[0] > 0 and d[1]:
        found["w0"] = float(d[0]) ** 0.5
        found["Q"] = found["w0"] / float(d[1])
    if len(n) == 3 and n[0] / n[2] > 0:
        found["wz"] = float(n[0] / n[2]) ** 0.5
    return found
