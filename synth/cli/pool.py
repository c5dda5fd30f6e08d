"""Processes for long work: the --jobs option, and the pool it asks for."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from concurrent.futures import Executor

jobs_option = click.option(
    "--jobs", type=click.IntRange(1, 256), default=1, show_default=True, help="Processes."
)


@contextmanager
def pool(jobs: int) -> Iterator[Executor | None]:
    """Give a pool of processes, started afresh so that they inherit nothing; none for one job."""
    if jobs == 1:
        yield None
        return
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    context = get_context("spawn")
    with ProcessPoolExecutor(jobs, context, initializer=_leave_interrupts_to_the_parent) as made:
        yield made


def _leave_interrupts_to_the_parent() -> None:
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)
