"""How each role looks: colour, line, hatch; readable in grey and by colour-blind readers.

Colours are those of M. Okabe and K. Ito, Color Universal Design (2008, from memory), some darker;
no two lines that meet in a figure have one pattern of dashes, so no colour has to be told apart.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, NamedTuple


class Line(NamedTuple):
    """Name of a colour, width in points, and dashes in widths (empty for a solid line)."""

    colour: str
    width: float
    dashes: tuple[float, ...] = ()


#: Name of a colour -> the colour on paper.
PAPER: Mapping[str, str] = {
    "paper": "#ffffff",
    "ink": "#1a1a1a",
    "quiet": "#5f5f5f",
    "grid": "#dcdcdc",
    "target": "#a8a8a8",
    "blue": "#00619b",
    "orange": "#c04e00",
    "green": "#00735a",
    "purple": "#8a3f74",
    "sky": "#56b4e9",
    "mask": "#8f8f8f",
    "pale": "#9fd3f2",
}

LINES: Mapping[str, Line] = {
    "target": Line("target", 4.2),
    "given": Line("blue", 1.4, (4.5, 2.0)),
    "built": Line("ink", 1.3),
    "real": Line("orange", 1.5, (6.0, 1.6, 1.2, 1.6)),
    "tolerance": Line("blue", 0.0),
    "worst": Line("blue", 1.0, (1.0, 1.6)),
    "complement": Line("green", 1.5, (4.5, 2.0)),
    "sum": Line("purple", 2.2, (9.0, 2.5)),
    "defect": Line("orange", 1.6, (1.0, 1.5)),
    "step": Line("ink", 1.5),
    "impulse": Line("ink", 1.5),
    "final": Line("quiet", 1.0, (4.5, 3.0)),
    "first": Line("ink", 1.5),
    "second": Line("orange", 1.6, (6.0, 1.6, 1.2, 1.6)),
    "third": Line("blue", 1.6, (4.5, 2.0)),
    "fourth": Line("green", 1.8, (1.0, 1.5)),
    "fifth": Line("purple", 1.4, (9.0, 2.5)),
    "sixth": Line("quiet", 1.6, (2.0, 2.0, 6.0, 2.0, 2.0, 4.0)),
}

#: Role -> symbol, name of its colour, size in points.
MARKS: Mapping[str, tuple[str, str, float]] = {
    "pole": ("x", "ink", 8.0),
    "zero": ("o", "ink", 8.0),
    "real-pole": ("+", "orange", 10.0),
    "real-zero": ("D", "orange", 5.5),
}

#: Role -> colour and hatch of a bar.
BARS: Mapping[str, tuple[str, str]] = {
    "first": ("ink", ""),
    "second": ("orange", "////"),
    "third": ("pale", "\\\\\\\\"),
    "fourth": ("green", "xxxx"),
}


@dataclass(frozen=True)
class Style:
    """How a figure is drawn.

    Parameters
    ----------
    width, height : float
        Inches.
    labels : str
        ``"right"`` of the panel beside the ends of the lines, or ``"below"`` it.
    colours : mapping
        Name of a colour -> the colour.
    title : bool
        Whether title and note are part of the picture.
    dots_per_inch : int
        Of a PNG.
    prefix : str
        Put before every identifier of an SVG, so that several can stand in one document.
    """

    width: float = 7.2
    height: float = 4.6
    labels: Literal["right", "below"] = "right"
    colours: Mapping[str, str] = field(default_factory=lambda: PAPER)
    title: bool = True
    dots_per_inch: int = 150
    prefix: str = ""
