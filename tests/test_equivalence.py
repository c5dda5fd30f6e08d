"""The same circuit under other names: found, with a map that is an isomorphism; and no other."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from synth.catalog import Stage, stage, stages
from synth.network.equivalence import equivalent, shape_key
from synth.network.model import Branch, Network, OpAmp, Port
from tests import networks as oracle
from tests.networks import networks, random_networks

every_stage = pytest.mark.parametrize("one", stages(), ids=lambda s: s.name)


def shuffled(network: Network, rng: np.random.Generator) -> tuple[Network, dict[str, str]]:
    """Other names of parts and nodes, another order of parts, branches turned round."""
    names = [b.name for b in network.branches]
    new = [f"{b.name[0]}{k}" for b, k in zip(network.branches, rng.permutation(99), strict=False)]
    parts = dict(zip(names, new, strict=True))
    parts |= {u.name: f"X{k}" for u, k in zip(network.op_amps, rng.permutation(99), strict=False)}
    nodes = {n: f"m{k}" for n, k in zip(network.nodes, rng.permutation(99), strict=False)}
    nodes.pop(network.reference, None)
    other = network.renamed(parts, nodes)
    branches = [
        b if rng.integers(2) else replace(b, nodes=(b.nodes[1], b.nodes[0])) for b in other.branches
    ]
    return (
        replace(
            other,
            branches=tuple(branches[k] for k in rng.permutation(len(branches))),
            op_amps=tuple(other.op_amps[k] for k in rng.permutation(len(other.op_amps))),
        ),
        parts,
    )


def check_map(a: Network, b: Network, names: Mapping[str, str]) -> None:
    """A bijection that keeps kinds, and keeps H when `b` takes over the values of `a`."""
    assert sorted(names) == sorted([*(x.name for x in a.branches), *(u.name for u in a.op_amps)])
    assert sorted(names.values()) == sorted(
        [*(x.name for x in b.branches), *(u.name for u in b.op_amps)]
    )
    for x in a.branches:
        assert b.branch(names[x.name]).power == x.power
    carried = b.with_values({names[n]: v for n, v in a.values.items()})
    for s in oracle.sample_points(a, 2):
        h = oracle.transfer(a, s)
        assert abs(oracle.transfer(carried, s) - h) <= 1e-8 * max(1, abs(h))


# -- equal -----------------------------------------------------------------------------------------


@every_stage
def test_a_stage_is_found_under_other_names(one: Stage) -> None:
    circuit = one.circuit()
    other, _ = shuffled(circuit, np.random.default_rng(3))
    assert shape_key(circuit) == shape_key(other)
    names = equivalent(circuit, other)
    assert names is not None
    check_map(circuit, other, names)


@given(networks(), st.integers(0, 2**32 - 1))
@settings(max_examples=100, deadline=None)
def test_any_network_is_found_under_other_names(network: Network, seed: int) -> None:
    other, _ = shuffled(network, np.random.default_rng(seed))
    names = equivalent(network, other)
    assert names is not None
    check_map(network, other, names)


def test_many_random_networks_are_found_under_other_names() -> None:
    rng = np.random.default_rng(8)
    for network in random_networks(300, seed=41):
        other, _ = shuffled(network, rng)
        names = equivalent(network, other)
        assert names is not None
        check_map(network, other, names)


def chain(*parts: Branch) -> Network:
    return Network((*parts, Branch("R9", 0, ("out", "0"), 1e4)))


def test_series_order_does_not_matter() -> None:
    a = chain(Branch("R1", 0, ("in", "a"), 1e3), Branch("C1", 1, ("a", "out"), 1e-8))
    b = chain(Branch("C5", 1, ("in", "a"), 1e-8), Branch("R5", 0, ("out", "a"), 1e3))
    names = equivalent(a, b)
    assert names == {"R1": "R5", "C1": "C5", "R9": "R9"}
    check_map(a, b, names)


def test_a_ring_on_one_node_is_found_whatever_its_order() -> None:
    """Parts in a ring that hangs on one node carry no current; their order is any."""
    base = (Branch("R1", 0, ("in", "out"), 1e3), Branch("R2", 0, ("out", "0"), 1e3))
    ring = [(("in", "a"), "R"), (("a", "b"), "C"), (("b", "in"), "R")]
    turned = [(("in", "a"), "R"), (("a", "b"), "R"), (("b", "in"), "C")]

    def network(parts: list[tuple[tuple[str, str], str]]) -> Network:
        more = [
            Branch(f"{kind}{k}", "RC".index(kind), nodes)
            for k, (nodes, kind) in enumerate(parts, start=5)
        ]
        return Network((*base, *more))

    names = equivalent(network(ring), network(turned))
    assert names is not None
    assert names["C6"] == "C7"
    assert {names["R5"], names["R7"]} == {"R5", "R6"}


def test_order_and_nesting_in_a_ladder_of_series_and_parallel_parts() -> None:
    """(R1 + C1 // R2) in series with R3, and the same the other way round."""
    a = chain(
        Branch("R1", 0, ("in", "a"), 1e3),
        Branch("C1", 1, ("a", "out"), 1e-8),
        Branch("R2", 0, ("in", "out"), 2e3),
        Branch("R3", 0, ("out", "0"), 3e3),
    )
    b = chain(
        Branch("R7", 0, ("out", "in"), 2e3),
        Branch("C4", 1, ("in", "q"), 1e-8),
        Branch("R4", 0, ("q", "out"), 1e3),
        Branch("R6", 0, ("0", "out"), 3e3),
    )
    names = equivalent(a, b)
    assert names is not None
    assert (names["C1"], names["R1"], names["R2"]) == ("C4", "R4", "R7")
    check_map(a, b, names)


def test_a_supply_is_the_ground_of_the_signal() -> None:
    """A resistor to a supply rail is one to ground, as far as the signal goes."""
    a = stage("noninverting-amplifier").circuit()
    grounded = next(b for b in a.branches if "0" in b.nodes)
    pin = str(grounded.nodes.index("0") + 1)
    b = replace(a, supplies=("vcc",)).with_pins({(grounded.name, pin): "vcc"})
    assert equivalent(a, b) is not None


# -- not equal -------------------------------------------------------------------------------------


@every_stage
def test_exchanged_op_amp_inputs_are_another_circuit(one: Stage) -> None:
    for u in one.network.op_amps:
        wrong = replace(
            one.network,
            op_amps=tuple(
                replace(x, plus=x.minus, minus=x.plus) if x is u else x for x in one.network.op_amps
            ),
        )
        assert equivalent(one.network, wrong) is None


@every_stage
def test_another_kind_of_part_is_another_circuit(one: Stage) -> None:
    for b in one.network.branches:
        wrong = replace(
            one.network,
            branches=tuple(
                replace(x, power=1 - x.power) if x is b else x for x in one.network.branches
            ),
        )
        assert equivalent(one.network, wrong) is None
        assert shape_key(one.network) != shape_key(wrong)


def test_a_moved_node_is_another_circuit() -> None:
    network = stage("sallen-key-lowpass-unity").network
    moved = network.with_pins({("C2", "2"): network.input})
    assert network.branch("C2").nodes[1] == "0"
    assert equivalent(network, moved) is None


def test_another_output_or_an_exchanged_input_and_ground_is_another_circuit() -> None:
    network = stage("sallen-key-lowpass-unity").network
    inner = next(n for n in network.nodes if n not in ("in", "0", "out"))
    assert equivalent(network, replace(network, outputs=(Port("output", inner),))) is None
    turned = network.renamed(nodes={"in": "0", "0": "in"})
    turned = replace(turned, inputs=network.inputs, reference=network.reference)
    assert equivalent(network, turned) is None


def test_stages_of_the_catalogue_are_pairwise_different() -> None:
    """Equal shapes within the catalogue are one circuit filed twice."""
    seen: dict[str, str] = {}
    for s in stages():
        key = shape_key(s.network)
        assert key not in seen, f"{s.name} is {seen[key]}"
        seen[key] = s.name


def test_non_isomorphic_random_pairs_with_other_transfers_are_not_confused() -> None:
    """Equivalence never joins networks whose H differs under the map (soundness)."""
    rng = np.random.default_rng(12)
    joined = 0
    for network in random_networks(150, seed=43):
        pins = [(b.name, str(k + 1)) for b in network.branches for k in (0, 1)]
        key = pins[int(rng.integers(len(pins)))]
        node = str(rng.choice(network.nodes))
        branch = network.branch(key[0])
        if node in branch.nodes:
            continue
        other = network.with_pins({key: node})
        names = equivalent(network, other)
        if names is not None and oracle.is_regular(other):
            joined += 1
            check_map(network, other, names)
    assert joined > 0  # some moves do give the same circuit


def test_symmetric_op_amp_pairs_are_mapped_to_the_right_one() -> None:
    """Two followers side by side, one of them on the output."""
    a = Network(
        (Branch("R1", 0, ("x", "out"), 1e3), Branch("R2", 0, ("y", "out"), 2e3)),
        (OpAmp("U1", "in", "x", "x"), OpAmp("U2", "0", "y", "y")),
    )
    b = a.renamed({"U1": "U2", "U2": "U1", "R1": "R2", "R2": "R1"}, {"x": "y", "y": "x"})
    assert equivalent(a, b) == {"R1": "R2", "R2": "R1", "U1": "U2", "U2": "U1"}
