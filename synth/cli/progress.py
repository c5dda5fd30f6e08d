"""A progress bar with the time left, for what takes more than a second, on a terminal only."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import click

#: Nothing is drawn before this many seconds.
_PATIENCE = 1.0


@contextmanager
def bar() -> Iterator[Callable[[int, int], None] | None]:
    """Give a function of (done, in all) that draws a bar on standard error; None elsewhere."""
    if not sys.stderr.isatty():
        yield None
        return
    start = time.monotonic()
    drawn: Any = None

    def move(done: int, total: int) -> None:
        nonlocal drawn
        if drawn is None:
            if time.monotonic() - start < _PATIENCE:
                return
            drawn = click.progressbar(length=total, label="at most", file=sys.stderr)
            drawn.start = start
            drawn.__enter__()
        drawn.length = total
        if done > drawn.pos:
            drawn.update(done - drawn.pos)

    try:
        yield move
    finally:
        if drawn is not None:
            drawn.__exit__(None, None, None)
