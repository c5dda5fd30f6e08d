"""The order of realisations: by ideal figures, or by criteria with a real amplifier.

With an amplifier the order is a list of criteria, compared one after the other; each is graded in
steps, so that a difference nobody would notice leaves the word to the next one.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from math import ceil, floor, log2, log10

from synth.errors import RealisationError
from synth.realisation.design import Realisation
from synth.target.target import MEETS_DB, MEETS_SHARE

#: Ratios of like parts above this are hard to make well (common practice).
WIDE = 100.0
#: Two pairs of poles around one amplifier are sound with ratios up to this (common practice).
SHARED_SPREAD = 30.0
#: A circuit that loses more of its dynamic range than this comes after all that do not.
LOST_DB = 40.0
#: Levels are compared in steps of so many decibels: half a bit.
LEVEL_STEP_DB = 3.0
#: Criterion -> what it measures, and the steps in which it is compared; in the default order.
CRITERIA: Mapping[str, str] = {
    "error": f"times the error allowed ({MEETS_DB:g} dB, or {100 * MEETS_SHARE:g} % of the peak "
    "where that is more), with preferred values and the amplifier: met, or by how many "
    "doublings it is missed",
    "findings": "number of serious findings",
    "amplifiers": "number of op amps",
    "parts": "number of resistors and capacitors, zeros that need matched parts counted as two "
    "more each",
    "sensitivity": "worst sensitivity of f0, Q or gain to a part, in steps of 1/4 octave",
    "spread": "largest over smallest resistor, or capacitor, in octaves",
    "noise": "noise at the output in the band, in steps of 1 dB",
}
#: Parts that a zero which holds only while parts match counts for.
MATCH_COST = 2


def rank(r: Realisation) -> tuple[float, ...]:
    """Return the key by which realisations with ideal op amps are ordered, best first.

    The target met (by the measure of `synth.target.target`), else how many times that measure
    must double to hold the error; at most `LOST_DB` of dynamic range lost; fewest amplifiers (one
    that two pairs of poles share counts twice when the spread is above `SHARED_SPREAD`); yield in
    steps of 5 % where limits are given; fewest zeros that need matched parts; a spread within
    `WIDE`; dynamic range lost (or noise added, whichever was asked for) in steps of
    `LEVEL_STEP_DB`; fewest capacitors, then parts; spread (in octaves); error.
    """
    network = r.network
    return (
        doublings(r.misses),
        r.level_cost_db > LOST_DB,
        len(network.op_amps) + sum(s.sharing and r.spread > SHARED_SPREAD for s in r.stages),
        0 if r.yield_ is None else -floor(20 * r.yield_.value),
        r.balanced_zeros,
        r.spread > WIDE,
        floor(r.level_cost_db / LEVEL_STEP_DB),
        sum(b.power == 1 for b in network.branches),
        len(network.branches),
        round(log2(r.spread)),
        r.phase_error if r.allpass else r.error_db,
    )


def doublings(misses: float) -> int:
    """Return 0 for a target met, else how many times what is allowed must double."""
    return 0 if misses <= 1 else ceil(log2(min(misses, 2.0**40)))


@dataclass(frozen=True)
class Scores:
    """The figures of one realisation by which it is ranked.

    Parameters
    ----------
    error : float
        Largest error over what counts as met, with preferred values and the amplifier.
    amplifiers, parts : int
    spread : float
    findings : int or None
        Serious ones; None (as the next two) where the full check was not run.
    sensitivity : float or None
        Largest magnitude of a sensitivity of f0, Q or gain.
    noise : float or None
        V rms.
    """

    error: float
    amplifiers: int
    parts: int
    spread: float
    findings: int | None = None
    sensitivity: float | None = None
    noise: float | None = None

    def value(self, criterion: str) -> float | None:
        """Return the figure of a criterion."""
        return {
            "error": self.error,
            "findings": self.findings,
            "amplifiers": self.amplifiers,
            "parts": self.parts,
            "sensitivity": self.sensitivity,
            "spread": self.spread,
            "noise": self.noise,
        }[criterion]

    def grade(self, criterion: str) -> float:
        """Return the figure in the steps in which it is compared; infinite where unknown."""
        value = self.value(criterion)
        if value is None or math.isnan(value):
            return math.inf
        if criterion == "error":
            return doublings(value)
        if criterion in ("findings", "amplifiers", "parts"):
            return value
        if value <= 0 or math.isinf(value):
            return math.copysign(math.inf, value - 1)
        steps = {
            "sensitivity": 4 * log2(value),
            "spread": log2(value),
            "noise": 20 * log10(value),
        }
        return float(floor(steps[criterion] + 0.5))


def parse_order(text: str | None) -> tuple[str, ...]:
    """Return the order of the criteria: those named first, the others as by default after them.

    Parameters
    ----------
    text : str or None
        Names joined by commas.

    Raises
    ------
    RealisationError
        If a name is unknown or given twice.

    Examples
    --------
    >>> parse_order("noise,amplifiers")[:3]
    ('noise', 'amplifiers', 'error')
    """
    if text is None:
        return tuple(CRITERIA)
    named = [name.strip() for name in text.split(",")]
    for name in named:
        if name not in CRITERIA:
            close = get_close_matches(name, CRITERIA, n=1)
            advice = f"did you mean {close[0]}?" if close else f"they are {', '.join(CRITERIA)}"
            raise RealisationError(f"there is no criterion {name!r} to rank by; {advice}")
        if named.count(name) > 1:
            raise RealisationError(f"the criterion {name} is named twice in {text!r}; once will do")
    return (*named, *(c for c in CRITERIA if c not in named))


def order_key(scores: Scores, order: Sequence[str]) -> tuple[float, ...]:
    """Return the key of one realisation: its grades in this order, then its exact error."""
    return (*(scores.grade(c) for c in order), scores.error)


def deciding(better: Scores, other: Scores, order: Sequence[str]) -> str | None:
    """Return the first criterion in which two realisations differ; None where none does."""
    return next((c for c in order if better.grade(c) != other.grade(c)), None)


def pareto(rows: Sequence[Scores], criteria: Sequence[str]) -> tuple[int, ...]:
    """Return places of the rows that no other row beats.

    One row beats another that is nowhere better and somewhere worse, by the grades of these
    criteria; of equals all stay.

    Examples
    --------
    >>> few, quiet = Scores(0.5, 1, 4, 2.0, 0, 1.0, 9e-5), Scores(0.5, 2, 4, 2.0, 0, 1.0, 4e-5)
    >>> worse = Scores(0.5, 2, 9, 2.0, 0, 1.0, 9e-5)
    >>> pareto([few, quiet, worse], ["amplifiers", "noise"])
    (0, 1)
    """
    grades = [tuple(row.grade(c) for c in criteria) for row in rows]

    def beaten(mine: tuple[float, ...]) -> bool:
        return any(
            other != mine and all(x <= y for x, y in zip(other, mine, strict=True))
            for other in grades
        )

    return tuple(k for k, mine in enumerate(grades) if not beaten(mine))
