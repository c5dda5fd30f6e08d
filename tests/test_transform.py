"""Transformations of networks: each law against nodal analysis of our own (tests/networks.py)."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from synth.analysis.loop import analyse, law_holds
from synth.analysis.numbers import modes, transfer
from synth.catalog import Stage, stage, stages
from synth.errors import TransformError
from synth.network.equivalence import equivalent
from synth.network.model import Branch, Network, OpAmp, Port
from synth.transform.cascade import cascade
from synth.transform.drive import Swap, apply_drive
from synth.transform.follow import Follow
from synth.transform.impedance import ImpedanceSwap, ratio_groups
from synth.transform.output import ReadAt
from synth.transform.prune import Prune, idle_parts
from synth.transform.repair import PairOpAmps
from synth.transform.scale import ScaleFrequency, ScaleImpedance
from synth.transform.step import Transformation
from tests import networks as oracle
from tests.networks import networks, random_networks, same_multiset, same_network
from tests.test_published_stages import ENTRIES, network_of

every_stage = pytest.mark.parametrize("one", stages(), ids=lambda s: s.name)
swappable = pytest.mark.parametrize(
    "one", [s for s in stages() if not Swap().accepts(s.network)], ids=lambda s: s.name
)
mirrored = pytest.mark.parametrize(
    "one", [s for s in stages() if not ImpedanceSwap().accepts(s.circuit())], ids=lambda s: s.name
)


def swap(network: Network, part: str = "") -> Network:
    return Swap(part).apply(network)[0]


def amplifiers(network: Network, rate: float) -> dict[str, oracle.Amplifier]:
    """Unequal one-pole op amps."""
    return {
        u.name: oracle.Amplifier(rate * (40 + 25 * k), 1e4 * (1 + k))
        for k, u in enumerate(network.op_amps)
    }


# -- swap ------------------------------------------------------------------------------------------


def check_swap(network: Network) -> None:
    """H + H' = 1, the same modes, noise and offset, and back again."""
    after, step = Swap().apply(network)
    for s in oracle.sample_points(network, 2):
        before, other = oracle.transfer(network, s), oracle.transfer(after, s)
        assert abs(before + other - 1) <= 1e-7 * max(1, abs(before))
    assert same_multiset(modes(analyse(network)), modes(analyse(after)), 1e-12)
    rate = oracle.rate_of(network)
    real = amplifiers(network, rate)
    for x in (0.3, 3.0):
        noise = [oracle.noise_density(n, x * rate / 6.28, real) for n in (network, after)]
        assert noise[0] == pytest.approx(noise[1], rel=1e-9)
    offset = [oracle.output_offset(n, real) for n in (network, after)]
    assert (offset[0] is None) == (offset[1] is None)
    if offset[0] is not None:
        assert offset[0] == pytest.approx(offset[1], rel=1e-6, abs=1e-12)
    assert same_network(swap(after), network)
    assert dict(step.map) == {n: n for n in dict(step.map)}
    assert len(step.map) == len(network.branches) + len(network.op_amps)


@swappable
def test_swap_of_every_stage(one: Stage) -> None:
    check_swap(one.circuit())


def test_swap_of_hundreds_of_random_networks() -> None:
    done = 0
    for network in random_networks(800, seed=51):
        if not Swap().accepts(network):
            check_swap(network)
            done += 1
    assert done > 600


@given(networks())
@settings(max_examples=80, deadline=None)
def test_swap_of_any_network(network: Network) -> None:
    assume(not Swap().accepts(network))
    check_swap(network)


