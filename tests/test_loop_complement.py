"""The loop complement: the same modes for every amplifier, and the published pairs of loops.

Source: A. S. Sedra, J. L. Espinoza, IEEE Trans. Circuits Syst. CAS-22 (1975) 122-130; A. S.
Sedra, K. C. Smith, Microelectronic Circuits, chapter on filters (from memory).
"""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings

from synth.analysis.feedback import feedback
from synth.analysis.loop import analyse
from synth.analysis.numbers import common_form, modes
from synth.catalog import Stage, stage, stages
from synth.cli.main import run
from synth.errors import TransformError
from synth.network.equivalence import equivalent
from synth.network.model import Branch, Network, OpAmp
from synth.transfer.kinds import describe
from synth.transform.loop_complement import LoopComplement
from synth.transform.steps import read_step
from tests import networks as oracle
from tests.networks import networks, random_networks, same_multiset, same_network

applicable = pytest.mark.parametrize(
    "one", [s for s in stages() if not LoopComplement().accepts(s.network)], ids=lambda s: s.name
)


def complemented(network: Network, *drive: str) -> Network:
    return LoopComplement(drive).apply(network)[0]


def normalised(p: np.ndarray) -> np.ndarray:
    return p / p[np.argmax(np.abs(p))]


def characteristic_polynomial(network: Network, model: oracle.Amplifier, rate: float) -> np.ndarray:
    """Coefficients in s/rate, the largest 1, from values of the determinant on a circle.

    The nodal equations are those of tests/networks.py; the Fourier transform inverts them.
    """
    (u,) = network.op_amps
    n = len(network.branches) + 2
    circle = np.exp(2j * np.pi * np.arange(n) / n)
    values = [np.linalg.det(oracle.mna(network, rate * z, {u.name: model}).matrix) for z in circle]
    return normalised(np.fft.fft(values) / n)


def check(network: Network) -> Network:
    """Same modes with ideal and with one-pole amplifiers, fast and slow; and back again."""
    after, step = LoopComplement().apply(network)
    assert same_multiset(modes(analyse(network)), modes(analyse(after)), 1e-12)
    rate = oracle.rate_of(network)
    for model in (
        oracle.Amplifier(300 * rate, 1e5),
        oracle.Amplifier(5 * rate, 20.0),
        oracle.Amplifier(0.3 * rate, 0.7),
    ):
        a, b = (characteristic_polynomial(n, model, rate) for n in (network, after))
        assert np.abs(a - b).max() < 1e-9
    assert dict(step.map) == {n: n for n in dict(step.map)}
    assert len(step.map) == len(network.branches) + 1
    driven = [str(t) for t in network.terminals if t.at != "ground"]
    back = complemented(after, *driven)  # an op amp's pins are exchanged twice
    assert same_network(back, network)
    return after


@applicable
def test_modes_of_every_stage(one: Stage) -> None:
    check(one.circuit())


@applicable
def test_feedback_of_every_stage_stays_negative(one: Stage) -> None:
    before = feedback(analyse(one.circuit()))
    after = feedback(analyse(complemented(one.circuit())))
    assert before.negative
    assert after.negative, after.reason


def test_exchanging_only_the_grounds_changes_the_modes() -> None:
    """The check can fail: without the exchange of the op amp's inputs the modes are others."""
    circuit = stage("sallen-key-lowpass-unity").circuit()
    after = complemented(circuit)
    wrong = replace(
        after,
        op_amps=tuple(replace(u, plus=u.minus, minus=u.plus) for u in after.op_amps),
    )
    rate, model = oracle.rate_of(circuit), oracle.Amplifier(5e5, 20.0)
    a, b = (characteristic_polynomial(n, model, rate) for n in (circuit, wrong))
    assert np.abs(a - b).max() > 0.01


def usable(network: Network) -> bool:
    """One op amp that the output, and the source, have to do with."""
    return (
        len(network.op_amps) == 1
        and not LoopComplement().accepts(network)
        and any(t.at != "ground" for t in network.terminals)
    )


