"""Circuits for a mask: realised, analysed as they are, and held against every limit."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from synth.analysis.loop import analyse
from synth.analysis.numbers import transfer
from synth.errors import RealisationError
from synth.masks.compare import Candidate
from synth.masks.limits import Mask
from synth.masks.verify import Kept, verified
from synth.realisation.design import Realisation
from synth.realisation.realise import INTERRUPTED, interrupted
from synth.target.target import Target

#: Responses that are realised at most, until a circuit keeps the mask with its values.
TRIES = 2


@dataclass(frozen=True)
class Checked:
    """A circuit and what it leaves of each limit of the mask, with its values."""

    realisation: Realisation
    rows: tuple[Kept, ...]

    @property
    def kept(self) -> bool:
        """Whether the circuit keeps the whole mask."""
        return all(r.kept for r in self.rows)


def checked(mask: Mask, realisation: Realisation) -> Checked:
    """Hold a circuit against a mask, by the exact analysis of the whole."""
    loop = analyse(realisation.network)
    return Checked(realisation, verified(mask, transfer(loop, loop.transfer())))


def circuits_for(
    mask: Mask,
    candidates: Sequence[Candidate],
    search: Callable[[Target], Iterable[Realisation]],
    tries: int = TRIES,
) -> tuple[Candidate, tuple[Checked, ...]]:
    """Return the first response whose best circuits keep the mask, and these circuits.

    Parameters
    ----------
    mask : Mask
    candidates : sequence of Candidate
        The most wanted first.
    search : callable
        Target -> circuits, best first; after an interruption with a note that says so, and no
        other response is tried.
    tries : int
        Responses that are realised at most; when no circuit keeps the mask, those of the first
        are returned.

    Returns
    -------
    tuple
        The circuits that keep the mask come first, otherwise in the order of the search.

    Raises
    ------
    RealisationError
        If there is no candidate, or no circuit for any of them.
    """
    if not candidates:
        raise RealisationError("no response keeps the mask; `synth target` says why")
    first: tuple[Candidate, tuple[Checked, ...]] | None = None
    failed: RealisationError | None = None
    for candidate in candidates[:tries]:
        try:
            found = tuple(checked(mask, r) for r in search(candidate.target))
        except RealisationError as error:
            failed = failed or error
            continue
        except KeyboardInterrupt:
            if first is None:
                raise
            return first[0], tuple(Checked(interrupted(c.realisation), c.rows) for c in first[1])
        stopped = any(INTERRUPTED in c.realisation.notes for c in found)
        if stopped or any(c.kept for c in found):
            return candidate, tuple(sorted(found, key=lambda c: not c.kept))
        first = first or (candidate, found)
    if first is None:
        raise failed or RealisationError("no circuit was found for the mask; widen the windows")
    return first