def test_noise_of_a_known_circuit() -> None:
    """The oracle itself: 1 kohm at 300 K makes 4.070 nV/sqrt(Hz) (H. Nyquist, Phys. Rev. 32
    (1928) 110-113), a non-inverting amplifier multiplies its voltage noise by 1 + R2/R1."""
    divider = Network((Branch("R1", 0, ("in", "out"), 2e3), Branch("R2", 0, ("out", "0"), 2e3)))
    assert oracle.noise_density(divider, 1e3, {}) == pytest.approx(4.070e-9, rel=2e-4)
    amplifier = Network(
        (Branch("R1", 0, ("m", "0"), 1e-3), Branch("R2", 0, ("m", "out"), 9e-3)),
        (OpAmp("U1", "in", "m", "out"),),
    )
    real = {"U1": oracle.Amplifier(1e12, 1e9)}
    assert oracle.noise_density(amplifier, 1e3, real) == pytest.approx(50e-9, rel=1e-4)
    assert oracle.output_offset(amplifier, real) == pytest.approx(10e-3, rel=1e-4)


@pytest.mark.parametrize(
    ("network", "reason"),
    [
        (stage("voltage-follower").network, "no accessible ground"),
        (
            Network(
                (Branch("R1", 0, ("a", "out")), Branch("R2", 0, ("out", "0"))),
                inputs=(Port("input", "in"),),
            ),
            "no part touches the input",
        ),
        (
            Network(
                (Branch("R1", 0, ("a", "out")), Branch("R2", 0, ("out", "b"))),
                inputs=(Port("first", "a"), Port("second", "b")),
            ),
            "needs one input",
        ),
        (
            Network(
                (Branch("R1", 0, ("in", "out")), Branch("R2", 0, ("out", "0"))),
                held=frozenset({"R2"}),
            ),
            "no accessible ground",
        ),
    ],
    ids=["follower", "loose input", "two inputs", "held ground"],
)
def test_swap_refuses_with_a_reason(network: Network, reason: str) -> None:
    assert reason in Swap().accepts(network)
    with pytest.raises(TransformError, match=reason):
        Swap().apply(network)


def test_held_parts_stay_at_ground_and_are_said() -> None:
    circuit = replace(stage("sallen-key-lowpass-gain").circuit(), held=frozenset({"C2"}))
    assert circuit.branch("C2").nodes[1] == "0"
    after, step = Swap().apply(circuit)
    assert after.branch("C2").nodes[1] == "0"
    assert any("left at ground: C2.2 (kept grounded)" in n for n in step.notes)
    loop = analyse(circuit)
    assert [t.part for t in loop.fixed] == ["C2"]
    s = 1e4j
    share = oracle.terminal_transfers(circuit, s)["C2", "2"]
    total = oracle.transfer(circuit, s) + oracle.transfer(after, s)
    assert abs(total + share - 1) < 1e-9


def test_a_resistor_to_a_supply_stays_there() -> None:
    circuit = stage("first-order-lowpass-unity").circuit()
    circuit = replace(circuit, supplies=("vcc",)).with_pins({("C1", "2"): "vcc"})
    assert "no accessible ground" in Swap().accepts(circuit)


def test_drive_refuses_what_it_cannot_do() -> None:
    circuit = stage("sallen-key-lowpass-unity").circuit()
    terminal = circuit.terminals[0]
    with pytest.raises(TransformError, match=r"asked for the fraction 1\.5; .* between 0 "):
        apply_drive(circuit, {terminal: Fraction(3, 2)})
    with pytest.raises(TransformError, match=r"R9\.1 is no terminal"):
        apply_drive(circuit, {terminal._replace(part="R9"): Fraction(1)})
    held = replace(circuit, held=frozenset({"C2"}))
    ground = next(t for t in held.terminals if t.part == "C2")
    with pytest.raises(TransformError, match=r"C2\.2 does not move: kept grounded"):
        apply_drive(held, {ground: Fraction(1)})


def test_a_drive_gives_the_weighted_sum_of_the_terminals() -> None:
    """H = sum a_k T_k for whole and for split terminals, on every stage."""
    for one in stages():
        circuit = one.circuit()
        keys = [t.key for t in circuit.terminals]
        weight = {k: Fraction(n % 4, 3) if n % 4 else Fraction(0) for n, k in enumerate(keys, 1)}
        weight |= {t.key: Fraction(t.at != "ground") for t in circuit.terminals if t.held}
        driven, _ = apply_drive(circuit, {t: weight[t.key] for t in circuit.terminals})
        for s in oracle.sample_points(circuit, 2):
            transfers = oracle.terminal_transfers(circuit, s)
            expected = sum(float(weight[k]) * transfers[k] for k in keys)
            assert abs(oracle.transfer(driven, s) - expected) <= 1e-8 * max(1, abs(expected))


