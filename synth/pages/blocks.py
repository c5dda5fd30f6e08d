"""A document of blocks as HTML: formulas as MathML, very long ones as text that wraps."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

from synth.pages.mathml import mathml
from synth.pages.words import typeset
from synth.report.document import Block, Equation, Grid, Heading, Items, Paragraph
from synth.report.layout import printable
from synth.report.mathematics import Math

#: Formulas of more letters than this in plain text do not fit a page as one line.
_LONGEST = 120


def blocks_html(blocks: Iterable[Block], level: int = 2) -> str:
    """Return the blocks; a heading of level 2 becomes ``h<level + 1>``."""
    return "\n".join(_block(b, level) for b in blocks)


def math_html(formula: Math, block: bool = False) -> str:
    """Return a formula, with its plain text for those who copy it."""
    if len(formula.plain) > _LONGEST:
        return f"<code>{escape(formula.plain)}</code>"
    return mathml(formula.latex, block)


def _block(block: Block, level: int) -> str:
    if isinstance(block, Heading):
        tag = f"h{min(block.level + level - 1, 6)}"
        return f"<{tag}>{_words(block.text)}</{tag}>"
    if isinstance(block, Paragraph):
        return f"<p>{_flat(block.pieces)}</p>"
    if isinstance(block, Equation):
        return f'<div class="equation">{math_html(block.formula, block=True)}</div>'
    if isinstance(block, Items):
        points = "".join(f"<li>{_flat(p)}</li>" for p in block.points)
        return f"<ul>{points}</ul>"
    return _grid(block)


def _grid(grid: Grid) -> str:
    head = "".join(f"<th>{_flat((c,))}</th>" for c in grid.head)
    rows = "".join(
        "<tr>" + "".join(f"<td>{_flat((c,))}</td>" for c in row) + "</tr>" for row in grid.rows
    )
    return (
        f'<div class="scroll"><table><thead><tr>{head}</tr></thead>'
        f"<tbody>{rows}</tbody></table></div>"
    )


def _flat(pieces: Sequence[str | Math]) -> str:
    return "".join(math_html(p) if isinstance(p, Math) else _words(p) for p in pieces)


def _words(text: str) -> str:
    return escape(typeset(printable(text)))
