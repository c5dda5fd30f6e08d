"""A small sketch of a magnitude response in text, eight lines high.

A character of Unicode's braille block holds two columns of four dots, so a field of 64 by 8
characters has 128 by 32 points.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from synth.transfer.transfer import Transfer
from synth.units import format_si

_COLUMNS, _ROWS = 64, 8
_ACROSS, _DOWN = 2, 4
_BLANK = 0x2800
#: Bits of the dots of a braille character, by column and row.
_BITS = ((0x01, 0x02, 0x04, 0x40), (0x08, 0x10, 0x20, 0x80))
#: How far below its maximum a response is drawn, and how far beyond its roots, in dB and decades.
_DEPTH_DB, _BEYOND = 60.0, 1.0
_MOST_DECADES = 6.0
_STEP_DB = (1, 2, 5, 10, 20)
#: Least height of the picture, and with a zero on the axis of frequencies.
_HEIGHT_DB, _NOTCH_DB = 3.0, 40.0
_ON_AXIS = 1e-9
#: A response may exceed the first line by this share of two lines: it is still drawn in it.
_OVER = 0.1


def sketch(transfer: Transfer) -> list[str]:
    """Return |H| in dB over log frequency as lines of at most 80 columns.

    Parameters
    ----------
    transfer : Transfer

    Returns
    -------
    list of str
        Empty where there is nothing to draw: a constant, or zero.
    """
    ends = _ends(transfer)
    if ends is None:
        return []
    low, high = ends
    points = _COLUMNS * _ACROSS
    ratio = (high / low) ** (1 / (points - 1))
    levels = [_decibels(transfer, low * ratio**k) for k in range(points)]
    notches = _notches(transfer, low, ratio, points)
    for k in notches:
        levels[k] = -math.inf
    top, step = _scale(levels, _NOTCH_DB if notches else _HEIGHT_DB)
    cells = _cells(levels, top, step)
    lines = []
    for row, line in enumerate(cells):
        label = f"{top - step * row:4d} dB" if row % 2 == 0 else ""
        drawn = "".join(chr(_BLANK + c) if c else " " for c in line)
        lines.append(f"{label:>7} |{drawn}".rstrip())
    lines.append(" " * 8 + "+" + "-" * _COLUMNS)
    return [*lines, _axis(low, high)]


def ascii_dots(text: str) -> str:
    """Return a text with braille dots replaced by signs that every terminal has.

    Examples
    --------
    >>> ascii_dots(chr(0x2801) + chr(0x2812) + chr(0x28c0))
    "'-."
    """
    return "".join(_sign(ord(c) - _BLANK) if _BLANK < ord(c) < _BLANK + 256 else c for c in text)


def _sign(bits: int) -> str:
    upper, lower = bits & (0x01 | 0x08), bits & (0x40 | 0x80)
    if upper and lower:
        return "|"
    return "'" if upper else "." if lower else "-"


def _ends(transfer: Transfer) -> tuple[float, float] | None:
    """Return the frequencies in Hz between which there is something to see."""
    roots = [abs(r) / (2 * math.pi) for r in (*transfer.poles, *transfer.zeros) if r]
    if not roots or not transfer.gain:
        return None
    low, high = math.log10(min(roots)) - _BEYOND, math.log10(max(roots)) + _BEYOND
    if high - low > _MOST_DECADES:  # keep what lies around the poles
        middle = sorted(math.log10(r) for r in roots)[len(roots) // 2]
        low, high = middle - _MOST_DECADES / 2, middle + _MOST_DECADES / 2
    return 10**low, 10**high


def _decibels(transfer: Transfer, hertz: float) -> float:
    size = abs(complex(transfer(2j * math.pi * hertz)))
    return 20 * math.log10(size) if size > 0 and math.isfinite(size) else -math.inf


def _notches(transfer: Transfer, low: float, ratio: float, points: int) -> list[int]:
    """Return the columns of dots where H is zero: a notch may be narrower than a column."""
    found = []
    for z in transfer.zeros:
        if z.imag > 0 and abs(z.real) <= _ON_AXIS * abs(z):
            column = round(math.log(z.imag / (2 * math.pi) / low) / math.log(ratio))
            found += [column] if 0 <= column < points else []
    return found


def _scale(levels: Sequence[float], least_height: float) -> tuple[int, int]:
    """Return the level of the top line and the dB of one line, in round figures."""
    finite = [x for x in levels if math.isfinite(x)]
    if not finite:
        return 0, _STEP_DB[-1]
    most = max(finite)
    least = max(min(finite), most - _DEPTH_DB)
    wanted = max(most - least, least_height)
    for step in _STEP_DB:
        top = 2 * step * math.ceil(most / (2 * step) - _OVER)  # every other line has a label
        if top - step * (_ROWS - 0.5) <= most - wanted:
            break
    return top, step


def _cells(levels: Sequence[float], top: int, step: int) -> list[list[int]]:
    """Return the dots: neighbouring points are joined by dots above each other."""
    field = [[0] * _COLUMNS for _ in range(_ROWS)]
    last_row = _ROWS * _DOWN - 1
    before: int | None = None
    for k, level in enumerate(levels):
        # the middle of a line of text is its level
        place = (top - level) / step * _DOWN + _DOWN / 2 - 0.5 if math.isfinite(level) else math.inf
        row = last_row + 1 if place > last_row + 0.5 else max(0, round(place))
        start = row if before is None else before + (row > before) - (row < before)
        for y in range(min(start, row), max(start, row) + 1):
            if y <= last_row:
                field[y // _DOWN][k // _ACROSS] |= _BITS[k % _ACROSS][y % _DOWN]
        before = row
    return field


def _axis(low: float, high: float) -> str:
    """Return the labels under the frequency axis: its ends and the decades that have room."""
    width = math.log10(high / low)
    line = [" "] * 80
    used = -2
    for k in range(math.ceil(math.log10(low) - 1e-9), math.floor(math.log10(high) + 1e-9) + 1):
        column = 9 + round((k - math.log10(low)) / width * (_COLUMNS - 1))
        text = format_si(10.0**k, "Hz")
        start = min(max(column - len(text) // 2, 0), 80 - len(text))
        if start > used + 1:
            line[start : start + len(text)] = text
            used = start + len(text)
    return "".join(line).rstrip()