def test_a_lifted_common_mode_is_noted() -> None:
    """Swapping an inverting amplifier lifts its grounded input to the source."""
    _, step = Swap().apply(stage("inverting-amplifier").circuit())
    assert any("U1" in n and "common-mode range" in n for n in step.notes)


def test_a_lost_bias_path_is_noted() -> None:
    """Common practice: an op-amp input needs a DC path through resistors."""
    fed_by_source = Network(  # R1 and R2 lead to the plus input, C1 loads it
        (
            Branch("R1", 0, ("in", "p"), 1e4),
            Branch("R2", 0, ("p", "q"), 1e4),
            Branch("C1", 1, ("q", "0"), 1e-8),
        ),
        (OpAmp("U1", "q", "out", "out"),),
    )
    _, step = ImpedanceSwap(1e3).apply(fed_by_source)
    assert not any("DC path" in n for n in step.notes)  # C1 became a resistor to ground
    two = (Branch("C2", 1, ("p", "0"), 1e-8), Branch("R3", 0, ("p", "q"), 2e4))
    kept = Network(fed_by_source.branches[:2] + two, fed_by_source.op_amps)
    _, step = ImpedanceSwap(1e3).apply(kept)
    assert step.notes == ("the plus input of U1 now has no DC path for its bias current",)


# -- swap of one stage in place --------------------------------------------------------------------


def two_stages() -> tuple[Network, Network, Network, dict[str, str]]:
    first = stage("sallen-key-lowpass-unity").circuit()
    second = stage("sallen-key-highpass-gain").circuit()
    chained = cascade([first, second])
    return first, second, chained.network, chained.maps[1]


def test_second_stage_swapped_in_place() -> None:
    """H1*(1 - H2), by stage number and by its parts."""
    first, second, chain, names = two_stages()
    for wanted in ("2", ",".join(names.values()), ", ".join(reversed(names.values()))):
        after, step = Swap(wanted).apply(chain)
        assert ("stage", wanted) in step.arguments
        for s in oracle.sample_points(chain, 3):
            expected = oracle.transfer(first, s) * (1 - oracle.transfer(second, s))
            assert abs(oracle.transfer(after, s) - expected) < 1e-8 * max(1, abs(expected))
        assert same_network(Swap(wanted).apply(after)[0], chain)
        assert law_holds(analyse(after))


def test_first_stage_swapped_in_place_and_each() -> None:
    first, second, chain, _ = two_stages()
    one = swap(chain, "1")
    both = swap(one, "2")
    for s in oracle.sample_points(chain, 3):
        h1, h2 = oracle.transfer(first, s), oracle.transfer(second, s)
        assert abs(oracle.transfer(one, s) - (1 - h1) * h2) < 1e-8
        assert abs(oracle.transfer(both, s) - (1 - h1) * (1 - h2)) < 1e-8
        assert abs(oracle.transfer(swap(chain), s) - (1 - h1 * h2)) < 1e-8


def test_stage_swap_refuses_with_a_reason() -> None:
    _, _, chain, names = two_stages()
    assert "neither a stage nor a part of one; the stages are 1: " in Swap("R99").accepts(chain)
    assert "neither a stage" in Swap("7").accepts(chain)
    assert "neither a stage" in Swap(" , ").accepts(chain)
    some = [n for n in names.values() if n[0] != "U"][:2]
    assert "no stage of their own" in Swap(",".join(some)).accepts(chain)
    with pytest.raises(TransformError, match="neither a stage"):
        Swap("R99").apply(chain)


