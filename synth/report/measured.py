"""What a stage is good and bad at, in sentences measured from its figures and sensitivities."""

from __future__ import annotations

from collections.abc import Sequence
from math import log

from synth.analysis.loop import analyse
from synth.analysis.numbers import modes
from synth.analysis.sensitivity import RootSensitivity, mode_sensitivities
from synth.generators.kept import Json, kept_figures
from synth.stage_file import Stage

#: A sensitivity below this is none.
_NONE = 1e-6
#: An exponent of Q below this is no growth worth the word.
_FLAT = 0.25
_GROWTH = (
    ("spread", "the smallest spread found of like parts"),
    ("q_sensitivity", "the largest sensitivity of Q to a part"),
    ("gain_bandwidth", "the gain-bandwidth over f0 that keeps f0 within 5 %"),
)


def measured_remarks(stage: Stage) -> list[str]:
    """Return the remarks on a stage that can be measured: spread, sensitivity, op amps, tuning."""
    figures = kept_figures(stage)
    found = [] if figures is None else _growths(figures["at"])
    if stage.order == 2 and stage.example:
        found += _tuning(stage)
    return found


def _growths(rows: Sequence[Json]) -> list[str]:
    reached = [row for row in rows if row["spread"] is not None]
    missing = [f"{row['q']:g}" for row in rows if row["spread"] is None]
    found = []
    if reached and missing:
        found.append(f"no values found for Q = {', '.join(missing)}")
    elif missing:
        found.append("Q of 1 and more is out of reach")
    for key, what in _GROWTH:
        values = [(row["q"], row[key]) for row in reached if row[key]]
        if len(values) < 2:
            continue
        (q0, first), (q1, last) = values[0], values[-1]
        power = log(last / first) / log(q1 / q0)
        listed = ", ".join(f"{v:g}" for _, v in values)
        at = ", ".join(f"{q:g}" for q, _ in values)
        grows = f"grows as Q^{power:.1f}" if power > _FLAT else "hardly depends on Q"
        found.append(f"{what} {grows}: {listed} at Q = {at}")
    return found


def _tuning(stage: Stage) -> list[str]:
    loop = analyse(stage.circuit())
    pairs = [s for s in mode_sensitivities(loop, modes(loop)) if s.q is not None]
    if not pairs:
        return []
    q_alone, f0_alone = _alone(pairs[0])
    found = []
    if q_alone:
        found.append(f"trims Q and leaves f0: {', '.join(q_alone)}")
    if f0_alone:
        found.append(f"trims f0 and leaves Q: {', '.join(f0_alone)}")
    if not q_alone and not f0_alone:
        found.append("every part that moves f0 or Q moves both, with the values of the example")
    return found


def _alone(pair: RootSensitivity) -> tuple[list[str], list[str]]:
    f0, q = dict(pair.f0), dict(pair.q or ())
    q_alone = [n for n in q if abs(f0[n]) < _NONE < abs(q[n])]
    f0_alone = [n for n in q if abs(q[n]) < _NONE < abs(f0[n])]
    return q_alone, f0_alone