def test_modes_of_hundreds_of_random_networks() -> None:
    done = 0
    for network in random_networks(1500, seed=75):
        if usable(network):
            check(network)
            done += 1
    assert done > 150


@given(networks(least_op_amps=1))
@settings(max_examples=60, deadline=None)
def test_modes_of_any_network(network: Network) -> None:
    kept = replace(network, op_amps=network.op_amps[:1])
    assume(usable(kept) and oracle.is_regular(kept))
    check(kept)


# -- the published pairs ---------------------------------------------------------------------------


def capacitor_bridge_bandpass() -> Network:
    """The bridged-T with the capacitor bridge around an op amp: C1 feeds the middle of the T."""
    return Network(
        (
            Branch("R1", 0, ("out", "a"), 10e3),
            Branch("R2", 0, ("a", "m"), 10e3),
            Branch("C1", 1, ("in", "a"), 100e-9),
            Branch("C2", 1, ("m", "out"), 1e-9),
        ),
        (OpAmp("U1", "0", "m", "out"),),
    )


PAIRS = [
    (
        stage("multiple-feedback-bandpass-no-attenuator").circuit(),
        stage("sallen-key-highpass-unity").circuit(),
        "highpass",
    ),
    (capacitor_bridge_bandpass(), stage("sallen-key-lowpass-unity").circuit(), "lowpass"),
]


@pytest.mark.parametrize(("bandpass", "sallen_key", "kind"), PAIRS, ids=["R bridge", "C bridge"])
def test_bridged_t_and_sallen_key_loops(bandpass, sallen_key, kind) -> None:
    """Published: the bridged-T loop becomes the unity-gain Sallen-Key loop, and back."""
    there = complemented(bandpass)
    assert equivalent(there, sallen_key) is not None
    assert equivalent(bandpass, sallen_key) is None
    back = complemented(sallen_key)
    assert equivalent(back, bandpass) is not None
    h = oracle.transfer(there, 1e-3), oracle.transfer(there, 1e12)
    assert abs(h[kind == "highpass"]) == pytest.approx(1, abs=1e-3)
    assert abs(h[kind != "highpass"]) < 1e-3


def test_the_rc_network_has_one_minus_t() -> None:
    """t -> 1 - t: transfers of the bridged-T stages of the catalogue, out to ground exchanged."""
    for name in ("bridged-t-resistor-bridge", "bridged-t-capacitor-bridge"):
        before = stage(name).circuit()
        after = before.renamed(nodes={"in": "x"}).renamed(nodes={"0": "in", "x": "0"})
        after = replace(after, reference="0", inputs=before.inputs)
        for s in oracle.sample_points(before, 3):
            total = oracle.transfer(before, s) + oracle.transfer(after, s)
            assert total == pytest.approx(1, rel=1e-12)


def test_a_drive_is_chosen_by_structure_and_the_others_are_named() -> None:
    network, step = LoopComplement().apply(PAIRS[0][0])
    assert step.arguments == (("drive", "C1.2"),)
    assert any("s^2 alone (high-pass)" in n for n in step.notes)
    assert any("R2.2: powers s, 1" in n for n in step.notes)
    # the claim about the other terminal, from the numbers
    other = complemented(PAIRS[0][0], "R2")
    numerator = common_form(analyse(other)).numerator
    assert [bool(c) for c in numerator] == [True, True]
    assert common_form(analyse(network)).numerator[:2] == (0, 0)


def test_without_values() -> None:
    bare = stage("multiple-feedback-bandpass-no-attenuator").network
    assert equivalent(complemented(bare), stage("sallen-key-highpass-unity").network) is not None


def test_several_terminals_can_be_driven() -> None:
    """All of them at the input: every node follows, so H = 1 (the sum of the terminals)."""
    circuit = PAIRS[0][0]
    whole = complemented(circuit, "C1", "R2.2")
    for s in oracle.sample_points(whole, 3):
        assert oracle.transfer(whole, s) == pytest.approx(1, rel=1e-9)