def test_a_stage_fed_from_two_nodes_is_refused() -> None:
    """The summing op amp of a state-variable notch is fed from two other op amps."""
    network = stage("state-variable-notch").circuit()
    whole = Swap(",".join(n for n in ("R8", "R9", "R10", "U4")))
    assert "fed from 2 nodes" in whole.accepts(network)


# -- published complements -------------------------------------------------------------------------

PUBLISHED = {e["name"]: network_of(e) for e in ENTRIES}


@pytest.mark.parametrize(
    ("name", "complement", "source"),
    [
        (
            "MFB BP without attenuator",
            "bridged-T in negative feedback, input at + (complement of Delyiannis BP)",
            "Friend, Harris, Hilberman, IEEE Trans. CAS-22 (1975) 115-121 (from memory)",
        ),
        (
            "MFB BP",
            "notch from MFB BP and noninverting complement (single amp)",
            "Friend, Harris, Hilberman, IEEE Trans. CAS-22 (1975) 115-121 (from memory)",
        ),
        (
            "Fliege / dual-amplifier band-pass (DABP)",
            "Fliege all-pass (full complement of gain-2 BP)",
            "N. Fliege, NTZ 26 (1973) 279-282 (from memory)",
        ),
        (
            "Miller integrator",
            "noninverting PI",
            "common practice: 1 + 1/(sRC) is the complement of -1/(sRC)",
        ),
        (
            "inverting amplifier",
            "non-inverting amplifier",
            "common practice: 1 + R2/R1 is the complement of -R2/R1",
        ),
        (
            "ideal differentiator",
            "noninverting PD",
            "common practice: 1 + sRC is the complement of -sRC",
        ),
        (
            "first-order all-pass, lag",
            "gain-2 HP (complement of first-order all-pass, lag)",
            "the collection's own remark on the network",
        ),
    ],
    ids=lambda x: x if len(x) < 60 else "",
)
def test_published_complements(name: str, complement: str, source: str) -> None:
    a, b = PUBLISHED[name], PUBLISHED[complement]
    assert equivalent(swap(a), b) is not None, source
    assert equivalent(swap(b), a) is not None, source
    assert equivalent(a, b) is None


def test_fliege_allpass_is_the_complement_of_the_gain_two_bandpass_in_numbers() -> None:
    """N. Fliege, NTZ 26 (1973) 279-282 (from memory): R4 = R5 gives centre gain 2, so that 1 - H
    has D(-s) over D(s)."""
    circuit = stage("fliege-bandpass").circuit()
    assert circuit.values["R4"] == circuit.values["R5"]
    for w in (1e3, 1e4, 1e5):
        assert abs(oracle.transfer(swap(circuit), 1j * w)) == pytest.approx(1, rel=1e-9)


# -- impedance swap --------------------------------------------------------------------------------


def reference(network: Network) -> float:
    """The documented default: geometric mean of the modes off the origin."""
    found = [abs(p) for p in modes(analyse(network)) if p != 0]
    return math.exp(sum(map(math.log, found)) / len(found))


def check_mirror(network: Network, frequency: float | None = None) -> None:
    after, step = ImpedanceSwap(frequency).apply(network)
    w0 = 2 * math.pi * frequency if frequency else reference(network)
    for s in oracle.sample_points(network, 3):
        expected = oracle.transfer(network, w0 * w0 / s)
        assert abs(oracle.transfer(after, s) - expected) <= 1e-7 * max(1, abs(expected))
    names = dict(step.map)
    stay = ratio_groups(network)
    for b in network.branches:
        new = after.branch(names[b.name])
        assert new.power == (b.power if b.name in stay else 1 - b.power)
        assert new.name[0] == {0: "R", 1: "C"}[new.power]
    back, again = ImpedanceSwap(frequency).apply(after)
    there = dict(again.map)
    undone = {new: old for old, new in names.items()}
    assert same_network(back.renamed({there[x]: undone[x] for x in undone}), network)


