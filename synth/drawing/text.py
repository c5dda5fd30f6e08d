"""How wide a text is, in grid steps: enough to keep labels apart, on the safe side."""

from __future__ import annotations

#: Size of the type in grid steps; a line of text takes `LINE`.
SIZE = 0.62
LINE = 0.72
#: Widest name inside an op amp, in grid steps, and the least scale at which it is written there.
INSIDE, LEAST = 2.1, 0.7
_NARROW = set("iljtfrI.,:;'|!()[] ")
_WIDE = set("mwMWΩ%@&")


def width(text: str, size: float = SIZE) -> float:
    """Return the width of one line in a sans-serif type, in grid steps.

    Notes
    -----
    Advance widths in parts of the type size, rounded up in four classes: narrow letters 0.36,
    others 0.6, capitals 0.74, the widest 1.0 (common practice for sans-serif faces).
    """
    total = 0.0
    for c in text:
        if c in _WIDE or ord(c) > 0x2E80:
            total += 1.0
        elif c in _NARROW:
            total += 0.36
        elif c.isupper():
            total += 0.74
        else:
            total += 0.6
    return total * size


def fits_inside(name: str) -> bool:
    """Say whether a name can be read inside the symbol of an op amp; else it stands beside it."""
    return width(name) * LEAST <= INSIDE
