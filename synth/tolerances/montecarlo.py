"""Monte Carlo: many circuits, their responses over a grid, percentiles and passes.

First the circuits are drawn and reduced to a few coefficients each, chunk by chunk; then the
responses are evaluated for a few frequencies at a time and only their percentiles are kept.
Memory is the coefficients (8 bytes each) and a slice of responses, whatever the grid.  Results
depend on the seed and the number of circuits only, not on chunks or workers.  Percentiles are
taken on ``|H|**2``, with linear interpolation between neighbours.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import partial

import numpy as np

from synth.errors import NumberError
from synth.parallel import collected
from synth.tolerances.draws import BLOCK, draw
from synth.tolerances.limits import Bounds, DelayBounds
from synth.tolerances.model import Model
from synth.tolerances.spread import Array, BoolArray, Ranges
from synth.tolerances.yields import passes

#: Most circuits of one run.
MOST_SAMPLES = 10_000_000
#: Circuits of a chunk, the unit of work and of progress.
CHUNK = 16 * BLOCK
#: Responses in a slice: 16 MB.
_SLICE = 2_000_000


@dataclass(frozen=True)
class Drawn:
    """Circuits that were drawn.

    Parameters
    ----------
    prepared : array (rows, circuits)
        What the model needs of each.
    passed : array of bool (limits, circuits)
        A circuit that grows by itself passes none.
    grows : array of bool (circuits,)
        Whether a natural mode is in the right half-plane.
    complete : bool
        False when the run was interrupted; the circuits are then the first ones of the whole.
    """

    prepared: Array
    passed: BoolArray
    grows: BoolArray
    complete: bool

    @property
    def count(self) -> int:
        """Circuits drawn."""
        return int(self.prepared.shape[1])


@dataclass(frozen=True)
class Percentiles:
    """Percentiles of the response.

    Parameters
    ----------
    squares : array (percents, frequencies)
        Of |H|**2.
    phases : array (percents, frequencies) or None
        Of the phase in degrees, beside the nominal one.
    complete : bool
        False when the run was interrupted; the frequencies are then the first ones.
    """

    squares: Array
    phases: Array | None
    complete: bool


def steps(samples: int, frequencies: int, chunk: int = CHUNK) -> tuple[int, int]:
    """Return the number of chunks of circuits, and of slices of frequencies."""
    return -(-samples // _whole(chunk)), -(-frequencies // _width(samples))


def sample(
    model: Model,
    ranges: Ranges,
    limits: Sequence[Bounds | DelayBounds] = (),
    *,
    samples: int,
    seed: int = 0,
    chunk: int = CHUNK,
    executor: Executor | None = None,
    progress: Callable[[], None] | None = None,
) -> Drawn:
    """Draw circuits.

    Parameters
    ----------
    model : Model
    ranges : Ranges
    limits : sequence of Bounds or DelayBounds
        That the circuits are tested against.
    samples : int
        Circuits, 1 to `MOST_SAMPLES`.
    seed : int
        Not negative.
    chunk : int
        Circuits in a unit of work; rounded up to whole blocks.
    executor : Executor, optional
        Of threads, processes or a cluster; without one the work is done here.
    progress : callable, optional
        Called after each chunk.

    Raises
    ------
    NumberError
        If `samples` or `seed` is out of range.
    KeyboardInterrupt
        If the run is interrupted before the first chunk is done; later the part done is kept.
    """
    check(samples, seed)
    size = _whole(chunk)
    tasks = [(k, min(k + size, samples)) for k in range(0, samples, size)]
    work = partial(_sample_chunk, model, ranges, tuple(limits), seed)
    parts, complete = collected(work, tasks, executor, progress)
    prepared, passed, grows = (np.hstack(x) for x in zip(*parts, strict=True))
    return Drawn(prepared, passed, grows, complete)


def percentiles(
    model: Model,
    drawn: Drawn,
    frequencies: Array,
    percents: Sequence[float],
    *,
    phase: bool = False,
    executor: Executor | None = None,
    progress: Callable[[], None] | None = None,
) -> Percentiles:
    """Return percentiles of the responses of the circuits drawn.

    Parameters
    ----------
    model : Model
    drawn : Drawn
    frequencies : array
        In hertz.
    percents : sequence of float
        0 to 100.
    phase : bool
        Whether to take those of the phase too.
    executor, progress
        As for `sample`.
    """
    width = _width(drawn.count)
    tasks = [frequencies[k : k + width] for k in range(0, len(frequencies), width)]
    work = partial(_slice, model, drawn.prepared, tuple(percents), phase)
    parts, complete = collected(work, tasks, executor, progress)
    return Percentiles(
        np.hstack([s for s, _ in parts]),
        np.hstack([p for _, p in parts if p is not None]) if phase else None,
        complete,
    )


def check(samples: int, seed: int) -> None:
    """Raise NumberError unless both are in range."""
    if not 1 <= samples <= MOST_SAMPLES:
        raise NumberError(
            f"{samples} circuits cannot be drawn; choose a number from 1 to {MOST_SAMPLES}"
        )
    if seed < 0:
        raise NumberError(f"the seed {seed} is negative; choose 0 or more")


def ranked(values: Array, percents: Sequence[float]) -> Array:
    """Return percentiles along the last axis, (percents, rows); the values are reordered."""
    count = values.shape[-1]
    places = [(count - 1) * p / 100 for p in percents]
    wanted = sorted({k for x in places for k in (int(x), min(int(x) + 1, count - 1))})
    values.partition(wanted, axis=-1)
    rows = []
    for x in places:
        low = values[..., int(x)]
        rows.append(low + (x - int(x)) * (values[..., min(int(x) + 1, count - 1)] - low))
    return np.array(rows)


def _sample_chunk(
    model: Model,
    ranges: Ranges,
    limits: Sequence[Bounds | DelayBounds],
    seed: int,
    task: tuple[int, int],
) -> tuple[Array, BoolArray, BoolArray]:
    start, stop = task
    rows, kept, wild = [], [], []
    for first in range(start, stop, BLOCK):
        prepared = model.prepare(draw(ranges, seed, first // BLOCK))
        grows = model.grows(prepared)
        kept.append((passes(model, prepared, limits) & ~grows)[:, : stop - first])
        rows.append(prepared[:, : stop - first])
        wild.append(grows[: stop - first])
    return np.hstack(rows), np.hstack(kept), np.hstack(wild)


def _slice(
    model: Model, prepared: Array, percents: Sequence[float], phase: bool, frequencies: Array
) -> tuple[Array, Array | None]:
    magnitudes = ranked(model.squares(prepared, frequencies), percents)
    if not phase:
        return magnitudes, None
    nominal = model.response(model.prepare(np.ones((1, len(model.names)))), frequencies)
    turned = np.angle(model.response(prepared, frequencies) * nominal.conj(), deg=True)
    return magnitudes, ranked(turned, percents)


def _whole(chunk: int) -> int:
    return max(1, -(-chunk // BLOCK)) * BLOCK


def _width(samples: int) -> int:
    return max(1, _SLICE // samples)
