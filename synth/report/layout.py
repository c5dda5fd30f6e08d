"""Laying out text for a terminal of 80 columns."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence

WIDTH = 80


def wrapped(text: str, indent: str = "", hanging: str | None = None) -> list[str]:
    """Return the lines of a text; further lines start with `hanging`, by default `indent`."""
    return textwrap.wrap(
        printable(text),
        WIDTH,
        initial_indent=indent,
        subsequent_indent=indent if hanging is None else hanging,
        break_on_hyphens=False,
    ) or [indent.rstrip()]


def labelled(label: str, text: str) -> list[str]:
    """Return ``label: text``, wrapped under itself."""
    return wrapped(f"{label}: {text}", hanging="  ")


def table(
    head: Sequence[str], rows: Iterable[Sequence[str]], right: frozenset[int] = frozenset()
) -> list[str]:
    """Return rows in columns under a head; columns in `right` are set flush right.

    The last column takes what is left of the width, and wraps.
    """
    cells = [tuple(map(printable, row)) for row in (head, *rows)]
    widths = [max(len(row[k]) for row in cells) for k in range(len(head) - 1)]
    start = " " * (sum(widths) + 2 * len(widths))
    lines = []
    for row in cells:
        left = "  ".join(
            cell.rjust(w) if k in right else cell.ljust(w)
            for k, (cell, w) in enumerate(zip(row[:-1], widths, strict=True))
        )
        lines += wrapped(f"{left}  {row[-1]}", hanging=start) if row[-1] else [left.rstrip()]
    return lines


def printable(text: str) -> str:
    """Return the text without control characters, which a terminal would obey."""
    return "".join(c if c.isprintable() else " " for c in text)


def shortened(text: str, limit: int) -> str:
    """Return the text, cut at the limit with a remark on its length."""
    if len(text) <= limit:
        return text
    return f"{text[:limit].rsplit(' ', 1)[0]} ... ({len(text)} characters; --json has all)"
