"""Conditions of a stage as text: which of it are relations that can be checked, and which words.

A condition is for people.  Its pieces, between semicolons, are read as far as they are lists of

- relations ``A = B``, ``A < B < C``, ... in the part names, with Q, w0, wz (frequency of the zeros)
  and gain (the pass-band gain with its sign) beside them, also behind one of the words of `ABOUT`
  and "when";
- phrases about the gain (in the pass-band, at the centre, at DC, at high frequencies), Q, w0 or
  wz: "gain of 1 or more", "the Q is 3", "centre gain below 2*Q^2", "gain between 3 and 5".

"equal R, K = 1 + RB/RA: w0 = 1/(R*C), Q = 1/(3 - K)" supposes what stands before the colon; what
stands after it, further pieces included, is then said of values that satisfy it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from collections.abc import Set as AbstractSet
from typing import NamedTuple

from synth.errors import NumberError
from synth.transfer.design import is_formula, names_in
from synth.units import parse_si

#: What "... when RELATION" or "... with RELATION" is about -> the kinds whose values satisfy it;
#: None: all.
ABOUT: Mapping[str, tuple[str, ...] | None] = {
    "stable": None,
    "notch": ("bandstop", "lowpass-notch", "highpass-notch"),
    "equal gains on both sides of the notch": ("bandstop",),
    "low-pass notch": ("lowpass-notch",),
    "high-pass notch": ("highpass-notch",),
    "all-pass": ("allpass",),
    "low-pass": ("lowpass",),
    "high-pass": ("highpass",),
    "band-pass": ("bandpass",),
    "flat": ("gain",),
    "an integrator": ("integrator",),
}
#: What is measured of a response and has a name in conditions.
MEASURED = ("w0", "Q", "wz", "gain")
#: Gains at places -> the names that they have in relations; ``NAME_size`` is the magnitude.
_PLACES: Mapping[str, str] = {
    "": "gain",
    "pass-band": "gain",
    "centre": "centre",
    "dc": "dc",
    "high-frequency": "high",
    "at the centre": "centre",
    "at dc": "dc",
    "at high frequencies": "high",
    "across the load": "gain",
    "on both sides of the notch": "gain",
    "on both sides": "gain",
}
#: Every name of a gain.
GAINS = ("gain", "centre", "dc", "high")
_SIZES = tuple(f"{name}_size" for name in GAINS)

_LEADING = "|".join(k for k in _PLACES if k and " " not in k)
_TRAILING = "|".join(k for k in _PLACES if " " in k)
_GAIN = re.compile(
    rf"(?:(?:a|an|the) )?(?:({_LEADING}) )?(?:gain|boost)(?: ({_TRAILING}))? (.+?)"
    rf"(?: ({_TRAILING}))?",
    re.IGNORECASE,
)
_NUMBER_OF = re.compile(r"(?:(?:a|an|the) )?(Q|w0|wz) (.+)")
_COPULA = re.compile(r"(?:(?:is|of|must be|has to be|=)(?: |(?=[-(\d])))+")
#: Words before a value, or behind it -> what they say; the first that fits is taken.
_FORMS = tuple(
    (re.compile(pattern, re.IGNORECASE), sign)
    for pattern, sign in (
        (r"(?:at least|no less than|not below|not less than) (.+)", ">="),
        (r"(?:at most|no more than|not above|not more than|up to) (.+)", "<="),
        (r"(?:above|over|(?:greater|larger|higher|more) than) (.+)", ">"),
        (r"(?:below|under|(?:less|smaller|lower) than) (.+)", "<"),
        (r"(.+) or (?:more|above|greater|larger|higher)", ">="),
        (r"(.+) or (?:less|below|smaller|lower)", "<="),
        (r"(?:size|magnitude) (.+)", "size"),
        (r"(?:equal to |exactly |always )?(.+)", "="),
    )
)
#: Signs as they are printed -> as they are typed.
_PRINT = str.maketrans({"≤": "<=", "≥": ">=", "−": "-"})
_BETWEEN = re.compile(r"\bbetween (.+?) and ")
_RANGE = re.compile(r"between (.+) \.\. (.+)")
_SIGN = re.compile(r"(<=|>=|<|>|=)")
_LIST = re.compile(r"[,]\s*|\s+and\s+")
_NOTE = re.compile(r"(.*\S)\s+(\([^()]*\))")
#: Names or numbers beside each other with a blank between: a sentence where a name is unknown.
_SENTENCE = re.compile(r"[\w)]\s+[\w(]")
_NOTHING = re.compile(r"[0.]+")
_ORDINARY = re.compile(r"[a-z]{3,}|a")
#: A number with a suffix or a unit, as 15k, 10nF, 4k7, 15 kohm.
_VALUE = re.compile(
    r"(?<![\w.])(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
    r"([A-Za-zµμΩ]\w*| (?:[pnuµμmkMG]?(?:ohms?|Ω|F|H))\b)"
)
_ALIKE = re.compile(r"equal ([RC]|parts)(?: but (.+))?")
_NUMBERED = re.compile(r"([RC])\d+")


class Relation(NamedTuple):
    """Formulas with the signs between them, and the kinds they are about (None: all)."""

    text: str
    sides: tuple[str, ...]
    signs: tuple[str, ...]
    kinds: tuple[str, ...] | None = None

    @property
    def names(self) -> set[str]:
        """Names that occur."""
        return {n for s in self.sides for n in names_in(s)}


class Given(NamedTuple):
    """Something supposed: names that get the value of a formula."""

    names: tuple[str, ...]
    formula: str


class Statement(NamedTuple):
    """Some of a condition: what it supposes, and its relations; none where it is in words."""

    text: str
    supposed: tuple[Given, ...] = ()
    relations: tuple[Relation, ...] = ()

    @property
    def checked(self) -> bool:
        """Whether it is checked when the stage is loaded."""
        return bool(self.relations)


def statements(conditions: Iterable[str], parts: Sequence[str]) -> tuple[Statement, ...]:
    """Return the statements of conditions, in their order.

    Parameters
    ----------
    conditions : iterable of str
    parts : sequence of str
        Names of the parts of the stage.

    Examples
    --------
    >>> [s.checked for s in statements(["R1 = R2; not for loads; the Q is 3"], ("R1", "R2"))]
    [True, False, True]
    """
    return tuple(s for condition in conditions for s in _statements(condition, parts))


def _statements(condition: str, parts: Sequence[str]) -> Iterator[Statement]:
    before = ""
    supposed: tuple[Given, ...] = ()
    for piece in (p.strip() for p in condition.translate(_PRINT).replace("==", "=").split(";")):
        head, colon, said = piece.partition(":")
        if colon:
            given = _supposed(head, parts)
            if given is None:  # a phrase as "Q: 12", or words
                known = {*parts, *MEASURED, *GAINS, *_SIZES}
                phrase = _phrase(_bare(f"{head.strip()} is {said.strip()}", known), known)
                yield Statement(piece, (), (phrase,) if phrase else ())
                continue
            before, supposed = f"{head.strip()}: ", given
        known = {*parts, *(n for g in supposed for n in g.names), *MEASURED, *GAINS, *_SIZES}
        items = _items(_bare(said if colon else piece, known))
        found = _relations(items, known)
        if not before:  # a list without a supposition is one sentence: all of it is read, or none
            whole = bool(found) and all(found)
            yield Statement(piece, (), tuple(r for r in found if r) if whole else ())
            continue
        read = [(i, r) for i, r in zip(items, found, strict=True) if r]
        rest = [i for i, r in zip(items, found, strict=True) if not r]
        if read:
            text = before + ", ".join(i for i, _ in read)
            yield Statement(text, supposed, tuple(r for _, r in read))
        if rest:  # as it stands where all of it is in words
            yield Statement(
                before + (", ".join(rest) if read else (said if colon else piece).strip())
            )


def _items(text: str) -> list[str]:
    return [i.strip() for i in _LIST.split(_BETWEEN.sub(r"between \1 .. ", text)) if i.strip()]


def _relations(items: Sequence[str], known: AbstractSet[str]) -> list[Relation | None]:
    """Return the relation that each item of a list is; a "when" holds for those behind it too."""
    found: list[Relation | None] = []
    kinds: tuple[str, ...] | None = None
    for item in items:
        text = _bare(item, known)
        for word in (" when ", " with "):
            about, behind, rest = text.partition(word)
            if behind and about.strip() in ABOUT:
                kinds, text = ABOUT[about.strip()], rest
        text, _, purpose = text.partition(" for ")
        conditional = _SIGN.search(purpose)
        read = None if conditional else _phrase(text.strip(), known) or _plain(text, known)
        found.append(read and read._replace(kinds=kinds))
    return found


def _bare(item: str, known: AbstractSet[str]) -> str:
    """Return an item without the full stop and a note in parentheses at its end."""
    text = item.removesuffix(".").strip()
    if note := _NOTE.fullmatch(text):
        inside = note[2][1:-1]
        words = inside.replace(" ", "").isalpha() and inside not in known
        if words or not is_formula(inside):
            return note[1]
    return text


def _phrase(text: str, known: AbstractSet[str]) -> Relation | None:
    """Return the relation that a phrase about a gain, Q, w0 or wz is."""
    if found := _NUMBER_OF.fullmatch(text):
        signed = size = found[1]
        said = found[2]
    elif found := _GAIN.fullmatch(text):
        places = [p.lower() for p in (found[1], found[2], found[4]) if p]
        signed = _PLACES[places[0] if places else ""]
        size, said = f"{signed}_size", found[3]
    else:
        return None
    copula = _COPULA.match(said)
    said = said[copula.end() :] if copula else said
    if between := _RANGE.fullmatch(said):
        ends = [_value(x, known) for x in between.groups()]
        if ends[0] is None or ends[1] is None:
            return None
        return Relation(text.replace(" .. ", " and "), (ends[0], size, ends[1]), ("<=", "<="))
    for form, sign in _FORMS:
        if words := form.fullmatch(said):
            value = _value(words[1], known)
            if value is None:
                return None
            name = signed if sign == "=" else size
            return Relation(text, (name, value), ("=" if sign == "size" else sign,))
    return None


def _value(text: str, known: AbstractSet[str]) -> str | None:
    """Return a formula behind words; None where its names are words as well."""
    value = _formula(text, known)
    unknown = names_in(value) - known if value else ()
    return None if any(_ORDINARY.fullmatch(n) for n in unknown) else value


def _plain(text: str, known: AbstractSet[str]) -> Relation | None:
    """Return the relation that formulas with signs between them are."""
    pieces = _SIGN.split(text)
    if len(pieces) < 3:
        return None
    sides = []
    for piece in pieces[::2]:
        side = _formula(piece, known)
        if side is None:
            return None
        sides.append(side)
    return Relation(text.strip(), tuple(sides), tuple(pieces[1::2]))


def _formula(text: str, known: AbstractSet[str]) -> str | None:
    """Return a formula with its numbers spelt out; None where the text is none."""

    def spelt(found: re.Match[str]) -> str:
        if found[1] in known:
            return found[0]  # a number times a name
        try:
            return f"{parse_si(found[0]):.12g}"
        except NumberError:
            return found[0]

    formula = _VALUE.sub(spelt, text.strip())
    if _SENTENCE.search(formula) and names_in(formula) - known:
        return None
    return formula if is_formula(formula) else None


# -- what is supposed ------------------------------------------------------------------------------


def _supposed(text: str, parts: Sequence[str]) -> tuple[Given, ...] | None:
    """Return what a text supposes; None where it is not all of a form that is read."""
    found: list[Given] = []
    for item in (i.strip() for i in _LIST.split(text)):
        alike = _ALIKE.fullmatch(item)
        more = _alike(alike, parts) if alike else _assigned(item, parts, found)
        if not more:
            return None
        found += more
    return tuple(found)


def _alike(said: re.Match[str], parts: Sequence[str]) -> list[Given]:
    """Return what "equal R", "equal C", "equal parts", "... but R7" suppose."""
    but = set((said[2] or "").split())
    if but - set(parts):
        return []
    found = []
    for letter in "RC" if said[1] == "parts" else said[1]:
        alike = [n for n in parts if (m := _NUMBERED.fullmatch(n)) and m[1] == letter]
        alike = [n for n in alike if n not in but]
        if alike:
            found.append(Given((letter, *alike), alike[0]))
    return found


def _assigned(item: str, parts: Sequence[str], before: Sequence[Given]) -> list[Given]:
    """Return what ``A = B = formula`` supposes; nothing where it cannot be put into the values."""
    named = [n for g in before for n in g.names]
    known = {*parts, *named}
    sides = [side.strip() for side in item.split("=")]
    plain = [s for s in sides if s.isidentifier()]
    formulas = [_formula(s, known) for s in sides if s not in plain]
    given = [s for s in plain if s in named] + [s for s in plain if s in parts]
    source = (*formulas, *given, None)[0]
    if len(sides) < 2 or len(formulas) > 1 or not plain or source is None:
        return []
    unknown = names_in(source) - known or set(plain) & {*MEASURED, *GAINS, *_SIZES}
    if unknown or _NOTHING.fullmatch(source):
        return []
    return [Given(tuple(plain), source)]