@mirrored
def test_rc_cr_of_every_stage(one: Stage) -> None:
    check_mirror(one.circuit())
    check_mirror(one.circuit(), 440.0)


@mirrored
def test_rc_cr_twice_keeps_the_names_where_none_collides(one: Stage) -> None:
    circuit = one.circuit()
    once, step = ImpedanceSwap().apply(circuit)
    if any(new.endswith("x") for _, new in step.map):
        names = {new for _, new in step.map}
        assert len(names) == len(step.map)
        return
    assert same_network(ImpedanceSwap().apply(once)[0], circuit)


def mirrorable(count: int, seed: int) -> Iterator[Network]:
    for network in random_networks(count, seed):
        if not ImpedanceSwap(1e3).accepts(network):
            yield network


def test_rc_cr_of_random_networks() -> None:
    done = 0
    for network in mirrorable(800, seed=61):
        check_mirror(network, 1234.5)
        done += 1
    assert done > 400


@given(networks(least_op_amps=1))
@settings(
    max_examples=60,
    deadline=None,
    suppress_health_check=[HealthCheck.filter_too_much],  # few networks have groups to mirror
)
def test_rc_cr_and_swap_commute(network: Network) -> None:
    assume(not Swap().accepts(network))
    mirror = ImpedanceSwap(1e3)
    assume(not mirror.accepts(network) and not mirror.accepts(swap(network)))
    # a swap may move which groups enter by ratios only: the parts then differ, H does not
    a, b = swap(mirror.apply(network)[0]), mirror.apply(swap(network))[0]
    for s in oracle.sample_points(network, 2):
        h = oracle.transfer(a, s)
        assert abs(h - oracle.transfer(b, s)) <= 1e-7 * max(1, abs(h))


def test_the_gain_divider_stays_resistive() -> None:
    circuit = stage("sallen-key-lowpass-gain").circuit()
    after, step = ImpedanceSwap().apply(circuit)
    assert sum(b.power == 0 for b in after.branches) == 4  # two shape, two set the gain
    assert sum(b.power == 1 for b in after.branches) == 2
    assert any("kept as they are" in n for n in step.notes)


@pytest.mark.parametrize(
    ("network", "frequency", "reason"),
    [
        (stage("noninverting-amplifier").circuit(), None, "no such pair"),
        (stage("integrator-inverting").circuit(), None, "name it, as in rc-cr=1kHz"),
        (stage("rc-lowpass").network, 1e3, "has no value"),
        (stage("rc-lowpass").circuit(), -1.0, "must be positive"),
        (
            Network((Branch("R1", 0, ("in", "out"), 1.0), Branch("L1", -1, ("out", "0"), 1.0))),
            None,
            "L1 is of kind inductor",
        ),
    ],
    ids=["no capacitor", "no mode", "no value", "negative", "inductor"],
)
def test_rc_cr_refuses_with_a_reason(
    network: Network, frequency: float | None, reason: str
) -> None:
    assert reason in ImpedanceSwap(frequency).accepts(network)
    with pytest.raises(TransformError):
        ImpedanceSwap(frequency).apply(network)


# -- scaling ---------------------------------------------------------------------------------------


@given(networks(), st.sampled_from([0.1, 2.0, 37.5]))
@settings(max_examples=60, deadline=None)
def test_scaling(network: Network, k: float) -> None:
    fast = ScaleFrequency(k).apply(network)[0]
    high = ScaleImpedance(k).apply(network)[0]
    for s in oracle.sample_points(network, 2):
        h = oracle.transfer(network, s)
        assert abs(oracle.transfer(fast, s * k) - h) <= 1e-7 * max(1, abs(h))
        assert abs(oracle.transfer(high, s) - h) <= 1e-7 * max(1, abs(h))
    assert same_network(ScaleFrequency(1 / k).apply(fast)[0], network)
    assert same_network(ScaleImpedance(1 / k).apply(high)[0], network)
    level = [b.value for b in network.branches if b.power == 0]
    assert [b.value for b in fast.branches if b.power == 0] == level


