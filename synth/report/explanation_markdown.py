"""A document as Markdown, formulas as LaTeX between dollar signs."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from synth.report.document import Block, Equation, Grid, Heading, Items, Paragraph
from synth.report.layout import printable
from synth.report.mathematics import Math

#: What Markdown would take for markup, as character references or after a backslash.
_MARKUP = {"&": "&amp;", "<": "&lt;", ">": "&gt;", "$": "&#36;", "|": "&#124;"} | {
    c: f"\\{c}" for c in "\\`*_[]#~"
}


def markdown(blocks: Iterable[Block]) -> str:
    """Return the document, ending in a line feed."""
    return "\n\n".join(_block(b) for b in blocks) + "\n"


def escaped(text: str) -> str:
    """Return words so that Markdown shows them as they are."""
    return "".join(_MARKUP.get(c, c) for c in printable(text))


def _block(block: Block) -> str:
    if isinstance(block, Heading):
        return f"{'#' * block.level} {escaped(block.text)}"
    if isinstance(block, Paragraph):
        return _flat(block.pieces)
    if isinstance(block, Equation):
        return f"$$\n{block.formula.latex}\n$$"
    if isinstance(block, Items):
        return "\n".join(f"- {_flat(p)}" for p in block.points)
    return _grid(block)


def _grid(grid: Grid) -> str:
    rows = [grid.head, *grid.rows]
    lines = ["| " + " | ".join(_flat((c,)) for c in row) + " |" for row in rows]
    lines.insert(1, "|" + " --- |" * len(grid.head))
    return "\n".join(lines)


def _flat(pieces: Sequence[str | Math]) -> str:
    return "".join(f"${p.latex}$" if isinstance(p, Math) else escaped(p) for p in pieces)
