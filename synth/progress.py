"""Progress of long work: a callback that the work calls and somebody else draws.

A callback takes (done, total), both whole numbers; work that has parts gives each a portion of
the whole.  Nothing here knows about terminals.
"""

from __future__ import annotations

from collections.abc import Callable

#: Called with how much is done and how much there is in all.
Progress = Callable[[int, int], None]
#: In how many steps a whole made of portions is counted.
STEPS = 1000


def portion(progress: Progress | None, start: float, end: float) -> Progress | None:
    """Return the callback of a part of the work that lasts from one share of it to another.

    Parameters
    ----------
    progress : callable or None
        Of the whole.
    start, end : float
        Shares of the whole, 0 to 1.

    Examples
    --------
    >>> seen = []
    >>> half = portion(lambda done, total: seen.append((done, total)), 0.5, 1.0)
    >>> half(1, 2)
    >>> seen
    [(750, 1000)]
    """
    if progress is None:
        return None
    whole = progress

    def move(done: int, total: int) -> None:
        share = done / total if total > 0 else 1.0
        whole(round(STEPS * (start + (end - start) * min(max(share, 0.0), 1.0))), STEPS)

    return move


def counter(progress: Progress | None, total: int) -> Callable[[], None]:
    """Return a function that is called once for each of `total` pieces of work."""
    done = 0

    def tick() -> None:
        nonlocal done
        done += 1
        if progress is not None:
            progress(min(done, total), total)

    return tick
