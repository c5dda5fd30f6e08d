"""Limits a response must keep, and the text of a mask.

A mask is a text with one limit a line; ``#`` starts a comment::

    # wave sensor, anti-alias filter
    1    10    within 0.5 dB     # of the nominal response, or of the target where one is given
    1    20    >= -3 dB
    200  10k   <= -40 dB

A line is ``FROM TO OP LEVEL``: two frequencies in hertz with SI prefixes and an optional unit
(``1k``, ``50Hz``), one of ``>=``, ``<=`` and ``within``, and a level in decibels, the unit
optional.  The text is read word by word and nothing in it is evaluated.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from synth.errors import NumberError
from synth.tolerances.spread import Array
from synth.transfer.transfer import Transfer
from synth.units import format_si, parse_si

OPERATIONS = (">=", "<=", "within")
_POINTS = 65
_MOST_LINES = 1000
_LARGEST = 200_000


@dataclass(frozen=True)
class Limit:
    """One limit over a band of frequencies.

    Parameters
    ----------
    low_hz, high_hz : float
        The band, both ends included.
    operation : str
        ``">="`` or ``"<="``: |H| against the level; ``"within"``: at most that far from the
        reference response on either side.
    level_db : float
        In decibels.

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
        if not 0 < self.low_hz <= self.high_hz < math.inf:
            raise NumberError(
                f"the band {self.low_hz:g} Hz to {self.high_hz:g} Hz is none; it must be positive "
                "and the lower end come first"
            )
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
        band = f"{format_si(self.low_hz, 'Hz')} to {format_si(self.high_hz, 'Hz')}"
        sign = "within +-" if self.operation == "within" else f"{self.operation} "
        return f"{band} {sign}{self.level_db:g} dB"


@dataclass(frozen=True)
class Bounds:
    """All limits at the frequencies where they are looked at.

    Parameters
    ----------
    frequencies : array
        In hertz.
    least, most : array
        Bounds of |H|**2 there; 0 and infinity where there is none.
    limit : Limit
    reference : Transfer or None
        What ``"within"`` is about; None for the nominal response.
    """

    frequencies: Array
    least: Array
    most: Array
    limit: Limit
    reference: Transfer | None = None

    def at(self, nominal: Callable[[Array], Array], frequencies: Array) -> tuple[Array, Array]:
        """Return least and most at any frequencies of the band.

        Parameters
        ----------
        nominal : callable
            The nominal |H|**2 at frequencies in hertz.
        frequencies : array
            In hertz, of any shape.
        """
        shape = frequencies.shape
        if self.limit.operation != "within":
            wanted = np.ones(1)
        elif self.reference is None:
            wanted = nominal(frequencies)
        else:
            wanted = np.abs(self.reference(2j * np.pi * frequencies)) ** 2
        found = bounds(self.limit, frequencies.ravel(), np.broadcast_to(wanted, shape).ravel())
        return found.least.reshape(shape), found.most.reshape(shape)


def limit_frequencies(limit: Limit, special: Sequence[float] = ()) -> Array:
    """Return where a limit is looked at: both ends, points between, and the special ones inside.

    Parameters
    ----------
    limit : Limit
    special : sequence of float
        Frequencies in hertz where a response may peak or dip.
    """
    inside = [f for f in special if limit.low_hz < f < limit.high_hz]
    grid = np.geomspace(limit.low_hz, limit.high_hz, _POINTS)
    grid[0], grid[-1] = limit.low_hz, limit.high_hz
    return np.unique(np.concatenate([grid, inside]))


def bounds(
    limit: Limit, frequencies: Array, reference: Array, target: Transfer | None = None
) -> Bounds:
    """Return the bounds of |H|**2 that a limit sets.

    Parameters
    ----------
    limit : Limit
    frequencies : array
        In hertz, within its band.
    reference : array
        |H|**2 of the reference response there; used by ``"within"`` only.
    target : Transfer, optional
        That response, where it is not the nominal one.
    """
    level = 10 ** (limit.level_db / 10)
    least, most = np.zeros(len(frequencies)), np.full(len(frequencies), np.inf)
    if limit.operation == ">=":
        least[:] = level
    elif limit.operation == "<=":
        most[:] = level
    else:
        least, most = reference / level, reference * level
    return Bounds(frequencies, least, most, limit, target)


def limit_from_text(text: str) -> Limit:
    """Read one limit.

    Raises
    ------
    NumberError
        If it is not of the form ``FROM TO OP LEVEL``.

    Examples
    --------
    >>> print(limit_from_text("1k 2k >= -3 dB"))
    1 kHz to 2 kHz >= -3 dB
    """
    words = text.split()
    if len(words) == 5 and words[4].lower() == "db":
        words.pop()
    if len(words) != 4 or words[2] not in OPERATIONS:
        shown = text.strip() if len(text) <= 60 else f"{text.strip()[:60]}..."
        raise NumberError(
            f"{shown!r} is no limit; write FROM TO OP LEVEL, as in 1k 2k >= -3 dB, where OP is "
            f"one of {', '.join(OPERATIONS)}"
        )
    level = words[3][:-2] if words[3][-2:].lower() == "db" else words[3]
    return Limit(parse_si(words[0], "Hz"), parse_si(words[1], "Hz"), words[2], parse_si(level))


def mask_from_text(text: str, what: str = "the mask") -> tuple[Limit, ...]:
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
    found = []
    for number, line in enumerate(lines, start=1):
        content = line.partition("#")[0]
        if content.strip():
            try:
                found.append(limit_from_text(content))
            except NumberError as error:
                raise NumberError(f"line {number} of {what}: {error}") from None
    if not found:
        raise NumberError(f"{what} has no limits; write one a line, as in 1k 2k >= -3 dB")
    return tuple(found)


def read_mask(path: str | Path) -> tuple[Limit, ...]:
    """Read a mask from a file.

    Raises
    ------
    NumberError
        If the file cannot be read, is too large or no text, or a line is wrong.
    """
    try:
        with Path(path).open("rb") as file:
            data = file.read(_LARGEST + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "it is no file name"
        raise NumberError(f"mask {path} cannot be read: {reason}") from None
    if len(data) > _LARGEST:
        raise NumberError(f"mask {path} is larger than {_LARGEST // 1000} kB; it is no mask")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise NumberError(f"mask {path} is not UTF-8 text (byte {error.start})") from None
    return mask_from_text(text, f"mask {path}")
