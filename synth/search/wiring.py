"""Which wirings of the op amps are stable in the limit of large gain-bandwidth, many at once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import product

import numpy as np
import numpy.typing as npt

from synth.analysis.amplifier import Amplifier
from synth.analysis.real import SHIFT, real_system
from synth.network.model import Network

#: Number of op amps -> the gain-bandwidths of the op amps relative to each other; every
#: combination is tried.
RATIOS: Mapping[int, tuple[float, ...]] = {
    1: (1.0,),
    2: (0.1, 1 / 3, 1.0, 3.0, 10.0),
    3: (0.1, 1.0, 10.0),
    4: (0.1, 1.0, 10.0),
}
#: Gain-bandwidths that stand for the limit, in multiples of the fastest ideal mode.
_LIMIT = (1e4, 1e6)
_CHUNK = 4096

#: (plus, minus) of each op amp.
Wiring = tuple[tuple[str, str], ...]
Mask = npt.NDArray[np.bool_]


def decaying(network: Network, wirings: Sequence[Wiring], ideal: Sequence[complex]) -> Mask:
    """Say for each wiring whether the modes that run to infinity stay left of the axis.

    The others tend to the ideal ones whatever the wiring.  Equal op amps sort out most.
    """
    count = len(network.op_amps)
    combinations = [(1.0,) * count, *product(RATIOS[count], repeat=count)]
    alive = np.ones(len(wirings), dtype=np.bool_)
    trials = [(limit, combinations[0]) for limit in _LIMIT]
    trials += [(_LIMIT[0], c) for c in combinations[1:]]
    for limit, ratios in trials:
        index = np.flatnonzero(alive)
        for start in range(0, len(index), _CHUNK):
            part = index[start : start + _CHUNK]
            some = [wirings[k] for k in part]
            alive[part] = _fast_modes_decay(network, some, ideal, limit * np.array(ratios))
    return alive


def _fast_modes_decay(
    network: Network,
    wirings: Sequence[Wiring],
    ideal: Sequence[complex],
    ratios: npt.NDArray[np.float64],
) -> Mask:
    """Judge many wirings at once; `ratios` are the op amps' wt over the fastest ideal mode."""
    scale = max((abs(p) for p in ideal), default=0.0) or _rate(network)
    models = {
        u.name: Amplifier(float(r) * scale) for u, r in zip(network.op_amps, ratios, strict=True)
    }
    system = real_system(network, models)
    inputs = {p.node for p in network.inputs}  # held at 0
    free = [k for n, k in system.index.items() if n not in inputs]
    index = {n: free.index(k) for n, k in system.index.items() if n not in inputs}
    g = np.repeat(system.g[np.ix_(free, free)][None], len(wirings), axis=0)
    c = system.c[np.ix_(free, free)] * scale
    for k, u in enumerate(network.op_amps):
        row = index[u.out]
        g[:, row, :] = 0.0
        for m, wiring in enumerate(wirings):
            for node, sign in zip(wiring[k], (-1.0, 1.0), strict=True):
                if node in index:
                    g[m, row, index[node]] = sign
    size = np.maximum(np.abs(g).max(axis=2), np.abs(c).max(axis=1)[None])[:, :, None]
    g, cs = g / size, c[None] / size
    mu = np.linalg.eigvals(np.linalg.solve(g + SHIFT * cs, cs))
    floor = 1e-10 * np.maximum(1.0, np.abs(mu).max(axis=1, keepdims=True))
    finite = np.abs(mu) > floor
    s = SHIFT - 1 / np.where(finite, mu, 1.0)
    far = np.where(finite, np.abs(s), -1.0)
    order = np.argsort(far, axis=1)  # infinite ones first, then the slow, then the fast
    s = np.take_along_axis(s, order, axis=1)
    rank = np.arange(s.shape[1])[None] - (~finite).sum(axis=1, keepdims=True)
    fast = rank >= len(ideal)
    return np.asarray(np.all(~fast | (s.real < -1e-6 * np.abs(s)), axis=1), dtype=np.bool_)


def _rate(network: Network) -> float:
    """Return a rate 1/RC of the parts, for circuits without a mode of their own."""
    r = [b.value for b in network.branches if b.power == 0 and b.value]
    c = [b.value for b in network.branches if b.power == 1 and b.value]
    if not r or not c:
        return 1.0
    return float(np.exp(-np.mean(np.log(r)) - np.mean(np.log(c))))
