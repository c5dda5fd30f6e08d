"""The order of realisations: a list of criteria, compared one after the other.

Each is graded in steps, so that a difference nobody would notice leaves the word to the next one.
With ideal op amps the figures are those of the realisation, with a real one those of its check.
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
#: and in these where they matter more than op amps.
FINE_STEP_DB = 1.0
#: Criterion -> what it measures, and the steps in which it is compared.
CRITERIA: Mapping[str, str] = {
    "error": f"times the error allowed ({MEETS_DB:g} dB, or {100 * MEETS_SHARE:g} % of the peak "
    "where that is more), with preferred values, and the amplifier where there is one: met, or by "
    "how many doublings it is missed; with a mask, how far it is passed",
    "stable": "number of stages of which more than 1 in 100 oscillate with their tolerances",
    "findings": "number of serious findings of the check with the amplifier",
    "lost": f"whether more than {LOST_DB:g} dB of the dynamic range is lost",
    "yield": "with a mask, the share of circuits that keep it, in steps in which good ones to bad "
    "ones double (rejects halve at the top, yield doubles at the bottom) from 1 % to 99 %",
    "amplifiers": "number of op amps; an ideal one that two pairs of poles share counts twice "
    f"where like parts spread by more than {SHARED_SPREAD:g}",
    "zeros": "coefficients of H that vanish only while parts match",
    "wide": f"whether like parts spread by more than {WIDE:g}",
    "range": f"dynamic range lost, in steps of {LEVEL_STEP_DB:g} dB; of {FINE_STEP_DB:g} dB where "
    "it stands before the op amps, or they are real",
    "capacitors": "number of capacitors",
    "parts": "number of resistors and capacitors; with an amplifier, zeros that need matched parts "
    "count as two more each",
    "sensitivity": "worst sensitivity of f0, Q or gain to a part, in steps of 1/4 octave",
    "spread": "largest over smallest resistor, or capacitor, in octaves",
    "noise": "noise at the output in the band, in steps of 1 dB",
}
#: The criteria in their order with ideal op amps, and with a real one.
IDEAL = (
    "error",
    "stable",
    "lost",
    "yield",
    "amplifiers",
    "zeros",
    "wide",
    "range",
    "capacitors",
    "parts",
    "spread",
    "noise",
)
REAL = (
    "error",
    "stable",
    "findings",
    "yield",
    "amplifiers",
    "parts",
    "sensitivity",
    "spread",
    "noise",
    "range",
)
#: Yields beyond these are alike: of the one nobody builds many, of the other few are thrown away.
_YIELDS = (0.01, 0.99)
#: Parts that a zero which holds only while parts match counts for.
MATCH_COST = 2


def rank(r: Realisation, order: Sequence[str] = IDEAL) -> tuple[float, ...]:
    """Return the key by which realisations with ideal op amps are ordered, best first.

    Parameters
    ----------
    r : Realisation
    order : sequence of str
        Criteria of `IDEAL`, as `parse_order` gives them.

    Notes
    -----
    What meets the target, or keeps the mask, always comes before what does not.  Where the yield
    is not known yet, the expected one counts; where the noise is not known, it counts last.
    """
    graded = grades(r, order)
    last = r.phase_error if r.allpass else r.error_db
    return (not r.meets, *(graded[c] for c in order), last)


def figures(r: Realisation) -> dict[str, float | None]:
    """Return the figure of each criterion of `IDEAL`; None where it is not known."""
    network = r.network
    shared = sum(s.sharing and r.spread > SHARED_SPREAD for s in r.stages)
    return {
        "error": r.misses,
        "stable": r.growing,
        "lost": r.levels.loss_db,
        "yield": r.expected if r.yield_ is None else r.yield_.value,
        "amplifiers": len(network.op_amps) + shared,
        "zeros": r.balanced_zeros,
        "wide": r.spread,
        "range": r.levels.loss_db,
        "capacitors": sum(b.power == 1 for b in network.branches),
        "parts": len(network.branches),
        "spread": r.spread,
        "noise": None if r.noise is None else r.noise.vrms,
    }


def grades(r: Realisation, order: Sequence[str]) -> dict[str, float]:
    """Return the figures of `figures` in the steps in which they are compared."""
    known = figures(r)
    share, noise = known["yield"], known["noise"]
    fine = order.index("range") < order.index("amplifiers")  # it matters more
    return {c: v for c, v in known.items() if v is not None} | {
        "error": doublings(r.misses),
        "lost": r.levels.loss_db > LOST_DB,
        "yield": 0 if share is None else yield_step(share),
        "wide": r.spread > WIDE,
        "range": floor(r.levels.loss_db / (FINE_STEP_DB if fine else LEVEL_STEP_DB)),
        "spread": round(log2(r.spread)),
        "noise": math.inf if noise is None else floor(20 * log10(noise) + 0.5),
    }


def yield_step(share: float) -> int:
    """Return a yield in the steps in which it is compared, lower is better.

    A step is good circuits to bad ones doubled: near 100 % rejects halve, near 0 % the yield
    doubles.  Less is worth no op amp.

    Examples
    --------
    >>> [yield_step(y) for y in (0.16, 0.35, 0.5, 0.86, 0.999, 1.0)]
    [3, 1, 0, -2, -6, -6]
    """
    low, high = _YIELDS
    kept = min(max(share, low), high)
    return -floor(log2(kept / (1 - kept)))


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
    yield_ : float or None
        Share of circuits that keep the mask; None without one.
    range_db : float or None
        Dynamic range lost.
    growing : int
        Stages of which more than 1 in 100 oscillate with their tolerances.
    """

    error: float
    amplifiers: int
    parts: int
    spread: float
    findings: int | None = None
    sensitivity: float | None = None
    noise: float | None = None
    yield_: float | None = None
    range_db: float | None = None
    growing: int = 0

    def value(self, criterion: str) -> float | None:
        """Return the figure of a criterion."""
        return {
            "error": self.error,
            "stable": self.growing,
            "findings": self.findings,
            "amplifiers": self.amplifiers,
            "parts": self.parts,
            "sensitivity": self.sensitivity,
            "spread": self.spread,
            "noise": self.noise,
            "yield": self.yield_,
            "range": self.range_db,
        }[criterion]

    def grade(self, criterion: str) -> float:
        """Return the figure in the steps in which it is compared; infinite where unknown."""
        value = self.value(criterion)
        if criterion == "yield":
            return 0.0 if value is None else yield_step(value)
        if criterion == "range":
            return 0.0 if value is None else floor(value / FINE_STEP_DB)
        if value is None or math.isnan(value):
            return math.inf
        if criterion == "error":
            return doublings(value)
        if criterion in ("stable", "findings", "amplifiers", "parts"):
            return value
        if value <= 0 or math.isinf(value):
            return math.copysign(math.inf, value - 1)
        steps = {
            "sensitivity": 4 * log2(value),
            "spread": log2(value),
            "noise": 20 * log10(value),
        }
        return float(floor(steps[criterion] + 0.5))