def test_scaling_of_inductors_and_fdnrs() -> None:
    for network in random_networks(100, seed=71, powers=(0, 1, -1, 2)):
        fast = ScaleFrequency(3.0).apply(network)[0]
        high = ScaleImpedance(3.0).apply(network)[0]
        for s in oracle.sample_points(network, 2):
            h = oracle.transfer(network, s)
            assert abs(oracle.transfer(fast, 3 * s) - h) <= 1e-6 * max(1, abs(h))
            assert abs(oracle.transfer(high, s) - h) <= 1e-6 * max(1, abs(h))


@pytest.mark.parametrize("factor", [0.0, -1.0, float("inf"), float("nan")])
@pytest.mark.parametrize("kind", [ScaleFrequency, ScaleImpedance])
def test_scaling_refuses_no_factor(kind: type[Transformation], factor: float) -> None:
    with pytest.raises(TransformError, match="must be positive and finite"):
        kind(factor).apply(stage("rc-lowpass").circuit())  # type: ignore[call-arg]


# -- prune -----------------------------------------------------------------------------------------


@given(networks())
@settings(max_examples=80, deadline=None)
def test_pruning_keeps_the_transfer(network: Network) -> None:
    pruned, step = Prune().apply(network)
    assert not idle_parts(pruned)
    kept = {b.name for b in pruned.branches}
    removed = {b.name for b in network.branches} - kept
    assert set(dict(step.map)) == kept | {u.name for u in network.op_amps}
    assert not removed or all(n in dict(step.arguments)["removed"] for n in removed)
    if oracle.is_regular(pruned):
        for s in oracle.sample_points(network, 2):
            h = oracle.transfer(network, s)
            assert abs(oracle.transfer(pruned, s) - h) <= 1e-7 * max(1, abs(h))


def test_pruning_takes_a_chain_of_loose_parts_and_what_lies_across_the_source() -> None:
    base = stage("rc-lowpass").circuit()
    more = (
        Branch("R7", 0, ("in", "0"), 1e3),
        Branch("R8", 0, ("out", "x"), 1e3),
        Branch("C8", 1, ("x", "y"), 1e-8),
    )
    pruned, step = Prune().apply(replace(base, branches=base.branches + more))
    assert same_network(pruned, base)
    assert dict(step.arguments)["removed"] == "C8, R7, R8"


# -- cascade ---------------------------------------------------------------------------------------


def test_transfers_of_a_cascade_multiply() -> None:
    import numpy as np

    rng = np.random.default_rng(81)
    pool = [s for s in stages() if not s.network.reading.against]
    for _ in range(40):
        chosen = [pool[int(k)].circuit() for k in rng.integers(0, len(pool), 3)]
        chained = cascade(chosen, buffer_last=bool(rng.integers(2)))
        whole = chained.network
        for s in oracle.sample_points(whole, 2):
            expected = math.prod([1, *(oracle.transfer(n, s) for n in chosen)])  # type: ignore[list-item]
            assert abs(oracle.transfer(whole, s) - expected) <= 1e-6 * max(1, abs(expected))
        loose = [
            k
            for k, (n, after) in enumerate(pairwise(chosen), 1)
            if all(u.out != n.output for u in n.op_amps)
            and any(after.input in b.nodes for b in after.branches)  # else it draws no current
        ]
        for k in loose:
            assert any(f"behind stage {k}," in note for note in chained.step.notes)
        names = [name for m in chained.maps for name in m.values()] + list(chained.buffers)
        assert sorted(names) == sorted(
            [*(b.name for b in whole.branches), *(u.name for u in whole.op_amps)]
        )
        for n, m in zip(chosen, chained.maps, strict=True):
            for b in n.branches:
                assert whole.branch(m[b.name]).value == b.value
                assert whole.branch(m[b.name]).power == b.power
        for letter in "RCU":
            own = sorted(int(n[1:]) for n in names if n[0] == letter)
            assert own == list(range(1, len(own) + 1))
        assert (whole.input, whole.output, whole.reference) == ("in", "out", "0")


