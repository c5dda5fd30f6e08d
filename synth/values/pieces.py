"""Whether a stock list has the pieces for a set of parts, pairs taken apart in any way.

A value of a pair may come about in several ways (15k + 15k or 10k + 20k); parts that share a
drawer compete for its pieces, so the ways are tried one after the other until all parts have
theirs, or none is left.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from synth.values.grids import SAME, PairGrid


class Wanted(NamedTuple):
    """One part that is to come from the stock.

    Parameters
    ----------
    letter : str
        R, C or L.
    value : float
        In ohm, farad or henry.
    pair : PairGrid or None
        Where the part is made of two.
    """

    letter: str
    value: float
    pair: PairGrid | None


class Taken(NamedTuple):
    """The pieces of one part: one, or two whose values add up or not."""

    pieces: tuple[float, ...]
    adds: bool


class Drawer:
    """The pieces at hand, by kind.

    Parameters
    ----------
    counts : mapping
        Letter -> (value -> pieces at hand); of other kinds there are always enough.
    """

    def __init__(self, counts: Mapping[str, Mapping[float, int]]) -> None:
        self._values: dict[str, list[float]] = {}
        self._left: dict[str, list[int]] = {}
        for letter, pieces in counts.items():
            values: list[float] = []
            left: list[int] = []
            for v in sorted(pieces):
                if values and v - values[-1] <= SAME * v:
                    left[-1] += pieces[v]
                else:
                    values.append(v)
                    left.append(pieces[v])
            self._values[letter], self._left[letter] = values, left

    def taken(self, wanted: Sequence[Wanted]) -> tuple[Taken, ...] | None:
        """Return the pieces of every part, in the order of the parts; None when some are short."""
        ways = [self._ways(w) for w in wanted]
        order = sorted(range(len(wanted)), key=lambda k: len(ways[k]))
        found = self._from(wanted, ways, order)
        return None if found is None else tuple(found[k] for k in range(len(wanted)))

    def _from(
        self, wanted: Sequence[Wanted], ways: Sequence[Sequence[Taken]], order: Sequence[int]
    ) -> dict[int, Taken] | None:
        if not order:
            return {}
        k = order[0]
        for way in ways[k]:
            if self._take(wanted[k].letter, way.pieces):
                rest = self._from(wanted, ways, order[1:])
                self._give(wanted[k].letter, way.pieces)
                if rest is not None:
                    return {**rest, k: way}
        return None

    @staticmethod
    def _ways(w: Wanted) -> tuple[Taken, ...]:
        if w.pair is None:
            return (Taken((w.value,), True),)
        return tuple(Taken((a, b), adds) for a, b, adds in w.pair.ways(w.value))

    def _take(self, letter: str, pieces: Sequence[float]) -> bool:
        for done, v in enumerate(pieces):
            at = self._place(letter, v)
            if at is not None and (at < 0 or self._left[letter][at] < 1):
                self._give(letter, pieces[:done])
                return False
            if at is not None:
                self._left[letter][at] -= 1
        return True

    def _give(self, letter: str, pieces: Sequence[float]) -> None:
        for v in pieces:
            at = self._place(letter, v)
            if at is not None:
                self._left[letter][at] += 1

    def _place(self, letter: str, v: float) -> int | None:
        """Return where a value is; -1 when it is not there, None when the kind is not limited."""
        values = self._values.get(letter)
        if values is None:
            return None
        at = bisect_left(values, v * (1 - SAME))
        return at if at < len(values) and values[at] <= v * (1 + SAME) else -1
