"""Figures of a stage: parts, smallest spread, sensitivities, gain-bandwidth, at three Q.

At each Q the values with the smallest spread are sought: the largest ratio of like parts, over all
values that make the first kind of the stage with poles of that Q, the gain left free, but not
below 0.1 in magnitude.  It is a local search from several starts (sequential quadratic
programming, D. Kraft, DFVLR-FB 88-28, 1988, from memory), so a smaller spread may exist; of equal
spreads the values nearest to each other are taken, so that the sensitivities belong to one circuit.

Values of smallest spread are not those of print, so beside them stand the figures of the values
that the design equations give, with their capacitors and the parts that they make equal.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import exp, log, pi
from typing import Any

import numpy as np
import numpy.typing as npt

from synth.analysis.feedback import feedback
from synth.analysis.loop import analyse
from synth.analysis.numbers import modes
from synth.analysis.sensitivity import mode_sensitivities
from synth.analysis.terms import Terms, terms_of
from synth.errors import SynthError
from synth.generators.asked import NOTCH_AT, asked
from synth.generators.bandwidth import gain_bandwidth
from synth.generators.equations import KINDS, Design
from synth.network.model import Network
from synth.stage_file import Stage
from synth.transfer.design import worked_out

Array = npt.NDArray[np.float64]
Json = dict[str, Any]

#: The Q at which figures are given.
QS = (1.0, 5.0, 20.0)
#: Gains that design equations are asked for: the first that they reach.
GAINS = (1.0, 2.0, 0.4)
#: Where the figures are taken: f0 in hertz, and the impedance level in ohm.
F0, LEVEL = 1e3, 1e4
_STARTS, _FOLLOW = 6, 4
_WIDEST = log(1e9)  # values further from the level than this are no solution
_SAME, _AGREE = 1e-3, 1  # the search ends when so many further starts come to the same
_TIE = 1e-3  # weight of being near each other against the logarithm of the spread
_MET = 1e-7
_LEAST_GAIN = log(0.1)
#: Figures of one circuit.
_KEYS = (
    *("spread", "f0_sensitivity", "q_sensitivity", "q_sensitivity_sum"),
    *("gain_bandwidth", "limit"),
)
_Q = re.compile(r"\bQ\b")


@dataclass(frozen=True)
class Smallest:
    """Values with the smallest spread found.

    Parameters
    ----------
    network : Network
        With these values, f0 at `F0`.
    spread : float
        Largest ratio of like parts.
    q : float
        Of the poles.
    logs : array (parts,)
        Logarithms of the values, at the level and frequency of `network`.
    """

    network: Network
    spread: float
    q: float
    logs: Array


def figures(stage: Stage, designs: Mapping[str, Design]) -> Json:
    """Return the figures of a stage.

    Parameters
    ----------
    stage : Stage
    designs : mapping
        Its design equations by kind: a start of the search where there are any.

    Returns
    -------
    dict
        ``parts``, ``capacitors``; ``kind`` that the figures belong to; ``gain_bandwidth`` at the
        example's values where there are any, as a multiple of f0, and its ``limit`` (see
        `synth.generators.bandwidth`); ``at``: for each Q of `QS` the spread, the largest
        magnitudes of the sensitivities of f0 and Q, the sum of those of Q, the gain-bandwidth
        and its limit; None where that Q is out of reach; and under ``designed`` the same at the
        values of the design equations, with the ``equations`` (published or derived) and the
        ``gain`` they were asked for, or None.
    """
    branches = stage.network.branches
    found: Json = {
        "parts": len(branches) + len(stage.network.op_amps),
        "capacitors": sum(b.power == 1 for b in branches),
        "kind": stage.kinds[0],
        **_no_limit(),
        "at": [],
    }
    if stage.example or not branches:
        found.update(_limited(stage.circuit()))
    design = designs.get(stage.kinds[0])
    searched = stage.order == 2 and stage.kinds[0] in KINDS
    if not searched and not sets_q(stage):
        return found
    nearest: Smallest | None = None
    for q in QS:
        smallest = smallest_spread(stage, q, design, nearest) if searched else None
        row = dict.fromkeys(_KEYS) if smallest is None else _measured(smallest.network)
        found["at"].append({"q": q, **row, "designed": _designed(stage, q, design)})
        nearest = smallest or nearest
    return found


def sets_q(stage: Stage) -> bool:
    """Say whether the published design equations of a stage are told the Q."""
    return any(_Q.search(text) for text in stage.design.values())


def _measured(network: Network) -> Json:
    """Return the figures of one circuit, rounded; `_KEYS` are their names."""
    loop = analyse(network)
    pairs = mode_sensitivities(loop, modes(loop))
    sensitivities = next((p for p in pairs if p.q), pairs[0])
    s_f0 = [abs(x) for _, x in sensitivities.f0]
    s_q = [abs(x) for _, x in sensitivities.q or ()]
    rows = {
        "spread": spread_of(network),
        "f0_sensitivity": max(s_f0),
        "q_sensitivity": max(s_q, default=None),
        "q_sensitivity_sum": sum(s_q) if s_q else None,
    }
    return {**{k: _significant(v) for k, v in rows.items()}, **_limited(network)}


def spread_of(network: Network) -> float:
    """Return the largest ratio of like parts of a network with values."""
    alike: dict[int, list[float]] = {}
    for b in network.branches:
        alike.setdefault(b.power, []).append(float(b.value or 0))
    return max(max(v) / min(v) for v in alike.values())


def _no_limit() -> Json:
    return {"gain_bandwidth": None, "limit": None}


def _limited(network: Network) -> Json:
    found = gain_bandwidth(network)
    if found is None:
        return _no_limit()
    return {"gain_bandwidth": _significant(found.ratio), "limit": found.limit}


def _designed(stage: Stage, q: float, design: Design | None) -> Json | None:
    """Return the figures at the values of the design equations, the published ones first."""
    published = tuple(stage.design.items()) if sets_q(stage) else ()
    derived = design.rows if design is not None else ()
    for equations, rows in (("published", published), ("derived", derived)):
        for gain in GAINS if rows else ():
            values = _values(stage, rows, q, gain)
            if values is None:
                continue
            network = stage.network.with_values(values)
            if _sound(network):
                return {"equations": equations, "gain": gain, **_measured(network)}
    return None


def _values(
    stage: Stage, rows: Sequence[tuple[str, str]], q: float, gain: float
) -> dict[str, float] | None:
    """Return the part values of design equations at `F0` and `LEVEL`; None out of reach."""
    w0 = 2 * pi * F0
    zero = NOTCH_AT.get(stage.kinds[0], 1.0)
    given = {"w0": w0, "Q": q, "g": gain, "C": 1 / (w0 * LEVEL), "m": zero}
    try:
        found = worked_out(rows, given)
    except (SynthError, ValueError):
        return None
    values = {b.name: found.get(b.name, 0.0) for b in stage.network.branches}
    return values if all(v > 0 for v in values.values()) else None


def _significant(x: float | None) -> float | None:
    return None if x is None else float(f"{x:.3g}")


# -- smallest spread -------------------------------------------------------------------------------


def smallest_spread(
    stage: Stage, q: float, design: Design | None = None, nearest: Smallest | None = None
) -> Smallest | None:
    """Return the values with the smallest spread found; None where none makes the kind at this Q.

    Circuits whose op amps are in positive feedback are passed over.

    Parameters
    ----------
    stage : Stage
    q : float
    design : Design, optional
        Its design equations: a start.
    nearest : Smallest, optional
        What was found at another Q: a start, followed to this one in small steps.
    """
    terms = terms_of(stage.loop)
    best: tuple[float, Array] | None = None
    starts = _starts(stage, terms, q, design)
    if nearest is not None:
        starts.insert(1, _followed(terms, stage.kinds[0], q, nearest))
    again = 0
    for start in starts:
        found = _search(terms, stage.kinds[0], q, start)
        if found is None or not _sound(_network(stage, found[1])):
            continue
        again = again + 1 if best is not None and abs(found[0] - best[0]) < _SAME else 0
        if best is None or found[0] < best[0]:
            best = found
        if again == _AGREE:
            break
    if best is None:
        return None
    logs = best[1]
    kinds = np.array([n[0] for n in terms.names])
    spread = max(float(np.ptp(logs[kinds == k])) for k in set(kinds))
    return Smallest(_network(stage, logs), exp(spread), q, logs)


def _followed(terms: Terms, kind: str, q: float, nearest: Smallest) -> Array:
    """Return the values found at another Q, followed to this one."""
    logs = nearest.logs
    for step in np.geomspace(nearest.q, q, _FOLLOW + 1)[1:]:
        found = _search(terms, kind, float(step), logs)
        if found is None:
            break
        logs = found[1]
    return logs


def _network(stage: Stage, logs: Array) -> Network:
    w0 = 2 * pi * F0
    unit = {0: LEVEL, 1: 1 / (w0 * LEVEL)}
    return stage.network.with_values(
        {b.name: unit[b.power] * exp(x) for b, x in zip(stage.network.branches, logs, strict=True)}
    )


def _sound(network: Network) -> bool:
    try:
        return feedback(analyse(network)).negative
    except SynthError:
        return False


def _starts(stage: Stage, terms: Terms, q: float, design: Design | None) -> list[Array]:
    generator = np.random.default_rng(0)
    size = len(terms.names)
    random = [generator.normal(0.0, 0.3 + 0.3 * log(1 + q), size) for _ in range(_STARTS)]
    if design is None:
        return [np.zeros(size), *random]
    w0 = 2 * pi * F0
    unit = {0: LEVEL, 1: 1 / (w0 * LEVEL)}
    for gain in GAINS:
        values = _values(stage, design.rows, q, gain)
        if values is not None:
            logs = [log(values[b.name] / unit[b.power]) for b in stage.network.branches]
            return [np.array(logs), *random]
    return random


def _search(terms: Terms, kind: str, q: float, start: Array) -> tuple[float, Array] | None:
    """Return (objective, log values) of the local search from one start; None when it fails."""
    from scipy.optimize import minimize

    size = len(start)
    letters = np.array([n[0] for n in terms.names])
    members = [letters == k for k in sorted(set(letters))]
    lowest = np.array([start[m].min() for m in members])
    spread = max(float(np.ptp(start[m])) for m in members)
    x0 = np.concatenate([start, lowest, [spread]])

    def objective(x: Array) -> float:
        away = sum(float(((x[:size][m] - x[:size][m].mean()) ** 2).sum()) for m in members)
        return float(x[-1]) + _TIE * away / size

    active = _active(terms, kind, q)

    def equal(x: Array) -> Array:
        return _misses(terms, kind, q, x[:size])[0][active]

    def above(x: Array) -> Array:
        rows = [x[:size][m] - low for m, low in zip(members, x[size:-1], strict=True)]
        gain = _misses(terms, kind, q, x[:size])[1]
        limits = [gain - _LEAST_GAIN]
        return np.concatenate([*rows, *(x[-1] - r for r in rows), limits])

    with np.errstate(all="ignore"):
        found = minimize(
            objective,
            x0,
            method="SLSQP",
            constraints=({"type": "eq", "fun": equal}, {"type": "ineq", "fun": above}),
            options={"maxiter": 120, "ftol": 1e-9},
        )
        logs = np.asarray(found.x[:size])
        off, gain = _misses(terms, kind, q, logs)
        met = bool(np.isfinite(off).all()) and float(np.abs(off).max(initial=0.0)) < _MET
        met = met and float(np.abs(logs).max(initial=0.0)) < _WIDEST
        if not met or gain < _LEAST_GAIN - 1e-6:
            return None
    return objective(found.x), logs


def _active(terms: Terms, kind: str, q: float) -> npt.NDArray[np.bool_]:
    """Return which equations say something; one that always holds would only stop the search."""
    generator = np.random.default_rng(1)
    draws = generator.normal(0.0, 1.0, (5, len(terms.names)))
    rows = np.array([_misses(terms, kind, q, x)[0] for x in draws])
    return np.asarray(np.abs(rows).max(axis=0) > 1e-9)


def _misses(terms: Terms, kind: str, q: float, logs: Array) -> tuple[Array, float]:
    """Return what is left of the equations of the kind, and the logarithm of the gain."""
    tops, bottoms = terms.coefficients(logs[None, :])
    n, d = tops[0] / np.abs(tops[0]).sum(), bottoms[0] / bottoms[0][-1]
    wanted = asked(kind, n, d, q, 0.0, NOTCH_AT.get(kind, 1.0))
    rows = np.array(wanted.shape)
    gain = 0.0
    if wanted.gain is not None and kind != "peaking":
        place = {"lowpass": 0, "lowpass-notch": 0, "bandpass": 1}.get(kind, 2)
        gain = float(np.log(np.abs(tops[0][place] / bottoms[0][place])))
    return rows, gain if np.isfinite(gain) else 0.0
