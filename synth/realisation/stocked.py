"""What the parts of a choice take from a stock list, pairs taken apart."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from synth.realisation.request import ValueRequest
from synth.values.grids import SAME, PairGrid
from synth.values.pieces import Drawer, Taken, Wanted
from synth.values.ranking import Option


def wanted_of(values: Mapping[str, float], request: ValueRequest) -> dict[str, Wanted]:
    """Return what the parts of a choice take from the stock list, by part."""
    found = {}
    for part, v in values.items():
        if part not in request.keep and part not in request.sources:
            grid = request.grid(part)
            pair = grid if isinstance(grid, PairGrid) else None
            found[part] = Wanted(part[0], v, pair)
    return found


def left_over(
    counts: Mapping[str, Mapping[float, int]], values: Mapping[str, float], request: ValueRequest
) -> Mapping[str, Mapping[float, int]]:
    """Return the pieces left when those of some parts are taken."""
    wanted = tuple(wanted_of(values, request).values())
    taken = Drawer(counts).taken(wanted) if counts else None
    if taken is None:
        return counts
    used = [(w.letter, x) for w, t in zip(wanted, taken, strict=True) for x in t.pieces]
    return {
        letter: {
            c: n - sum(k == letter and abs(x - c) <= SAME * c for k, x in used)
            for c, n in pieces.items()
        }
        for letter, pieces in counts.items()
    }


def halves_of(parts: Sequence[Option], request: ValueRequest) -> dict[str, Taken] | None:
    """Return part made of two -> its halves, for one option of each stage.

    None when the stock list lacks a piece for all of them together.
    """
    values = {n: v for o in parts for n, v in o.values.items()}
    wanted = wanted_of(values, request)
    found = Drawer(request.counts).taken(tuple(wanted.values()))
    if found is None:
        return None
    halves = dict(zip(wanted, found, strict=True))
    for n in request.pairs:
        grid = request.grid(n)
        if n in values and n not in wanted and isinstance(grid, PairGrid):
            a, b, adds = grid.taken_apart(values[n])
            halves[n] = Taken((a, b), adds)
    return {n: t for n, t in halves.items() if len(t.pieces) > 1 and n not in request.keep}
