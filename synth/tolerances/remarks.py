"""What a tolerance analysis has to say in words: oscillation, feedback, what is not given."""

from __future__ import annotations

import numpy as np

from synth.analysis.feedback import Feedback
from synth.tolerances.corners import MOST_BOUNDED, WorstCase
from synth.tolerances.montecarlo import Drawn


def positive_feedback(said: Feedback) -> bool:
    """Say whether the nominal circuit fails by the feedback of an op amp, its ideal modes apart.

    Those are looked at circuit by circuit; the feedback of the op amps is judged at the nominal
    values only, since tolerances of some per cent do not exchange the inputs of an op amp.
    """
    return not said.negative and not _growing(said)


def study_notes(
    said: Feedback, drawn: Drawn, corner: WorstCase | None, formula: bool, too_large: bool
) -> tuple[str, ...]:
    """Return the notes of a tolerance analysis.

    Parameters
    ----------
    said : Feedback
        Of the nominal circuit.
    drawn : Drawn
    corner : WorstCase or None
    formula : bool
        Whether the circuit has one of bounded size.
    too_large : bool
        Whether the worst case was wanted and could not be had.
    """
    notes = []
    if not formula:
        notes.append(
            "the formula of this circuit has too many terms, so the response and its natural modes "
            "are computed from the equations, without f0, Q and the worst case; limits are looked "
            "at on a grid only"
        )
    if not said.negative:
        notes.append(
            f"at the nominal values the circuit does not work: {said.reason}"
            + ("; no circuit drawn counts as good" if positive_feedback(said) else "")
        )
    growing = int(drawn.grows.sum())
    if growing:
        notes.append(
            f"{share_text(growing / drawn.count)} of the circuits drawn oscillate (a natural mode "
            "in the right half-plane); they count as failed, and their |H| is a formula only"
        )
    if corner is not None and bool(np.isposinf(corner.high_db).any()):
        notes.append(
            "the worst case is infinite where a circuit within the tolerances has a natural mode "
            "on the imaginary axis: there it is at the edge of oscillation"
        )
    if too_large and formula:
        notes.append(
            f"more than {MOST_BOUNDED} parts act together in this circuit, or in too many terms, "
            "so the worst case is not given; the percentiles stand"
        )
    return tuple(notes)


def share_text(share: float) -> str:
    """Return a share of circuits in per cent; only all are 100 %, only none are 0 %.

    Parameters
    ----------
    share : float
        0 to 1.
    """
    percent = 100 * share
    for digits in range(3, 12):
        text = f"{percent:.{digits}g}"
        if float(text) != 100 or share == 1:
            return f"{text} %"
    return f"{percent:.15g} %"


def _growing(said: Feedback) -> bool:
    return any(p.real > 1e-9 * abs(p) for p in said.ideal)
