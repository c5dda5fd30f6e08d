"""The sign of feedback, and what is left of the law of terminals with real op amps.

Sources: every active network of tests/published/published_stages.json, each with its own source;
D. Hilberman, IEEE Trans. Circuit Theory CT-20 (1973) 540-547 (from memory) for the sums.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest

from synth.analysis.amplifier import Amplifier
from synth.analysis.feedback import Feedback, feedback
from synth.analysis.loop import analyse
from synth.analysis.numbers import admittances
from synth.analysis.real import RealSystem, real_system
from synth.catalog import Stage, stage, stages
from synth.network.equivalence import equivalent, shape_key
from synth.network.model import Network
from synth.transform.drive import Swap
from tests import networks as oracle
from tests.networks import random_networks
from tests.test_published_stages import ENTRIES, network_of

active = [e for e in ENTRIES if any(x[0] == "opamp" for x in e["elements"])]
every_published = pytest.mark.parametrize("entry", active, ids=[e["name"] for e in active])
every_stage = pytest.mark.parametrize("one", stages(), ids=lambda s: s.name)
with_op_amps = pytest.mark.parametrize(
    "one", [s for s in stages() if s.network.op_amps], ids=lambda s: s.name
)
with_one_op_amp = pytest.mark.parametrize(
    "one",
    [
        s
        for s in stages()
        if len(s.network.op_amps) == 1 and (s.network.op_amps[0].out,) == s.network.reading.nodes
    ],
    ids=lambda s: s.name,
)


@cache
def shapes() -> dict[str, Stage]:
    return {shape_key(s.network): s for s in stages()}


def published_circuit(entry: dict[str, Any]) -> Network:
    """The published network with the sound values of its stage in the catalogue."""
    network = network_of(entry)
    one = shapes()[shape_key(network)]
    names = equivalent(network, one.network)
    assert names is not None
    return network.with_values({b.name: one.example[names[b.name]] for b in network.branches})


def exchanged(network: Network, name: str) -> Network:
    """Exchange the inputs of one op amp."""
    return replace(
        network,
        op_amps=tuple(
            replace(u, plus=u.minus, minus=u.plus) if u.name == name else u for u in network.op_amps
        ),
    )


def judged(network: Network) -> Feedback:
    return feedback(analyse(network))


# -- the rule --------------------------------------------------------------------------------------


@every_published
def test_published_networks_are_in_negative_feedback(entry: dict[str, Any]) -> None:
    found = judged(published_circuit(entry))
    assert found.negative, found.reason


@every_published
def test_exchanging_the_inputs_of_any_single_op_amp_is_caught(entry: dict[str, Any]) -> None:
    circuit = published_circuit(entry)
    for u in circuit.op_amps:
        wrong = judged(exchanged(circuit, u.name))
        assert not wrong.negative, f"{u.name} exchanged in {entry['name']}"
        assert "positive feedback" in wrong.reason
        assert u.name in wrong.reason


@every_published
def test_exchange_does_put_a_mode_into_the_right_half_plane(entry: dict[str, Any]) -> None:
    """The fact behind the rule, by eigenvalues of the equations of tests/networks.py, A = wt/s."""
    circuit = published_circuit(entry)
    rate = oracle.rate_of(circuit)
    models = {u.name: oracle.Amplifier(1e5 * rate, float("inf")) for u in circuit.op_amps}

    def growing(network: Network) -> list[complex]:
        found = oracle.modes_by_eigenvalues(network, rate, models)
        return [x for x in found if x.real > 1e-6 * max(1.0, abs(x))]

    assert not growing(circuit)
    for u in circuit.op_amps:
        assert growing(exchanged(circuit, u.name)), f"{u.name} exchanged in {entry['name']}"


def test_the_rule_agrees_with_eigenvalues_on_random_networks() -> None:
    """None that grows is accepted, and hardly one is refused that does not (A = wt/s)."""
    accepted = refused = strict = 0
    for network in random_networks(900, seed=101):
        if not network.op_amps:
            continue
        rate = oracle.rate_of(network)
        grows = []
        for ratio in (1e4, 1e6):
            models = {u.name: oracle.Amplifier(ratio * rate, np.inf) for u in network.op_amps}
            found = oracle.modes_by_eigenvalues(network, rate, models)
            grows.append(any(x.real > 1e-5 * max(1e-3, abs(x)) for x in found))
        if judged(network).negative:
            accepted += 1
            assert not any(grows)
        else:
            refused += 1
            strict += not any(grows)  # modes that run to infinity along the axis
    assert min(accepted, refused) > 100
    assert strict <= 0.01 * refused


@every_stage
def test_every_stage_passes_and_so_does_its_swap(one: Stage) -> None:
    found = judged(one.circuit())
    assert found.negative, found.reason
    if not Swap().accepts(one.network):
        after = judged(Swap().apply(one.circuit())[0])
        assert (after.negative, after.reason) == (found.negative, found.reason)


@pytest.mark.parametrize(
    "name", ["integrator-inverting", "integrator-noninverting-balanced", "integrator-deboo"]
)
def test_an_integrator_is_sound_and_remarked(name: str) -> None:
    found = judged(stage(name).circuit())
    assert found.negative
    assert "a natural mode at the origin: an ideal integrator" in found.reason


def test_sallen_key_with_too_much_gain_is_refused() -> None:
    """Equal R and C oscillate at K > 3 (R. P. Sallen, E. L. Key, IRE Trans. CT-2 (1955) 74-85,
    from memory)."""
    one = stage("sallen-key-lowpass-gain")
    gain = {b.name for b in one.network.branches if b.power == 0} - {"R1", "R2"}
    assert len(gain) == 2
    equal = {b.name: 1e4 if b.power == 0 else 1e-8 for b in one.network.branches}
    verdicts = set()
    for part in gain:  # one of the two orders raises the gain to 4, the other lowers it to 4/3
        verdicts.add(judged(one.network.with_values({**equal, part: 3e4})).negative)
        found = judged(one.network.with_values({**equal, part: 3e4}))
        if not found.negative:
            assert "right half-plane" in found.reason
            assert max(p.real for p in found.ideal) == pytest.approx(0.5e4, rel=1e-9)
    assert verdicts == {True, False}


def test_a_mode_on_the_axis_is_remarked_and_not_refused() -> None:
    """At K = 3 exactly the same circuit rings for ever at 1/(RC)."""
    one = stage("sallen-key-lowpass-gain")
    gain = sorted({b.name for b in one.network.branches if b.power == 0} - {"R1", "R2"})
    equal = {b.name: 1e4 if b.power == 0 else 1e-8 for b in one.network.branches}
    found = [judged(one.network.with_values({**equal, part: 2e4})) for part in gain]
    assert all(f.negative for f in found)
    assert sum("on the axis" in f.reason for f in found) == 1


# -- real op amps ----------------------------------------------------------------------------------


def unequal(network: Network, rate: float) -> tuple[dict[str, Amplifier], dict[str, Any]]:
    ours, theirs = {}, {}
    for k, u in enumerate(network.op_amps):
        wt, a0 = rate * (30 + 17 * k), 200.0 * (1 + k)
        ours[u.name], theirs[u.name] = Amplifier(wt, a0), oracle.Amplifier(wt, a0)
    return ours, theirs


def terminal_responses(system: RealSystem, s: np.ndarray) -> np.ndarray:
    """T_k(s) of every terminal from one adjoint solution, the other terminals at 0."""
    network, adjoint = system.network, system.adjoint(s)
    values = dict(zip([b.name for b in network.branches], admittances(network), strict=True))
    columns = []
    for t in network.terminals:
        if t.part in values:
            b = network.branch(t.part)
            inner = b.nodes[1] if t.pin == "1" else b.nodes[0]
            columns.append(float(values[t.part]) * s**b.power * system.into(adjoint, inner))
        elif t.part == network.reading.name:  # the output itself reads the source
            columns.append(np.full(len(s), 1 if t.pin == "+" else -1))
        else:
            sign = 1 if t.pin == "plus" else -1
            columns.append(sign * adjoint[:, system.inner[t.part]])
    return np.array(columns).T


@with_op_amps
def test_terminals_and_hidden_references_sum_to_one_with_unequal_amplifiers(one: Stage) -> None:
    circuit = one.circuit()
    rate = oracle.rate_of(circuit)
    ours, theirs = unequal(circuit, rate)
    s = [1j * rate * x for x in (0.1, 0.7, 1.3, 20.0)] + oracle.sample_points(circuit, 2)
    system = real_system(circuit, ours)
    terminals, hidden = terminal_responses(system, np.array(s)), system.hidden(np.array(s))
    assert np.abs(terminals.sum(axis=1) + hidden - circuit.terminal_sum).max() < 1e-9
    assert np.abs(hidden).max() > 1e-4  # these amplifiers are far from ideal
    for k, x in enumerate(s):
        expected = oracle.terminal_transfers(circuit, x, theirs)
        assert abs(hidden[k] - expected["hidden"]) < 1e-9 * max(1, abs(hidden[k]))
        for t, value in zip(circuit.terminals, terminals[k], strict=True):
            assert abs(value - expected[t.key]) < 1e-9 * max(1, abs(value))


@with_one_op_amp
def test_complements_sum_to_loop_gain_over_one_plus_loop_gain(one: Stage) -> None:
    """One op amp, output at its output: H + H' = T/(1 + T) exactly (D. Hilberman, IEEE Trans.
    Circuit Theory CT-20 (1973) 540-547, from memory)."""
    circuit = one.circuit()
    rate = oracle.rate_of(circuit)
    (name,) = (u.name for u in circuit.op_amps)
    model = oracle.Amplifier(25 * rate, 300.0)
    swap = Swap()
    other = None if swap.accepts(circuit) else swap.apply(circuit)[0]
    for s in oracle.sample_points(circuit, 4):
        t = oracle.return_ratio(circuit, s, model)
        expected = t / (1 + t)
        system = real_system(circuit, {name: Amplifier(model.wt, model.a0)})
        hidden = system.hidden(np.array([s]))
        assert abs(1 - hidden[0] - expected) < 1e-9 * max(1, abs(expected))
        whole = oracle.transfer(circuit, s, {name: model})
        whole += oracle.transfer(other, s, {name: model}) if other is not None else 0
        assert abs(whole - expected) < 1e-9 * max(1, abs(expected))


@with_op_amps
def test_modes_with_real_op_amps_are_zeros_of_the_determinant(one: Stage) -> None:
    """det(s1)/det(s2) of tests/networks.py from the modes that the equations give."""
    circuit = one.circuit()
    rate = oracle.rate_of(circuit)
    ours, theirs = unequal(circuit, rate)
    found = real_system(circuit, ours).modes(rate)
    a, b = oracle.sample_points(circuit, 2)
    ratio = np.linalg.det(oracle.mna(circuit, a, theirs).matrix) / np.linalg.det(
        oracle.mna(circuit, b, theirs).matrix
    )
    assert abs(ratio / np.prod((a - found) / (b - found)) - 1) < 1e-6
    if not Swap().accepts(circuit):
        again = real_system(Swap().apply(circuit)[0], ours).modes(rate)
        assert oracle.same_multiset(list(found), list(again), 1e-9)
