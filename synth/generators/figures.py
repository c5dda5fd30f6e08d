"""Figures of a stage: parts, smallest spread, sensitivities, gain-bandwidth, at three Q.

At each Q the values with the smallest spread are sought (`synth.generators.smallest`): the
largest ratio of like parts, over all values that make a kind of the stage with poles of that Q.

Values of smallest spread are not those of print, so beside them stand the figures of the values
that the design equations give, with their capacitors and the parts that they make equal.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from math import pi
from typing import Any

from synth.analysis.loop import analyse
from synth.analysis.numbers import modes
from synth.analysis.sensitivity import mode_sensitivities
from synth.claims import response
from synth.errors import SynthError
from synth.generators.asked import GAINS, NOTCH_AT
from synth.generators.bandwidth import gain_bandwidth
from synth.generators.equations import KINDS, Design
from synth.generators.smallest import F0, LEVEL, Search, Smallest, sound
from synth.network.model import Network
from synth.stage_file import Stage
from synth.transfer.design import names_in, worked_out

Json = dict[str, Any]

#: The Q at which figures are given.
QS = (1.0, 5.0, 20.0)
#: Figures of one circuit.
_KEYS = (
    *("spread", "f0_sensitivity", "q_sensitivity", "q_sensitivity_sum"),
    *("gain_bandwidth", "limit"),
)
_NO_Q = "real poles only, so that Q stays below 0.5"
_Q = re.compile(r"\bQ\b")


def figures(stage: Stage, designs: Mapping[str, Design]) -> dict[str, Json]:
    """Return the figures of every kind of a stage.

    Parameters
    ----------
    stage : Stage
    designs : mapping
        Its design equations by kind: a start of the search where there are any.

    Returns
    -------
    dict
        By kind: ``parts``, ``capacitors``; ``kind``; ``notch``: the frequency of the notch over f0
        where the kind has one beside it; ``gain_bandwidth`` at the values of the example, or of
        its variant, where there are any, as a multiple of f0, and its ``limit`` (see
        `synth.generators.bandwidth`); ``at``: for each Q of `QS` the spread, the largest
        magnitudes of the sensitivities of f0 and Q, the sum of those of Q, the gain-bandwidth
        and its limit; None where that Q is out of reach; and under ``designed`` the same at the
        values of the design equations, with the ``equations`` (published or derived) and the
        ``gain`` they were asked for, one of `GAINS`, or None where they leave no choice; None
        out of their reach; ``none``: why there are no figures, where no Q is in
        reach or none was sought.
    """
    return {kind: _of_kind(stage, kind, designs.get(kind)) for kind in stage.kinds}


def _of_kind(stage: Stage, kind: str, design: Design | None) -> Json:
    branches = stage.network.branches
    found: Json = {
        "parts": len(branches) + len(stage.network.op_amps),
        "capacitors": sum(b.power == 1 for b in branches),
        "kind": kind,
        "notch": _significant(NOTCH_AT.get(kind)),
        **_no_limit(),
        "at": [],
        "none": None,
    }
    if stage.example or not branches:
        found.update(_limited(stage.circuit(kind)))
    search = Search(stage, kind) if _searched(stage, kind) else None
    if search is None and not (kind == stage.kinds[0] and sets_q(stage)):
        found["none"] = "they are sought for responses of second order"
        return found
    tried = search is not None and not search.real_poles
    nearest: Smallest | None = None
    for q in QS:
        smallest = None
        if search is not None and tried:
            start = _start(stage, kind, q, design)
            logs = None if start is None else search.logs_of(start)
            smallest = search.smallest(q, logs, nearest)
        row = dict.fromkeys(_KEYS) if smallest is None else _measured(smallest.network)
        found["at"].append({"q": q, **row, "designed": _designed(stage, kind, q, design)})
        nearest = smallest or nearest
    if search is not None and nearest is None and not any(r["designed"] for r in found["at"]):
        found["none"] = _NO_Q if search.real_poles else "no values were found"
    return found


def _searched(stage: Stage, kind: str) -> bool:
    """Say whether a kind is one of second order, of three modes one cancelling in the example.

    In a general one nothing says which mode is to cancel.
    """
    if kind not in KINDS or stage.order not in (2, 3):
        return False
    if stage.order == 2:
        return True
    return kind != "general" and len(response(stage.loop, stage.circuit(kind))[1]) == 3


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


def _equations(
    stage: Stage, kind: str, design: Design | None
) -> list[tuple[str, Sequence[tuple[str, str]]]]:
    """Return the design equations that tell the Q, the published ones first."""
    first = kind == stage.kinds[0] and sets_q(stage)
    found: list[tuple[str, Sequence[tuple[str, str]]]] = []
    if first:
        found.append(("published", tuple(stage.design.items())))
    if design is not None:
        found.append(("derived", design.rows))
    return found


def _designed(stage: Stage, kind: str, q: float, design: Design | None) -> Json | None:
    """Return the figures at the values of the design equations, the published ones first."""
    for equations, rows in _equations(stage, kind, design):
        found = _reached(stage, kind, rows, q)
        if found is not None:
            gain, network = found
            return {"equations": equations, "gain": gain, **_measured(network)}
    return None


def _start(stage: Stage, kind: str, q: float, design: Design | None) -> dict[str, float] | None:
    """Return values to start from: of the derived design equations, else of the published ones."""
    for _, rows in reversed(_equations(stage, kind, design)):
        found = _reached(stage, kind, rows, q)
        if found is not None:
            return found[1].values
    return None


def _reached(
    stage: Stage, kind: str, rows: Sequence[tuple[str, str]], q: float
) -> tuple[float | None, Network] | None:
    """Return the gain of `GAINS` that is taken and the circuit with it; None out of reach."""
    if not any("g" in names_in(text) for _, text in rows):
        network = _circuit(stage, kind, rows, q, GAINS[0])
        return None if network is None else (None, network)
    best: tuple[float, Network] | None = None
    for gain in GAINS:
        network = _circuit(stage, kind, rows, q, gain)
        if network is None:
            continue
        if best is None or spread_of(network) < spread_of(best[1]):
            best = gain, network
        if gain == GAINS[0]:
            break
    return best


def _circuit(
    stage: Stage, kind: str, rows: Sequence[tuple[str, str]], q: float, gain: float
) -> Network | None:
    """Return the circuit of design equations, its op amps in negative feedback, or None."""
    values = _values(stage, kind, rows, q, gain)
    network = None if values is None else stage.network.with_values(values)
    return network if network is not None and sound(network) else None


def _values(
    stage: Stage, kind: str, rows: Sequence[tuple[str, str]], q: float, gain: float
) -> dict[str, float] | None:
    """Return the part values of design equations at `F0` and `LEVEL`; None out of reach."""
    w0 = 2 * pi * F0
    zero = NOTCH_AT.get(kind, 1.0)
    given = {"w0": w0, "Q": q, "g": gain, "C": 1 / (w0 * LEVEL), "m": zero}
    try:
        found = worked_out(rows, given)
    except (SynthError, ValueError):
        return None
    values = {b.name: found.get(b.name, 0.0) for b in stage.network.branches}
    return values if all(v > 0 for v in values.values()) else None


def _significant(x: float | None) -> float | None:
    return None if x is None else float(f"{x:.3g}")
