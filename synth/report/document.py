"""A document as plain blocks: what is said, apart from how it is written down."""

from __future__ import annotations

from dataclasses import dataclass

from synth.report.mathematics import Math

#: Words and formulas in a row.
Pieces = tuple[str | Math, ...]


@dataclass(frozen=True)
class Heading:
    """A heading; level 1 is the title of the whole."""

    text: str
    level: int = 2


@dataclass(frozen=True)
class Paragraph:
    """A paragraph."""

    pieces: Pieces


@dataclass(frozen=True)
class Equation:
    """A formula that stands alone."""

    formula: Math


@dataclass(frozen=True)
class Items:
    """A list of points."""

    points: tuple[Pieces, ...]


@dataclass(frozen=True)
class Grid:
    """A table; every row has as many cells as the head."""

    head: tuple[str | Math, ...]
    rows: tuple[tuple[str | Math, ...], ...]


Block = Heading | Paragraph | Equation | Items | Grid


def say(*pieces: str | Math) -> Paragraph:
    """Return a paragraph."""
    return Paragraph(pieces)
