"""A figure as plain data: what is drawn, in which units, apart from how it looks.

A *role* says what a thing is (``target``, ``built``, ``real`` ...); the renderer's style decides
how that looks.  Values may be infinite or NaN: a curve leaves the panel there, or is broken.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from synth.shown import shown

Scale = Literal["linear", "log"]
Numbers = tuple[float, ...]

#: Every role with what it stands for.
ROLES = {
    "target": "what was asked for",
    "given": "the values as given",
    "built": "the circuit with preferred values and ideal op amps",
    "real": "the same with real op amps",
    "tolerance": "where most circuits lie",
    "worst": "where every circuit lies",
    "complement": "the circuit with input and ground interchanged",
    "sum": "a circuit and its complement together",
    "defect": "what is missing in that sum",
    "step": "response to a step",
    "impulse": "response to an impulse",
    "final": "where a response settles",
    "mask": "where a response may not be",
    "pole": "a pole",
    "zero": "a zero",
    "real-pole": "a pole with real op amps",
    "real-zero": "a zero with real op amps",
    "first": "the first of several bars or circuits",
    "second": "the second",
    "third": "the third",
    "fourth": "the fourth",
    "fifth": "the fifth",
    "sixth": "the sixth",
}


@dataclass(frozen=True)
class Axis:
    """One axis: a quantity, its unit, its scale and its ends (in the unit without prefix)."""

    quantity: str
    unit: str
    scale: Scale
    low: float
    high: float


@dataclass(frozen=True)
class Curve:
    """A line through points."""

    label: str
    role: str
    x: Numbers
    y: Numbers


@dataclass(frozen=True)
class Band:
    """What lies between two lines."""

    label: str
    role: str
    x: Numbers
    low: Numbers
    high: Numbers


@dataclass(frozen=True)
class Region:
    """A box, of infinite extent where an end is infinite."""

    label: str
    role: str
    x_low: float
    x_high: float
    y_low: float
    y_high: float


@dataclass(frozen=True)
class Mark:
    """A point, with a text beside it where `text` is not empty."""

    label: str
    role: str
    x: float
    y: float
    text: str = ""


@dataclass(frozen=True)
class Panel:
    """One pair of axes with what is in it.

    Parameters
    ----------
    x, y : Axis
    curves, bands, regions, marks : tuple
    equal : bool
        Whether both axes have one scale.
    share : float
        Of the height of the figure, against the other panels.
    """

    x: Axis
    y: Axis
    curves: tuple[Curve, ...] = ()
    bands: tuple[Band, ...] = ()
    regions: tuple[Region, ...] = ()
    marks: tuple[Mark, ...] = ()
    equal: bool = False
    share: float = 1.0


@dataclass(frozen=True)
class BarSet:
    """One bar for each category."""

    label: str
    role: str
    values: Numbers


@dataclass(frozen=True)
class Bars:
    """Bars from the left, one group for each category, the first on top."""

    x: Axis
    categories: tuple[str, ...]
    sets: tuple[BarSet, ...]


@dataclass(frozen=True)
class Figure:
    """A figure.

    Parameters
    ----------
    name : str
        A key of `synth.plots.figures.FIGURES`.
    title : str
    panels : tuple of Panel
        One below the other on one x axis.
    bars : Bars or None
        In place of panels.
    note : str
        What a reader must know to read it.
    """

    name: str
    title: str
    panels: tuple[Panel, ...] = ()
    bars: Bars | None = None
    note: str = ""

    def _repr_svg_(self) -> str | None:
        return shown(self, "svg")
