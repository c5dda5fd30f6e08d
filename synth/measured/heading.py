"""The units that the header of a table says: of frequency, magnitude and phase.

A unit stands in brackets, or as the last word of its column: ``Frequency (kHz)``, ``f/kHz``,
``frequency_khz``.  A unit in brackets that is not known is refused, lest numbers be misread.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from synth.errors import NumberError

_PREFIXES = {"": 1.0, "k": 1e3, "M": 1e6, "G": 1e9, "m": 1e-3}
_FREQUENCY = re.compile(
    r"(?<![a-z])(?P<prefix>[kmg]?)(?P<unit>hz|rad(?:/|_per_|_)?s(?:ec)?)(?![a-z])", re.IGNORECASE
)
_BRACKETS = re.compile(r"[(\[]\s*([^()\[\]]*?)\s*[)\]]")
#: Units a magnitude and a phase may have in brackets.
_DECIBELS, _RATIOS = {"db"}, {"v/v", "ratio", "lin", "linear", "abs", "1", "-", ""}
_RADIANS, _DEGREES = {"rad", "radian", "radians"}, {"deg", "degree", "degrees", "\N{DEGREE SIGN}"}


@dataclass(frozen=True)
class Heading:
    """What a header says.

    Parameters
    ----------
    unit : str
        Of the frequencies, as shown; empty where none is said.
    hertz : float
        What one such unit is in hertz.
    decibels, radians : bool
        Whether magnitudes and phases are said to be in these.
    """

    unit: str = ""
    hertz: float = 1.0
    decibels: bool = False
    radians: bool = False


def heading_of(header: str, columns: int, what: str) -> Heading:
    """Read a header.

    Parameters
    ----------
    header : str
        Empty where there is none.
    columns : int
        Of the table, 2 or 3.
    what : str
        What the table is called in messages.

    Raises
    ------
    NumberError
        If a unit in brackets is unknown.

    Examples
    --------
    >>> heading_of("Frequency (kHz), Gain (dB)", 2, "it")
    Heading(unit='kHz', hertz=1000.0, decibels=True, radians=False)
    """
    parts = [p for p in re.split(r"[,;\t]", header) if p.strip()]
    if len(parts) == 1:
        parts = re.split(r"\s+(?![(\[])", header.strip())
    first = parts[0] if len(parts) == columns else header
    found = _FREQUENCY.search(first)
    rest = header.replace(found.group(), "", 1) if found else header
    if len(parts) == columns:
        rest = " ".join(parts[1:])
        _known(parts[0], None, found is not None, what)
        _known(parts[1], _DECIBELS | _RATIOS, False, what)
        if columns == 3:
            _known(parts[2], _RADIANS | _DEGREES, False, what)
    low = rest.lower()
    decibels, radians = "db" in low, "rad" in low
    if found is None:
        return Heading(decibels=decibels, radians=radians)
    prefix = found["prefix"]
    if prefix != "m" or found["unit"] == "hz":  # mHz is a thousandth, MHz and mhz are a million
        prefix = prefix.lower() if prefix in "kK" else prefix.upper()
    turns = found["unit"].lower() != "hz"
    factor = _PREFIXES[prefix]
    return Heading(
        f"{prefix}{'rad/s' if turns else 'Hz'}",
        factor / (2 * math.pi) if turns else factor,
        decibels,
        radians,
    )


def _known(column: str, units: set[str] | None, understood: bool, what: str) -> None:
    """Refuse a unit in brackets that is not among those known."""
    found = _BRACKETS.search(column)
    if found is None or understood or (units is not None and found[1].lower() in units):
        return
    known = (
        "Hz, kHz, MHz, GHz or rad/s" if units is None else ", ".join(sorted(filter(None, units)))
    )
    raise NumberError(
        f"the header of {what} has the unit {found[1][:20]!r} in its column "
        f"{column.strip()[:40]!r}, which is unknown; write {known}"
    )
