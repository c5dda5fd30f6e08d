"""Stages said to depend less on the gain-bandwidth, with op amps A(s) = wt/s, by eigenvalues.

The circuit is written here as C dv/dt + G v = 0 at the nodes and dv/dt = wt (v+ - v-) at every
op-amp output, and its poles are the generalised eigenvalues: none of the library's analysis.
First-order errors of a two-integrator loop with an inverter: f0 -f0/ft, Q 4 Q f0/ft (L. C. Thomas,
IEEE Trans. Circuit Theory CT-18 (1971) 350-361, from memory).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.linalg import eig

from synth.catalog import stage
from synth.generators.kept import kept_designs
from synth.network.model import Network
from synth.transfer.design import worked_out

W0 = 2 * math.pi * 1e3
Q = 20.0
SAME = {"w0": W0, "Q": Q, "C": 1e-8, "m": 1.0}
LEVEL = 1 / (W0 * 1e-8)  # ohm: nodal equations and those of the op amps get like sizes


def equal_parts(name: str, q: float = Q) -> Network:
    """The stage at its design equations, with equal capacitors."""
    s = stage(name)
    rows = tuple(s.design.items()) or kept_designs(s)[s.kinds[0]].rows
    for gain in (1.0, 2.0, 0.4):
        found = worked_out(rows, {**SAME, "Q": q, "g": gain})
        values = {b.name: found[b.name] for b in s.network.branches}
        if min(values.values()) > 0:
            return s.network.with_values(values)
    raise AssertionError(name)


def errors(network: Network, ratio: float, q: float = Q) -> tuple[float, float]:
    """Relative errors of f0 and Q with op amps of `ratio` times f0, in units of 1/ratio."""
    fixed = (network.input, network.reference)
    at = {n: k for k, n in enumerate(n for n in network.nodes if n not in fixed)}
    size = len(at)
    g, c = np.zeros((size, size)), np.zeros((size, size))
    outputs = {u.out for u in network.op_amps}
    for b in network.branches:
        value, to = (LEVEL / b.value, g) if b.power == 0 else (LEVEL * b.value * W0, c)
        for one, other in (b.nodes, b.nodes[::-1]):
            if one in at and one not in outputs:
                to[at[one], at[one]] += value
                if other in at:
                    to[at[one], at[other]] -= value
    for u in network.op_amps:
        c[at[u.out], at[u.out]] = 1
        for node, sign in ((u.plus, -1), (u.minus, 1)):
            if node in at:
                g[at[u.out], at[node]] += sign * ratio
    poles = eig(-g, c, right=False)
    poles = poles[np.isfinite(poles)]
    assert max(poles.real) < 0, "it oscillates"
    pole = min(poles[poles.imag > 0], key=lambda p: abs(abs(p) - 1))
    return (abs(pole) - 1) * ratio, (abs(pole) / (-2 * pole.real) / q - 1) * ratio


#: Stage, what it is compared with, bounds on its errors of f0 and Q in units of f0/ft.
BETTER = [
    ("akerberg-mossberg-bandpass", "tow-thomas-bandpass", 1.1, 0.1),
    ("re-paired-loop-bandpass", "tow-thomas-bandpass", 0.1, 1.0),
    ("all-pass-loop-bandpass", "tow-thomas-bandpass", 3.1, 3.1),
    ("re-paired-feed-forward", "tow-thomas-feed-forward", 2.1, 0.2),
    ("re-paired-state-variable-lowpass", "state-variable-lowpass", 1.0, 1.0),
    ("re-paired-state-variable-bandpass", "state-variable-bandpass", 1.0, 1.0),
]


@pytest.mark.parametrize(("name", "base", "most_f0", "most_q"), BETTER)
def test_the_error_of_q_does_not_grow_with_q_as_that_of_the_base(
    name: str, base: str, most_f0: float, most_q: float
) -> None:
    f0, q = errors(equal_parts(name), 1000)
    assert abs(f0) < most_f0
    assert abs(q) < most_q
    assert errors(equal_parts(base), 1000)[1] > 4 * Q  # 4 Q f0/ft, and more in the second order


@pytest.mark.parametrize("q", [5.0, 20.0, 100.0])
def test_the_loop_of_all_passes_shifts_q_alike_at_every_q(q: float) -> None:
    f0, shift = errors(equal_parts("all-pass-loop-bandpass", q), 1e4, q)
    assert f0 == pytest.approx(-3, abs=0.2)
    assert shift == pytest.approx(3, abs=0.2)
