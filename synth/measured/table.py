"""A response as a table: frequency, magnitude, and phase where it is known.

The text has one point a line, its columns apart by commas, semicolons, tabs or blanks; ``#`` starts
a comment::

    frequency_hz, magnitude_db, phase_deg
    100,  -0.1,  -5.7
    1k,   -3.0, -45

The header is optional.  Frequencies are in hertz, or in the unit that it says (kHz, MHz, GHz,
rad/s).  Magnitudes are in decibels when it says ``db`` or when one is negative, else plain ratios;
phases are in degrees, or in radians when it says ``rad``.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from synth.errors import NumberError
from synth.masks.limits import read_text
from synth.measured.heading import Heading, heading_of
from synth.units import parse_si

Floats = NDArray[np.float64]

_LARGEST = 5_000_000
_FEWEST, _MOST = 4, 100_000
_COLUMNS = re.compile(r"\s*[,;\t]\s*|\s+")


@dataclass(frozen=True)
class ResponseTable:
    """A response at some frequencies.

    Parameters
    ----------
    frequencies_hz : (n,) array
        Positive, ascending.
    magnitude : (n,) array
        Ratios, positive.
    phase : (n,) array or None
        In radians.
    notes : tuple of str
        How the text was read.
    """

    frequencies_hz: Floats
    magnitude: Floats
    phase: Floats | None
    notes: tuple[str, ...] = ()

    @property
    def values(self) -> NDArray[np.complex128]:
        """The complex response; real and positive where no phase is known."""
        turn = np.zeros_like(self.magnitude) if self.phase is None else self.phase
        return np.asarray(self.magnitude * np.exp(1j * turn), dtype=complex)


def read_response(path: str | Path) -> ResponseTable:
    """Read a table from a file; NumberError as `response_from_text`, or if it cannot be read."""
    return response_from_text(read_text(path, "response", _LARGEST), f"response {path}")


def response_from_text(text: str, what: str = "the response") -> ResponseTable:
    r"""Read a table.

    Parameters
    ----------
    text : str
    what : str
        What it is called in messages.

    Raises
    ------
    NumberError
        If a line cannot be read (the message has its number), a unit is unknown, there are too
        few or too many points, or a frequency comes twice.

    Examples
    --------
    >>> t = response_from_text("f, dB\n1,0\n2,-1\n4,-6\n8,-12")
    >>> [float(round(m, 2)) for m in t.magnitude]
    [1.0, 0.89, 0.5, 0.25]
    """
    heading, rows = _rows(text, what)
    if not _FEWEST <= len(rows) <= _MOST:
        raise NumberError(
            f"{what} has {len(rows)} points; give {_FEWEST} to {_MOST}, one a line, as in 1k, -3"
        )
    table = np.array(sorted(rows))
    twice = np.flatnonzero(np.diff(table[:, 0]) == 0)
    if twice.size:
        raise NumberError(f"{what} has {table[twice[0], 0]:g} Hz twice; leave one out")
    decibels = bool(np.any(table[:, 1] < 0)) if heading is None else heading.decibels
    notes: tuple[str, ...] = (f"magnitudes read as {'decibels' if decibels else 'plain ratios'}",)
    if heading is not None and heading.unit not in ("", "Hz"):
        notes = (f"frequencies read as {heading.unit}, as the header says", *notes)
    phase = None
    if table.shape[1] == 3:
        radians = heading is not None and heading.radians
        phase = table[:, 2] if radians else np.radians(table[:, 2])
        notes += (f"phases read as {'radians' if radians else 'degrees'}",)
    magnitude = 10 ** (table[:, 1] / 20) if decibels else table[:, 1]
    if not np.all((magnitude > 1e-15) & (magnitude < 1e15)):
        raise NumberError(
            f"{what} has a magnitude that is not positive or out of range; give ratios of 1e-15 to "
            "1e15, or decibels with the header frequency, db"
        )
    return ResponseTable(table[:, 0], magnitude, phase, notes)


def _rows(text: str, what: str) -> tuple[Heading | None, list[tuple[float, ...]]]:
    """Return what the header says, None without one, and the numbers of each line, in hertz."""
    header = ""
    heading: Heading | None = None
    rows: list[tuple[float, ...]] = []
    for number, line in enumerate(text.splitlines(), start=1):
        content = line.partition("#")[0].strip()
        if not content:
            continue
        words = [w for w in _COLUMNS.split(content.strip(",; \t")) if w]
        if not words:
            continue
        if not rows and not header and re.match(r"[a-zA-Z]", words[0]) and words[0] != "inf":
            header = content
            continue
        if header and heading is None and len(words) in (2, 3):
            heading = heading_of(header, len(words), what)
        rows.append(_point(words, f"line {number} of {what}", heading or Heading()))
        if len(rows[-1]) != len(rows[0]):
            raise NumberError(
                f"line {number} of {what} has {len(rows[-1])} columns, the first point "
                f"{len(rows[0])}; give every point the same"
            )
    return heading, rows


def _point(words: list[str], where: str, heading: Heading) -> tuple[float, ...]:
    if len(words) not in (2, 3):
        raise NumberError(
            f"{where} has {len(words)} columns; write frequency, magnitude and, where it is known, "
            "phase"
        )
    try:
        plain = heading.unit in ("", "Hz")
        at = parse_si(words[0], "Hz") if plain else _plain(words[0], heading) * heading.hertz
        numbers = (at, *(_number(w) for w in words[1:]))
    except NumberError as error:
        raise NumberError(f"{where}: {error}") from None
    if not 1e-9 <= numbers[0] <= 1e15:
        raise NumberError(f"{where}: {numbers[0]:g} Hz is out of range; choose 1 nHz to 1 PHz")
    return numbers


def _plain(word: str, heading: Heading) -> float:
    try:
        return float(word)
    except ValueError:
        raise NumberError(
            f"{word} is no plain number, and the header says {heading.unit}; leave out one unit"
        ) from None


def _number(word: str) -> float:
    value = parse_si(word[:-2] if word.lower().endswith("db") else word)
    if not math.isfinite(value) or abs(value) > 1e15:
        raise NumberError(f"{word} is out of range; give a finite number")
    return value