def test_a_load_kept_grounded_stays() -> None:
    """A part across output and ground is the same either way."""
    bandpass = PAIRS[0][0]
    loaded = replace(
        bandpass,
        branches=(*bandpass.branches, Branch("RL", 0, ("out", "0"), 1e4)),
        held=frozenset({"RL"}),
    )
    after = complemented(loaded)
    assert after.branch("RL") == loaded.branch("RL")
    assert after.branch("C1").nodes == complemented(bandpass).branch("C1").nodes


# -- what it refuses -------------------------------------------------------------------------------


def _with(network: Network, *branches: Branch, **changes) -> Network:
    return replace(network, branches=(*network.branches, *branches), **changes)


BANDPASS = PAIRS[0][0]


@pytest.mark.parametrize(
    ("network", "words"),
    [
        (stage("tow-thomas-bandpass").network, ("has 3",)),
        (stage("rc-lowpass").network, ("has none",)),
        (_with(BANDPASS, Branch("L1", -1, ("a", "0"), 1e-3)), ("L1", "inductor")),
        (_with(BANDPASS, Branch("R9", 0, ("in", "0"), 1e4)), ("R9", "prune")),
        (
            _with(BANDPASS, Branch("R9", 0, ("a", "0"), 1e4), held=frozenset({"R9"})),
            ("R9.2", "kept grounded"),
        ),
        (
            _with(BANDPASS, Branch("R9", 0, ("m", "vcc"), 1e6), supplies=("vcc",)),
            ("R9.2", "supply vcc"),
        ),
        (
            Network(
                (Branch("R1", 0, ("in", "m"), 1e4), Branch("R2", 0, ("m", "0"), 1e4)),
                (OpAmp("U1", "0", "m", "out"),),
            ),
            ("no part is at the output",),
        ),
        (
            Network((Branch("R1", 0, ("in", "out"), 1e4),), (OpAmp("U1", "0", "in", "out"),)),
            ("both inputs of op amp U1",),
        ),
    ],
)
def test_refused_with_the_reason(network, words) -> None:
    reason = LoopComplement().accepts(network)
    assert all(w in reason for w in words), reason
    with pytest.raises(TransformError) as caught:
        LoopComplement().apply(network)
    assert str(caught.value) == reason


def test_unknown_drive_is_refused_with_the_list() -> None:
    reason = LoopComplement(("R1",)).accepts(BANDPASS)
    assert "'R1' is no terminal" in reason
    assert reason.endswith("C1.2, R2.2")
    assert LoopComplement(("C1.1",)).accepts(BANDPASS)
    assert not LoopComplement(("C1.2", "R2")).accepts(BANDPASS)


# -- the command line ------------------------------------------------------------------------------


def test_the_step_of_the_command_line(capsys) -> None:
    assert read_step("loop-complement") == LoopComplement()
    assert read_step("loop-complement=C1, R2.2") == LoopComplement(("C1", "R2.2"))
    name = "multiple-feedback-bandpass-no-attenuator"
    assert run(["transform", name, "loop-complement=C1", "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["after"]["response"]["kind"] == "highpass"
    before, after = (sorted(answer[k]["modes"]) for k in ("before", "after"))
    assert np.allclose(before, after, rtol=1e-12)
    assert run(["transform", name, "loop-complement=R7"]) == 2
    assert "'R7' is no terminal" in capsys.readouterr().err


def test_multiple_feedback_lowpass_becomes_a_lowpass_with_gain_one() -> None:
    """Its own feed-back resistor is the one terminal with a constant alone; sum of terminals 1."""
    one = stage("multiple-feedback-lowpass").circuit()
    after = complemented(one)
    h = describe(_transfer(after))
    assert h.kind == "lowpass"
    assert h.gain_dc == pytest.approx(1, rel=1e-12)


def _transfer(network: Network):
    from synth.analysis.numbers import transfer

    loop = analyse(network)
    return transfer(loop, loop.transfer())
