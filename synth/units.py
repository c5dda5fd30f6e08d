"""Numbers with suffixes: SI on the command line, the simulator's rules in a deck.

The two worlds disagree about ``M``: mega on the command line (SI, case-sensitive), milli in a
deck (simulators ignore case; mega is ``MEG`` there).  Hence two readers and two writers.  The
codes of IEC 60062 (``4k7``, ``4R7``, ``2n2``) are read where they mean one thing only, and are
never written.

References
----------
.. [1] IEC 60062, Marking codes for resistors and capacitors.
.. [2] BIPM, The International System of Units, 9th edition (prefixes).
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from decimal import Decimal
from functools import lru_cache

from synth.errors import NumberError

#: SI prefix -> power of ten.  Both micro signs (U+00B5, U+03BC) and the plain u are read.
SI_PREFIXES: Mapping[str, int] = {
    "f": -15,
    "p": -12,
    "n": -9,
    "u": -6,
    "µ": -6,
    "μ": -6,
    "m": -3,
    "": 0,
    "k": 3,
    "M": 6,
    "G": 9,
    "T": 12,
}
#: Suffix of a number in a deck (lower case) -> power of ten; ``mil`` is treated apart.
DECK_SUFFIXES: Mapping[str, int] = {
    "f": -15,
    "p": -12,
    "n": -9,
    "u": -6,
    "µ": -6,
    "μ": -6,
    "m": -3,
    "k": 3,
    "meg": 6,
    "g": 9,
    "t": 12,
}
#: Longest text that is looked at.
LONGEST = 40
#: Least and largest size of a number that is read, 0 aside.
SMALLEST, LARGEST = 1e-300, 1e300
#: From here on a number without a prefix is written with an exponent.
_LARGEST_PLAIN = 1e7
#: Significant digits of a number in a written deck.
_DECK_DIGITS = 13

_NUMBER = r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"
_UNITS: Mapping[str, str] = {
    "": "",
    "hz": "Hz",
    "ohm": "ohm",
    "ohms": "ohm",
    "Ω": "ohm",  # U+03A9, the Greek letter
    "\u2126": "ohm",  # the ohm sign
    "F": "F",
    "H": "H",
    "s": "s",
    "V": "V",
}
_PLAIN = re.compile(rf"({_NUMBER})\s*([^\W\d_]*)")
_CODE = re.compile(r"([+-]?)([0-9]*)([RrkKMGTpnuµμm])([0-9]+)\s*([^\W\d_]*)")
_DECK_NUMBER = re.compile(r"([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eEdD][+-]?[0-9]+)?)([^\W\d_]*)")
_DECK_CODE = re.compile(r"([+-]?)([0-9]+)([RrkKGgTtpPnNuUµμMm])([0-9]+)([^\W\d_]*)")


@lru_cache(maxsize=1024)  # the same preferred values come again with every stage
def parse_si(text: str, unit: str = "") -> float:
    """Read a number typed by a person: SI prefix (case-sensitive), unit name, IEC 60062 code.

    Parameters
    ----------
    text : str
        Such as ``1kHz``, ``4.7k``, ``10 nF``, ``4k7``, ``4R7``, ``1M5``, ``2e-9``.
    unit : str
        The unit wanted (Hz, ohm, F, H, s, V); a text with another unit is refused.  Empty takes
        any of them.

    Returns
    -------
    float
        The number in the unit without prefix.

    Raises
    ------
    NumberError
        If the text is empty, too long, no finite number, or in another unit.

    Examples
    --------
    >>> parse_si("1kHz"), parse_si("4k7", "ohm"), parse_si("2n2")
    (1000.0, 4700.0, 2.2e-09)
    """
    text = _presentable(text)
    code = _CODE.fullmatch(text)
    if code:
        sign, whole, letter, fraction, rest = code.groups()
        if whole or letter in "Rrpnuµμm":
            _check_unit(text, rest, unit)
            exponent = {"R": 0, "r": 0, "K": 3}.get(letter)
            if exponent is None:
                exponent = SI_PREFIXES[letter]
            return _number(text, f"{sign}{whole or 0}.{fraction}", exponent)
    plain = _PLAIN.fullmatch(text)
    if not plain:
        raise NumberError(f"{text!r} is not a number; write one such as 4.7k, 10n or 1e-9")
    digits, rest = plain.groups()
    for prefix in (rest[:1], ""):
        if prefix in SI_PREFIXES and _unit_name(rest[len(prefix) :]) is not None:
            _check_unit(text, rest[len(prefix) :], unit)
            return _number(text, digits, SI_PREFIXES[prefix])
    raise NumberError(f"{text!r} ends in {rest!r}, which is no SI prefix or unit; {_advice(rest)}")


def parse_deck_number(text: str) -> tuple[float, str | None]:
    """Read a number as the circuit simulator reads it, with a note where people are surprised.

    Suffixes are f p n u m k meg g t mil in any case; letters after the suffix are ignored.

    Parameters
    ----------
    text : str
        Such as ``10kOhm``, ``100nF``, ``1MEG``, ``4k7``.

    Returns
    -------
    tuple of float and (str or None)
        The number, and a note when the text may not mean what its author thought.

    Raises
    ------
    NumberError
        If it cannot be read, or is a code with M or m (milli or mega?).

    Examples
    --------
    >>> parse_deck_number("10kOhm")
    (10000.0, None)
    >>> parse_deck_number("4k7")
    (4700.0, '4k7 is read as 4.7k (IEC 60062); simulators read 4k, so write 4.7k')
    """
    text = _presentable(text)
    code = _DECK_CODE.fullmatch(text)
    if code:
        return _deck_code(text, code)
    match = _DECK_NUMBER.fullmatch(text)
    if not match:
        raise NumberError(f"{text!r} is not a number; write one such as 4.7k, 10n or 1e-9")
    digits, rest = match.groups()
    digits = digits.lower().replace("d", "e")
    lower = rest.lower()
    if lower.startswith("mil"):
        return _number(text, digits, -6) * 25.4, f"{text} is in mil, which is 25.4e-6"
    if lower.startswith("meg"):
        return _number(text, digits, 6), None
    if not rest or lower[0] not in DECK_SUFFIXES:
        return _number(text, digits, 0), None
    note = None
    if lower[0] == "f":
        note = f"{text}: F is femto (1e-15) in a simulator; leave the unit away for farad"
    elif rest[0] == "M":
        note = f"{text}: M is milli in a simulator; write {digits}MEG if mega is meant"
    return _number(text, digits, DECK_SUFFIXES[lower[0]]), note


def format_si(value: float, unit: str = "", digits: int = 4) -> str:
    """Write a number for a person: engineering prefix and unit.

    Parameters
    ----------
    value : float
        In the unit without prefix.
    unit : str
        Written after the prefix.
    digits : int
        Significant digits.

    Returns
    -------
    str

    Examples
    --------
    >>> format_si(4700, "ohm"), format_si(1e-8, "F"), format_si(0, "V"), format_si(-0.02)
    ('4.7 kohm', '10 nF', '0 V', '-20 m')
    """
    if not math.isfinite(value) or value == 0:
        return f"{value:g} {unit}".rstrip()
    number = Decimal(f"{value:.{digits - 1}e}")
    exponent = 3 * math.floor(number.adjusted() / 3)
    prefixes = {p: s for s, p in SI_PREFIXES.items() if s not in ("µ", "μ")}
    if exponent not in prefixes:
        return f"{value:.{digits}g} {unit}".rstrip()
    scaled = number.scaleb(-exponent).normalize()
    return f"{scaled:f} {prefixes[exponent]}{unit}".rstrip()


def plain(value: float, digits: int = 3, *, signed: bool = False) -> str:
    """Write a number for a person without a prefix, and without an exponent where that is short.

    Parameters
    ----------
    value : float
    digits : int
        Significant digits.
    signed : bool
        Whether a positive number gets its sign.

    Returns
    -------
    str

    Examples
    --------
    >>> plain(100.4, 2), plain(1234.5), plain(0.02, signed=True)
    ('100', '1230', '+0.02')
    >>> plain(3.2e9), plain(1.5e-7)
    ('3.2e+09', '1.5e-07')
    """
    sign = "+" if signed else ""
    text = f"{value:{sign}.{digits}g}"
    if "e+" in text and abs(value) < _LARGEST_PLAIN:
        return f"{Decimal(text):{sign}f}"
    return text


def format_deck(value: float) -> str:
    """Write a number for a deck: 13 significant digits at most, which are within 1e-12.

    Parameters
    ----------
    value : float
        Finite.  One of at most 13 digits is read back exactly, any other within 5e-13 of itself.

    Returns
    -------
    str
        With a simulator suffix when that is short (``4.7k``, ``10n``, ``1meg``), else with an
        exponent; never a code such as 4k7, never the suffix f.

    Raises
    ------
    NumberError
        If the value is not finite.

    Examples
    --------
    >>> format_deck(4700.0), format_deck(1e-8), format_deck(1e6), format_deck(2e-16)
    ('4.7k', '10n', '1meg', '2e-16')
    >>> format_deck(1e-7 * 5 / 3)
    '166.6666666667n'
    """
    if not math.isfinite(value):
        raise NumberError(f"{value} cannot stand in a deck; a value must be finite")
    number = Decimal(f"{value:.{_DECK_DIGITS - 1}e}").normalize()
    if number == 0:
        return "0"
    suffixes = {"": 0} | {s: p for s, p in DECK_SUFFIXES.items() if s not in ("f", "µ", "μ")}
    power = 3 * math.floor(number.adjusted() / 3)
    texts = [f"{number:e}".replace("e+", "e")]
    if -6 < number.adjusted() < 16:
        texts.append(f"{number:f}")
    shortest = min(texts, key=len)
    for suffix, p in suffixes.items():
        if p == power:
            engineering = f"{number.scaleb(-power).normalize():f}{suffix}"
            return min(engineering, shortest, key=lambda t: len(t) - (t is engineering))
    return shortest


def _presentable(text: str) -> str:
    text = text.strip()
    if not text:
        raise NumberError("a number is missing; write one such as 4.7k, 10n or 1e-9")
    if len(text) > LONGEST:
        raise NumberError(
            f"{text[:12]!r}... is {len(text)} characters long; a number has at most {LONGEST}"
        )
    return text


def _number(text: str, digits: str, exponent: int) -> float:
    """Combine decimal digits and a power of ten without a rounding error of its own."""
    shifted = Decimal(digits)
    if shifted and abs(shifted.adjusted() + exponent) > 300:
        raise NumberError(
            f"{text!r} lies outside the range of numbers, {SMALLEST:g} to {LARGEST:g}"
        )
    return float(shifted.scaleb(exponent))


def _unit_name(text: str) -> str | None:
    return _UNITS.get(text, _UNITS.get(text.lower()) if len(text) > 1 else None)


def _check_unit(text: str, found: str, wanted: str) -> None:
    name = _unit_name(found)
    if name is None:
        raise NumberError(f"{text!r} ends in {found!r}, which is no unit; {_advice(found)}")
    if wanted and name and name != (_unit_name(wanted) or wanted):
        raise NumberError(f"{text!r} is in {name}, but a value in {wanted} is wanted")


def _advice(rest: str) -> str:
    if rest.lower().startswith("meg"):
        return "mega is written M here"
    if rest[:1] == "K":
        return "kilo is written with a small k"
    return "prefixes are f p n u m k M G T (capitals matter), units Hz ohm F H s V"


def _deck_code(text: str, code: re.Match[str]) -> tuple[float, str]:
    sign, whole, letter, fraction, rest = code.groups()
    lower = letter.lower()
    _check_unit(text, rest, "")
    number = f"{sign}{whole}.{fraction}"
    if lower == "m":
        raise NumberError(
            f"{text!r} is ambiguous in a deck; write {number}MEG for mega or {number}m for milli"
        )
    suffix = "" if lower == "r" else lower
    value = _number(text, number, DECK_SUFFIXES[suffix] if suffix else 0)
    simulated = whole + suffix
    return value, (
        f"{text} is read as {number}{suffix} (IEC 60062); "
        f"simulators read {simulated}, so write {number}{suffix}"
    )
