"""Why realisations stand in their order, in sentences."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise
from math import isfinite

from synth.realisation.design import Realisation
from synth.realisation.ranking import IDEAL, figures, grades, rank
from synth.units import format_si, plain


def figure_text(criterion: str, value: float | None) -> str:
    """Return a figure of a realisation in words; None where it is not known."""
    if value is None:
        return "no mask" if criterion == "yield" else "not checked"
    if criterion == "error":
        if not isfinite(value):
            return "unstable"
        times = plain(value)
        return (
            f"met ({times} of what is allowed)" if value <= 1 else f"{times} times what is allowed"
        )
    if criterion == "stable":
        return f"{int(value)} that can oscillate" if value else "none can oscillate"
    if criterion == "noise":
        return f"{format_si(value, 'V', 3)} rms"
    if criterion == "yield":
        return f"{100 * value:.3g} %"
    if criterion in ("range", "lost"):
        return f"{value:.1f} dB lost"
    if criterion == "findings":
        return f"{int(value)} serious"
    return plain(value)


def because(criterion: str, order: Sequence[str], text: Callable[[int], str]) -> str:
    """Return that one is before the other by a criterion: what is equal, and both figures.

    Parameters
    ----------
    criterion : str
        The first in which they differ.
    order : sequence of str
        All criteria.
    text : callable
        0 for the better and 1 for the other -> its figure in words.
    """
    before = order[: order.index(criterion)]
    equal = f"equal in {', '.join(before)}; " if before else ""
    return f"{equal}{criterion}: {text(0)} against {text(1)}"


def exactly(better: float, other: float) -> str:
    """Return that two are equal in all criteria, with what then decides."""
    return (
        f"equal in all criteria; its exact error is smaller ({plain(better)} against "
        f"{plain(other)} of what is allowed)"
    )


def explained(found: Sequence[Realisation], order: Sequence[str] = IDEAL) -> tuple[str, ...]:
    """Return sentences that say what put each circuit with ideal op amps before the next one.

    Parameters
    ----------
    found : sequence of Realisation
        Best first.
    order : sequence of str
        As `synth.realisation.ranking.parse_order` gives it.
    """
    return tuple(
        f"{k} is before {k + 1}: {_why(a, b, order)}"
        for k, (a, b) in enumerate(pairwise(found), start=1)
    )


def _why(better: Realisation, other: Realisation, order: Sequence[str]) -> str:
    pair = better, other
    if rank(better, order) > rank(other, order):
        return "it keeps every limit of the mask, and the other does not"
    if better.meets > other.meets:
        mine, its = (figure_text("error", r.misses) for r in pair)
        return f"what meets the target or keeps the mask comes first; error: {mine} against {its}"
    graded = [grades(r, order) for r in pair]
    criterion = next((c for c in order if graded[0][c] != graded[1][c]), None)
    if criterion is None:
        return exactly(better.misses, other.misses)
    return because(criterion, order, lambda k: _ideal_text(pair[k], criterion))


def _ideal_text(r: Realisation, criterion: str) -> str:
    count = figures(r)[criterion]
    twice = criterion == "amplifiers" and count != len(r.network.op_amps)
    return figure_text(criterion, count) + (" (a shared one counted twice)" if twice else "")