def test_a_buffer_behind_the_last_stage_only_on_request() -> None:
    passive = stage("rc-lowpass").circuit()
    assert cascade([passive]).buffers == ()
    asked = cascade([passive], buffer_last=True)
    assert asked.buffers == ("U1",)
    assert asked.step.notes == ("follower U1 added behind stage 1, whose output is no op amp's",)
    active = stage("first-order-lowpass-unity").circuit()
    assert cascade([active], buffer_last=True).buffers == ()


def test_cascade_refuses_nothing_and_several_outputs() -> None:
    with pytest.raises(TransformError, match="at least one stage"):
        cascade([])
    one = stage("sallen-key-lowpass-unity").circuit()
    two = replace(one, outputs=(*one.outputs, Port("other", one.branches[0].nodes[1])))
    with pytest.raises(TransformError, match="stage 2 of a cascade must have one input"):
        cascade([one, two])


def test_modes_of_a_cascade_are_those_of_its_stages() -> None:
    parts = [stage(n).circuit() for n in ("tow-thomas-lowpass", "sallen-key-lowpass-gain")]
    whole = modes(analyse(cascade(parts).network))
    assert same_multiset(whole, [p for n in parts for p in modes(analyse(n))], 1e-12)


# -- another output, op amps paired anew, a stage behind -------------------------------------------


def test_another_output_keeps_the_modes_and_reads_the_other_node() -> None:
    """Tow-Thomas: the low-pass at the inverter is R6/(s R2 R5 C2) times the band-pass."""
    bandpass = stage("tow-thomas-bandpass").circuit()
    lowpass, step = ReadAt("lp").apply(bandpass)
    assert step.name == "output"
    assert modes(analyse(lowpass)) == modes(analyse(bandpass))
    v, s = bandpass.values, 1j * 5000.0
    ratio = response_at(lowpass, s) / response_at(bandpass, s)
    assert ratio == pytest.approx(v["R6"] / (v["R5"] * v["R2"] * v["C2"] * s), rel=1e-9)
    assert "is no op-amp output" in ReadAt("x").accepts(bandpass)
    assert "already" in ReadAt("bp").accepts(bandpass)


def test_op_amps_paired_anew_leave_h_alone_or_are_refused() -> None:
    loop = stage("tow-thomas-bandpass").circuit()
    pins = ((("U2", "minus"), "z"), (("U3", "plus"), "y"), (("U3", "minus"), "0"))
    paired, _ = PairOpAmps(pins).apply(loop)
    s = 2000 + 3000j
    assert response_at(paired, s) == pytest.approx(response_at(loop, s), rel=1e-12)
    assert paired.op_amps != loop.op_amps
    assert "would change" in PairOpAmps(pins[:1]).accepts(loop)
    assert "no op-amp input" in PairOpAmps(((("U9", "plus"), "z"),)).accepts(loop)
    assert "no node is called" in PairOpAmps(((("U2", "plus"), "nowhere"),)).accepts(loop)


def test_a_stage_behind_multiplies_unless_it_loads() -> None:
    ladder = stage("rc-ladder-lowpass-two").circuit()
    behind = stage("noninverting-amplifier").circuit()
    chain, step = Follow(behind, "noninverting-amplifier").apply(ladder)
    assert step.name == "cascade"
    s = 3000 + 4000j
    wanted = response_at(ladder, s) * response_at(behind, s)
    assert response_at(chain, s) == pytest.approx(wanted, rel=1e-12)
    assert chain.output == "out"
    loading = Follow(stage("inverting-amplifier").circuit(), "inverting-amplifier")
    assert "R1 of inverting-amplifier would load it" in loading.accepts(ladder)
    assert not loading.accepts(behind)


def response_at(network: Network, s: complex) -> complex:
    loop = analyse(network)
    return complex(transfer(loop, loop.transfer())(s))
