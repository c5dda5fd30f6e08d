"""A document as plain text for a terminal of 80 columns."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from synth.report.document import Block, Equation, Grid, Heading, Items, Paragraph
from synth.report.layout import table, wrapped
from synth.report.mathematics import Math


def plain_text(blocks: Iterable[Block]) -> str:
    """Return the document, ending in a line feed."""
    lines: list[str] = []
    for block in blocks:
        lines += [*_lines(block), ""]
    return "\n".join(line.rstrip() for line in lines[:-1]) + "\n"


def _lines(block: Block) -> list[str]:
    if isinstance(block, Heading):
        title = wrapped(block.text)
        rule = ("=" if block.level == 1 else "-") * max(map(len, title))
        return [*title, rule] if block.level < 3 else title
    if isinstance(block, Paragraph):
        return wrapped(_flat(block.pieces))
    if isinstance(block, Equation):
        return wrapped(block.formula.plain, "    ", "      ")
    if isinstance(block, Items):
        return [x for p in block.points for x in wrapped(_flat(p), "- ", "  ")]
    return _grid(block)


def _grid(grid: Grid) -> list[str]:
    head = [_flat((c,)) for c in grid.head]
    return table(head, [[_flat((c,)) for c in row] for row in grid.rows])


def _flat(pieces: Sequence[str | Math]) -> str:
    return "".join(p.plain if isinstance(p, Math) else p for p in pieces)
