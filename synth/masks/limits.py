"""Limits a response must keep, and the text of a mask.

A mask is a text with one limit a line; ``#`` starts a comment::

    # wave sensor, anti-alias filter
    gain 6 dB                    # the levels below are relative to it; -2 inverts
    0    10    within 0.5 dB     # of the gain, on either side
    0    20    >= -3 dB
    200  inf   <= -40 dB
    0    10    delay 2 %         # group delay: at most so far from the middle of its range

A line is ``FROM TO OP LEVEL``: two frequencies in hertz with SI prefixes and an optional unit
(``1k``, ``50Hz``; ``0`` and ``inf`` are the ends of the axis), one of ``>=``, ``<=``, ``within``
and ``delay``, and a level: in decibels, the unit optional, or for ``delay`` in percent or seconds.
The text is read word by word and nothing in it is evaluated.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

from synth.errors import NumberError
from synth.units import format_si, parse_si

OPERATIONS = (">=", "<=", "within")
DELAY = "delay"
_MOST_LINES = 1000
_LARGEST = 200_000


@dataclass(frozen=True)
class Limit:
    """One limit over a band of frequencies.

    Parameters
    ----------
    low_hz, high_hz : float
        The band, both ends included; 0 and infinity are allowed.
    operation : str
        ``">="`` or ``"<="``: |H| against the level; ``"within"``: at most that far on either
        side of the gain of the `Mask` it stands in, or of a reference response by itself.
    level_db : float
        In decibels, the gain of the mask included.

    Raises
    ------
    NumberError
        If the band is empty or not positive, the operation unknown, or the level not finite (for
        ``"within"``: not positive).
    """

    low_hz: float
    high_hz: float
    operation: str
    level_db: float

    def __post_init__(self) -> None:
        _check_band(self.low_hz, self.high_hz)
        if self.operation not in OPERATIONS:
            raise NumberError(
                f"{self.operation!r} is no limit; choose one of {', '.join(OPERATIONS)}"
            )
        if not math.isfinite(self.level_db) or abs(self.level_db) > 1000:
            raise NumberError(f"a level of {self.level_db:g} dB is out of range; give a finite one")
        if self.operation == "within" and self.level_db <= 0:
            raise NumberError(
                f"within {self.level_db:g} dB leaves no room; give a positive number of decibels"
            )

    def __str__(self) -> str:
        band = band_words(self.low_hz, self.high_hz)
        sign = "within +-" if self.operation == "within" else f"{self.operation} "
        return f"{band} {sign}{self.level_db:g} dB"


@dataclass(frozen=True)
class DelayLimit:
    """How flat the group delay must be over a band.

    Parameters
    ----------
    low_hz, high_hz : float
        The band, both ends included; 0 is allowed.
    ripple : float
        Largest departure from the middle between the largest and the smallest delay, as a
        fraction of that middle; or in seconds where `absolute`.
    absolute : bool

    Raises
    ------
    NumberError
        If the band is none or infinite, or the ripple not positive.
    """

    low_hz: float
    high_hz: float
    ripple: float
    absolute: bool = False

    def __post_init__(self) -> None:
        _check_band(self.low_hz, self.high_hz)
        if not self.low_hz < self.high_hz < math.inf:
            raise NumberError(
                f"no delay is flat over {band_words(self.low_hz, self.high_hz)}; give a band of "
                "some width that ends"
            )
        if not 0 < self.ripple < (math.inf if self.absolute else 1):
            raise NumberError(
                f"a delay ripple of {self._level()} makes no sense; give one between 0 and 100 %, "
                "or a positive number of seconds"
            )

    def _level(self) -> str:
        return format_si(self.ripple, "s") if self.absolute else f"{100 * self.ripple:g} %"

    def __str__(self) -> str:
        return f"{band_words(self.low_hz, self.high_hz)} delay within +-{self._level()}"


@dataclass(frozen=True)
class Mask:
    """All that is asked of a response.

    Parameters
    ----------
    limits : tuple of Limit
        Of the magnitude, the gain included.
    delays : tuple of DelayLimit
    gain : float
        What 0 dB of the text stands for, with sign.
    """

    limits: tuple[Limit, ...]
    delays: tuple[DelayLimit, ...] = ()
    gain: float = 1.0

    @property
    def level_db(self) -> float:
        """The gain in dB."""
        return 20 * math.log10(abs(self.gain))

    @property
    def within(self) -> tuple[Limit, ...]:
        """The limits on either side of a level."""
        return tuple(x for x in self.limits if x.operation == "within")

    @property
    def absolute(self) -> tuple[Limit, ...]:
        """The limits of the magnitude as levels: ``within`` of the gain is two of them."""
        level = self.level_db
        found: list[Limit] = []
        for x in self.limits:
            if x.operation == "within":
                found.append(replace(x, operation=">=", level_db=level - x.level_db))
                found.append(replace(x, operation="<=", level_db=level + x.level_db))
            else:
                found.append(x)
        return tuple(found)

    def magnitudes(self, command: str) -> tuple[Limit, ...]:
        """Return the limits as levels; NumberError where the delay is limited too."""
        if self.delays:
            raise NumberError(
                f"{command} looks at magnitudes only, and the mask has the line "
                f"'{self.delays[0]}'; leave it out"
            )
        return self.absolute

    def levels(self, command: str) -> tuple[tuple[Limit, ...], tuple[str, ...]]:
        """Return the limits as levels, and a note where those of the delay are left out.

        Raises
        ------
        NumberError
            If nothing is left.
        """
        if not self.limits:
            self.magnitudes(command)
        left = ", ".join(map(str, self.delays))
        note = f"{command} looks at magnitudes only; left out of the mask: {left}"
        return self.absolute, (note,) if left else ()


def _check_band(low: float, high: float) -> None:
    if not 0 <= low <= high or math.isinf(low) or not high:
        raise NumberError(
            f"the band {low:g} Hz to {high:g} Hz is none; it must be positive and the lower end "
            "come first"
        )


def band_words(low: float, high: float) -> str:
    """Return a band in words."""
    first = format_si(low, "Hz") if low else "0 Hz"
    return f"{first} to {'infinity' if math.isinf(high) else format_si(high, 'Hz')}"


def mask_of(limits: Iterable[Limit], delays: Iterable[DelayLimit] = (), gain: float = 1.0) -> Mask:
    """Return a mask from levels relative to a gain, as its text has them.

    Raises
    ------
    NumberError
        If the gain is zero or not finite.
    """
    if not (math.isfinite(gain) and gain):
        raise NumberError(f"a gain of {gain:g} makes no mask; give a finite one that is not zero")
    shift = 20 * math.log10(abs(gain))
    moved = tuple(
        x if x.operation == "within" else replace(x, level_db=x.level_db + shift) for x in limits
    )
    return Mask(moved, tuple(delays), gain)


def limit_from_text(text: str) -> Limit | DelayLimit:
    """Read one limit.

    Raises
    ------
    NumberError
        If it is not of the form ``FROM TO OP LEVEL``.

    Examples
    --------
    >>> print(limit_from_text("1k 2k >= -3 dB"))
    1 kHz to 2 kHz >= -3 dB
    >>> print(limit_from_text("0 1k delay 5%"))
    0 Hz to 1 kHz delay within +-5 %
    """
    words = text.split()
    if len(words) == 5:
        words = [*words[:3], words[3] + words[4]]
    if len(words) != 4 or words[2] not in (*OPERATIONS, DELAY):
        raise NumberError(
            f"{_shown(text)} is no limit; write FROM TO OP LEVEL, as in 1k 2k >= -3 dB, where OP "
            f"is one of {', '.join((*OPERATIONS, DELAY))}"
        )
    low, high = frequency(words[0]), frequency(words[1])
    if words[2] == DELAY:
        return delay_limit(low, high, words[3])
    level = words[3][:-2] if words[3][-2:].lower() == "db" else words[3]
    return Limit(low, high, words[2], parse_si(level, "dB"))


def delay_limit(low: float, high: float, level: str) -> DelayLimit:
    """Return the limit of a delay from its level: ``5%``, ``20us``.

    Raises
    ------
    NumberError
        If the level is neither.
    """
    if level.endswith("%"):
        return DelayLimit(low, high, parse_si(level[:-1]) / 100)
    if level.endswith("s"):
        return DelayLimit(low, high, parse_si(level, "s"), True)
    raise NumberError(
        f"{level!r} is no ripple of a delay; write percent, as 5%, or seconds, as 20us"
    )


def frequency(word: str) -> float:
    """Read a frequency in hertz, ``inf`` among them."""
    return math.inf if word.lower() == "inf" else parse_si(word, "Hz")


def _shown(text: str) -> str:
    return repr(text.strip() if len(text) <= 60 else f"{text.strip()[:60]}...")


def _gain(text: str) -> float:
    """Read the gain after its word: a number with sign, or decibels."""
    words = "".join(text.split())
    if words[-2:].lower() == "db":
        decibels = parse_si(words[:-2], "dB")
        if not abs(decibels) <= 200:
            raise NumberError(f"a gain of {decibels:g} dB is out of range; choose -200 to 200 dB")
        return float(10 ** (decibels / 20))
    return parse_si(words)


def mask_from_text(text: str, what: str = "the mask") -> Mask:
    """Read a mask, one limit a line.

    Parameters
    ----------
    text : str
    what : str
        What it is called in messages.

    Raises
    ------
    NumberError
        If a line cannot be read (the message has its number) or there is none.
    """
    lines = text.splitlines()
    if len(lines) > _MOST_LINES:
        raise NumberError(f"{what} has {len(lines)} lines; give at most {_MOST_LINES}")
    limits: list[Limit] = []
    delays: list[DelayLimit] = []
    gain: float | None = None
    for number, line in enumerate(lines, start=1):
        content = line.partition("#")[0].strip()
        try:
            if content.split()[:1] == ["gain"]:
                if gain is not None:
                    raise NumberError("the gain is said twice; leave one out")
                gain = _gain(content[4:])
            elif content:
                found = limit_from_text(content)
                if isinstance(found, Limit):
                    limits.append(found)
                else:
                    delays.append(found)
        except NumberError as error:
            raise NumberError(f"line {number} of {what}: {error}") from None
    if not limits and not delays:
        raise NumberError(f"{what} has no limits; write one a line, as in 1k 2k >= -3 dB")
    return mask_of(limits, delays, 1.0 if gain is None else gain)


def read_mask(path: str | Path) -> Mask:
    """Read a mask from a file.

    Raises
    ------
    NumberError
        If the file cannot be read, is too large or no text, or a line is wrong.
    """
    return mask_from_text(read_text(path, "mask"), f"mask {path}")


def read_text(path: str | Path, what: str, largest: int = _LARGEST) -> str:
    """Return the text of a small file.

    Parameters
    ----------
    path : str or Path
    what : str
        What it should be, for messages.
    largest : int
        In bytes.

    Raises
    ------
    NumberError
        If the file cannot be read, is too large or no text.
    """
    try:
        with Path(path).open("rb") as file:
            data = file.read(largest + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "it is no file name"
        raise NumberError(f"{what} {path} cannot be read: {reason}") from None
    if len(data) > largest:
        raise NumberError(f"{what} {path} is larger than {largest // 1000} kB; it is no {what}")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise NumberError(f"{what} {path} is not UTF-8 text (byte {error.start})") from None