def parse_order(
    text: str | None, known: Sequence[str] = REAL, aim: str = "range"
) -> tuple[str, ...]:
    """Return the order of the criteria: those named first, the others as by default after them.

    Parameters
    ----------
    text : str or None
        Names joined by commas.
    known : sequence of str
        `IDEAL` or `REAL`.
    aim : str
        What sections are arranged for; for ``noise`` that criterion comes before the op amps by
        default, and just behind them where they are ideal: their number stands for the noise that
        they have none of.

    Raises
    ------
    RealisationError
        If a name is unknown or given twice, or needs a real op amp.

    Examples
    --------
    >>> parse_order("noise,amplifiers")[:3]
    ('noise', 'amplifiers', 'error')
    >>> parse_order("range", IDEAL)[:3]
    ('range', 'error', 'stable')
    """
    usual = list(known)
    if aim == "noise":
        usual.remove("noise")
        usual.insert(usual.index("amplifiers") + (known is IDEAL), "noise")
    named = parse_names(text)
    for name in named:
        if name not in known:
            close = get_close_matches(name, known, n=1)
            advice = f"did you mean {close[0]}?" if close else f"they are {', '.join(known)}"
            if name in REAL and known is IDEAL:
                raise RealisationError(
                    f"{name} is a criterion of real op amps only; give one, as with --op-amp"
                )
            raise RealisationError(f"there is no criterion {name!r} to rank by; {advice}")
        if named.count(name) > 1:
            raise RealisationError(f"the criterion {name} is named twice in {text!r}; once will do")
    return (*named, *(c for c in usual if c not in named))


def ideal_names(text: str | None) -> str | None:
    """Return of names joined by commas those that mean something with ideal op amps too.

    Examples
    --------
    >>> ideal_names("findings, noise")
    'noise'
    """
    return ",".join(name for name in parse_names(text) if name in IDEAL) or None


def parse_names(text: str | None) -> tuple[str, ...]:
    """Return the names joined by commas; none for None."""
    return () if text is None else tuple(name.strip() for name in text.split(","))


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
