"""Errors of f0 and Q of every pairing against characteristic polynomials of our own.

The equations are written here, with numpy alone: Kirchhoff's law at each node that is no op-amp
output, and V(out)*s = wt*(V(plus) - V(minus)) for each op amp.  The determinant is a polynomial in
s; its values on a circle give the coefficients, and those the roots.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import pytest

from synth.catalog import stage
from synth.network.model import Network
from synth.search.pairing import all_wirings, pairings, rewired

RADIUS = 6.0
NAMES = ("fliege-lowpass", "fdnr-lowpass", "fliege-notch", "simulated-inductor-highpass")


def determinant(network: Network, z: complex, rate: float, speeds: Mapping[str, float]) -> complex:
    """At s = z*rate; `speeds` are wt/rate by op amp."""
    fixed = {network.input, network.reference}
    nodes = [n for n in network.nodes if n not in fixed]
    outs = {u.out: u for u in network.op_amps}
    m = np.zeros((len(nodes), len(nodes)), complex)
    for row, node in enumerate(nodes):
        if node in outs:
            u = outs[node]
            m[row, row] += z / speeds[u.name]
            for other, sign in ((u.plus, -1.0), (u.minus, 1.0)):
                if other not in fixed:
                    m[row, nodes.index(other)] += sign
            continue
        for b in network.branches:
            if node not in b.nodes:
                continue
            y = 1e4 * (1 / b.value if b.power == 0 else z * rate * b.value)
            m[row, row] += y
            (other,) = (n for n in b.nodes if n != node)
            if other not in fixed:
                m[row, nodes.index(other)] -= y
    return complex(np.linalg.det(m))


def roots(network: Network, rate: float, *speeds: float) -> np.ndarray:
    """Natural modes over `rate`; wt/rate of all op amps, or of each in turn.

    The circle lies between the modes of the filter and those of the op amps.
    """
    names = [u.name for u in network.op_amps]
    by_name = dict(zip(names, speeds if len(speeds) > 1 else speeds * len(names), strict=True))
    size = 1 + len(names) + sum(b.power for b in network.branches)
    circle = RADIUS * np.exp(2j * np.pi * np.arange(size) / size)
    values = np.array([determinant(network, z, rate, by_name) for z in circle])
    p = np.fft.fft(values).real / size
    p[np.abs(p) < 1e-13 * np.abs(p).max()] = 0.0
    return np.roots((p / RADIUS ** np.arange(size))[::-1])


def figures(p: complex) -> tuple[float, float]:
    """f0 over the rate, and Q."""
    return abs(p), abs(p) / (-2 * p.real)


def ideal_pair(network: Network, rate: float) -> complex:
    """The pair with op amps of nearly infinite wt."""
    found = [p for p in roots(network, rate, 1e7) if p.imag > 0 and 0.1 < abs(p) < 10]
    return max(found, key=lambda p: figures(p)[1])


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("ratio", [30.0, 2e3])
def test_errors_of_every_pairing(name, ratio) -> None:
    """At a gain-bandwidth of 30, and of 2000, times f0."""
    circuit = stage(name).circuit()
    unit = 1e4
    p0 = ideal_pair(circuit, unit)
    rate = unit * abs(p0)
    p0 = ideal_pair(circuit, rate)
    f0, q = figures(p0)
    assert f0 == pytest.approx(1, rel=1e-6)
    found = pairings(circuit, ratio * rate / (2 * math.pi))
    assert len(found.stable) >= 2
    for x in found.stable:
        modes = roots(x.network, rate, ratio)
        assert (modes.real < 1e-9).all()
        pair = min((p for p in modes if p.imag > 0), key=lambda p: abs(p - p0))
        f0_real, q_real = figures(pair)
        assert x.dominant.f0_hz == pytest.approx(rate / (2 * math.pi), rel=1e-6)
        assert x.dominant.q == pytest.approx(q, rel=1e-6)
        assert x.dominant.f0_shift == pytest.approx(f0_real / f0 - 1, rel=1e-4, abs=1e-6)
        assert x.dominant.q_shift == pytest.approx(q_real / q - 1, rel=1e-4, abs=1e-6)


@pytest.mark.parametrize("name", NAMES)
def test_the_pairings_differ_in_their_errors(name) -> None:
    """The check can fail: one pairing's figures are not another's."""
    circuit = stage(name).circuit()
    found = pairings(circuit, 30 * 1e4 / (2 * math.pi)).stable
    errors = [(round(x.dominant.f0_shift, 6), round(x.dominant.q_shift, 6)) for x in found]
    assert len(set(errors)) > 1


@pytest.mark.parametrize("name", NAMES)
def test_pairings_left_out_grow(name) -> None:
    """Of the pairings that are not offered each has a root in the right half-plane, with equal
    op amps or with one a hundred times faster than the other."""
    circuit = stage(name).circuit()
    rate = 1e4 * abs(ideal_pair(circuit, 1e4))
    kept = {
        tuple((u.plus, u.minus) for u in x.network.op_amps) for x in pairings(circuit, 1e8).stable
    }
    for wiring in all_wirings(circuit):
        if wiring in kept:
            continue
        one = rewired(circuit, wiring)
        speeds = ((300.0, 300.0), (30.0, 3e3), (3e3, 30.0))
        assert any((roots(one, rate, *x).real > 1e-6).any() for x in speeds), wiring
