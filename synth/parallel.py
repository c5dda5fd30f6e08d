"""The same work on many things, here or by an executor, in order.

An executor is any of `concurrent.futures`: threads, processes, or what a cluster offers in their
place.  Work is a function that can be sent to another process; results come back in the order of
the tasks, so that they do not depend on who did them.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Sequence
from concurrent.futures import Executor
from typing import TypeVar

_Task = TypeVar("_Task")
_Result = TypeVar("_Result")


def ordered(
    work: Callable[[_Task], _Result], tasks: Sequence[_Task], executor: Executor | None
) -> Generator[_Result, None, None]:
    """Yield the results in the order of the tasks; what is not begun is cancelled on closing.

    Parameters
    ----------
    work : callable
    tasks : sequence
    executor : Executor or None
        None does the work here, one task after the other, as results are asked for.

    Examples
    --------
    >>> list(ordered(abs, [-2, 1], None))
    [2, 1]
    """
    if executor is None:
        for task in tasks:
            yield work(task)
        return
    futures = [executor.submit(work, task) for task in tasks]
    try:
        for future in futures:
            yield future.result()
    finally:
        for future in futures:
            future.cancel()


def collected(
    work: Callable[[_Task], _Result],
    tasks: Sequence[_Task],
    executor: Executor | None,
    tick: Callable[[], None] | None = None,
) -> tuple[list[_Result], bool]:
    """Return the results, and whether all are there: an interruption keeps those done before.

    Parameters
    ----------
    work, tasks, executor
        As for `ordered`.
    tick : callable, optional
        Called after each task.

    Raises
    ------
    KeyboardInterrupt
        If the work is interrupted before the first result is there.
    """
    done: list[_Result] = []
    source = ordered(work, tasks, executor)
    try:
        for result in source:
            done.append(result)
            if tick is not None:
                tick()
    except KeyboardInterrupt:
        if not done:
            raise
        return done, False
    finally:
        source.close()
    return done, True
