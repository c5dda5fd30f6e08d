"""Laws of every lift: with the source at zero nothing has changed, and no mode has moved.

Everything is compared by the nodal equations of tests/networks.py, none of the library's own.
"""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from synth.catalog import Stage, stages
from synth.network.model import Network
from synth.transform.drive import Swap
from synth.transform.lift import LiftTerminals
from tests import networks as oracle
from tests.networks import networks, random_networks

every_stage = pytest.mark.parametrize("one", stages(), ids=lambda s: s.name)


def unequal(network: Network) -> dict[str, oracle.Amplifier]:
    rate = oracle.rate_of(network)
    return {
        u.name: oracle.Amplifier(rate * (35 + 30 * k), 2e4 * (1 + k))
        for k, u in enumerate(network.op_amps)
    }


def random_lift(network: Network, seed: int, split_pins: bool) -> Network | None:
    """Whole and split terminals at random; None where a lift does not apply."""
    generator = np.random.default_rng(seed)
    amplifiers = {u.name for u in network.op_amps}
    touching = Counter(t.part for t in network.terminals)
    fractions = []
    for t in network.terminals:
        if t.held or touching[t.part] > 1:
            continue
        part = float(generator.uniform(0.02, 0.98))
        whole = float(generator.integers(2))
        may_split = split_pins or t.part not in amplifiers
        fractions.append((t.key, part if may_split and generator.random() < 0.7 else whole))
    change = LiftTerminals(tuple(fractions))
    if change.accepts(network):
        return None
    return change.apply(network)[0]


# -- the source at zero ----------------------------------------------------------------------------


def at_zero(network: Network) -> tuple[dict[tuple[int, frozenset[str]], float], list[object]]:
    """The network with its input shorted to ground: total admittances, and the op amps."""

    def at(node: str) -> str:
        return network.reference if node == network.input else node

    total: dict[tuple[int, frozenset[str]], float] = {}
    for b in network.branches:
        ends = frozenset(at(n) for n in b.nodes)
        if len(ends) == 2:
            key = b.power, ends
            total[key] = total.get(key, 0.0) + (b.value if b.power > 0 else 1 / b.value)
    return total, [(u.name, at(u.plus), at(u.minus), u.out) for u in network.op_amps]


def check_at_zero(before: Network, after: Network) -> None:
    """One network; so the same noise, and the same offset from offsets and bias currents."""
    (parts, op_amps), (parts_after, op_amps_after) = at_zero(before), at_zero(after)
    assert op_amps == op_amps_after
    assert parts == pytest.approx(parts_after, rel=1e-12)
    models, rate = unequal(before), oracle.rate_of(before)
    for x in (0.05, 0.6, 9.0):
        noise = [oracle.noise_density(n, x * rate / 6.28, models) for n in (before, after)]
        assert noise[0] == pytest.approx(noise[1], rel=1e-9)
    offset = [oracle.output_offset(n, models) for n in (before, after)]
    assert (offset[0] is None) == (offset[1] is None)
    if offset[0] is not None:
        assert offset[0] == pytest.approx(offset[1], rel=1e-6, abs=1e-12)


@every_stage
def test_source_at_zero_before_and_after_a_swap_and_split_lifts(one: Stage) -> None:
    """Two resistors in parallel have the noise of one, 4kT times their conductance (H. Nyquist,
    Phys. Rev. 32 (1928) 110-113)."""
    circuit = one.circuit()
    if not Swap().accepts(circuit):
        check_at_zero(circuit, Swap().apply(circuit)[0])
    for seed in range(3):
        lifted = random_lift(circuit, seed, split_pins=False)
        if lifted is not None:
            check_at_zero(circuit, lifted)


def test_source_at_zero_of_random_networks() -> None:
    done = 0
    for seed, network in enumerate(random_networks(150, seed=301)):
        lifted = random_lift(network, seed, split_pins=False)
        if lifted is not None and len(lifted.branches) > len(network.branches):
            done += 1
            check_at_zero(network, lifted)
    assert done > 60


def test_the_divider_at_an_op_amp_pin_does_add_noise() -> None:
    """The check can fail: the one kind of split that is not the same network."""
    (one,) = (s for s in stages() if s.name == "multiple-feedback-bandpass-no-attenuator")
    circuit = one.circuit()
    lifted = LiftTerminals(((("U1", "plus"), 0.5),), 1e4).apply(circuit)[0]
    models = unequal(circuit)
    noise = [oracle.noise_density(n, 1e3, models) for n in (circuit, lifted)]
    assert noise[1] > 1.05 * noise[0]


# -- the natural modes -----------------------------------------------------------------------------


def check_modes(before: Network, after: Network) -> None:
    """Determinants in a constant ratio at every s, so that their zeros are the same: to rounding,
    with ideal and with unequal one-pole op amps."""
    points = oracle.sample_points(before, 6, seed=8)
    for models in (None, unequal(before)):
        ratios = []
        for s in points:
            a, b = (oracle.mna(n, s, models) for n in (before, after))
            if max(a.condition, b.condition) < 1e9:
                ratios.append(np.linalg.det(b.matrix) / np.linalg.det(a.matrix))
        assert len(ratios) > 2
        assert np.abs(np.array(ratios) / ratios[0] - 1).max() < 1e-9


@settings(max_examples=60, deadline=None)
@given(networks(least_op_amps=1), st.integers(0, 2**32 - 1))
def test_modes_of_any_network_stay_to_rounding(network: Network, seed: int) -> None:
    lifted = random_lift(network, seed, split_pins=True)
    assume(lifted is not None)
    check_modes(network, lifted)


@every_stage
def test_modes_of_every_stage_stay_to_rounding(one: Stage) -> None:
    for seed in range(3):
        lifted = random_lift(one.circuit(), seed, split_pins=True)
        if lifted is not None:
            check_modes(one.circuit(), lifted)
