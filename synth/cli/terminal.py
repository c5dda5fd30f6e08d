"""What a terminal shows beside the answer: progress with time left, and emphasis.

Progress goes to standard error, and only where that is a terminal.  Emphasis needs standard output
to be a terminal; it is left out when ``NO_COLOR`` is set (https://no-color.org) or the terminal is
called ``dumb``.  ``--quiet`` turns both off, and the text of the answer too.
"""

from __future__ import annotations

import os
import re
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, TextIO, TypeVar

import click

if TYPE_CHECKING:
    from synth.progress import Progress

_F = TypeVar("_F", bound=Callable[..., Any])
_QUIET = "synth.quiet"
#: Work shorter than this shows nothing; then the line changes at most so often (seconds).
_PATIENCE, _PACE = 1.0, 0.2
#: Below this share the time left is not told: it would be a guess.
_TELLING = 0.05
_MARKED = re.compile(r"^( *)(!!?)( .*)$", re.MULTILINE)


def quiet_option(command: _F) -> _F:
    """Add ``--quiet``."""

    def keep(context: click.Context, _: click.Parameter, value: bool) -> None:
        context.meta[_QUIET] = value

    option = click.option(
        "--quiet",
        is_flag=True,
        expose_value=False,
        callback=keep,
        help="No text and no progress; files, --json and errors stay.",
    )
    return option(command)


def say(text: str) -> None:
    """Write the text of an answer to standard output, unless ``--quiet`` was given."""
    if _quiet():
        return
    if not _has_dots(sys.stdout):
        from synth.report.sketch import ascii_dots

        text = ascii_dots(text)
    click.echo(_emphasised(text) if _may_colour(sys.stdout) else text, nl=False)


@contextmanager
def meter(what: str) -> Iterator[Progress | None]:
    """Give a callback that draws a line of progress; None where nobody would see it.

    Parameters
    ----------
    what : str
        What is being done, in a few words.
    """
    if _quiet() or not sys.stderr.isatty():
        yield None
        return
    line = _Line(what, sys.stderr)
    try:
        yield line.move
    finally:
        line.clear()


class _Line:
    """One line on a terminal, written over itself."""

    def __init__(self, what: str, stream: TextIO) -> None:
        self._what, self._stream = what, stream
        self._start = time.monotonic()
        self._last = 0.0
        self._width = 0

    def move(self, done: int, total: int) -> None:
        """Draw how far the work is, when it has taken long enough to care."""
        now = time.monotonic()
        if now - self._start < _PATIENCE or now - self._last < _PACE or total <= 0:
            return
        self._last = now
        text = progress_line(self._what, done / total, now - self._start)
        self._stream.write("\r" + text.ljust(self._width))
        self._stream.flush()
        self._width = len(text)

    def clear(self) -> None:
        """Take the line away."""
        if self._width:
            self._stream.write("\r" + " " * self._width + "\r")
            self._stream.flush()


def progress_line(what: str, share: float, elapsed: float) -> str:
    """Return a line of progress of at most 79 characters.

    Parameters
    ----------
    what : str
    share : float
        Of the work, 0 to 1.
    elapsed : float
        Seconds since the start.

    Examples
    --------
    >>> progress_line("searching", 0.25, 3.0)
    'searching   25 %, about 9 s left'
    """
    text = f"{what:<9} {100 * share:4.0f} %"
    if share >= _TELLING:
        text += f", about {_duration(elapsed * (1 - share) / share)} left"
    return text[:79]


def _duration(seconds: float) -> str:
    whole = max(1, round(seconds))
    return f"{whole} s" if whole < 120 else f"{round(whole / 60)} min"


def _quiet() -> bool:
    context = click.get_current_context(silent=True)
    return context is not None and bool(context.meta.get(_QUIET))


def _has_dots(stream: TextIO) -> bool:
    """Whether a stream can carry the braille dots of a sketch."""
    try:
        "\u28ff".encode(stream.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def _may_colour(stream: TextIO) -> bool:
    plain = os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb"
    return stream.isatty() and not plain


def _emphasised(text: str) -> str:
    """Return the text with lines marked ``!!`` (serious) and ``!`` bold, the marks coloured."""

    def styled(found: re.Match[str]) -> str:
        mark = click.style(found[2], fg="red" if found[2] == "!!" else "yellow", bold=True)
        return found[1] + mark + click.style(found[3], bold=True)

    return _MARKED.sub(styled, text)
