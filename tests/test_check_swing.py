"""Signal levels: against transients and sweeps in the simulator, nodal analysis of our own, and
published relations, named beside each check."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from synth.analysis.amplifier import same_everywhere
from synth.analysis.loop import analyse
from synth.analysis.numbers import modes
from synth.analysis.real import real_system
from synth.analysis.sweep import Sweep
from synth.catalog import stage
from synth.checking.loading import with_source_and_load
from synth.checking.model import OpAmpModel, op_amp_model
from synth.checking.signal_band import natural_band
from synth.checking.single_supply import reference_voltage, single_supply
from synth.checking.swing import Levels, frequency_grid, levels
from synth.network.deck_writer import write_deck
from synth.network.model import Branch, Network, OpAmp
from synth.transform.drive import Swap
from tests import networks as oracle
from tests.simulator import needs_simulator, simulate
from tests.transient import fundamental, sine

#: One pole, hardly any output resistance: what `tests.transient` models.
PLAIN = op_amp_model("gbw=3M,p2=inf,rout=1,slew=inf,iout=inf,supply=15,swing=10,cm=1k")
SLOW = op_amp_model("gbw=3M,p2=inf,rout=1,slew=0.05 V/us,iout=inf,supply=1k,swing=900,cm=1k")
TEN = (
    "sallen-key-lowpass-unity",
    "sallen-key-lowpass-gain",
    "sallen-key-highpass-unity",
    "multiple-feedback-bandpass",
    "multiple-feedback-lowpass",
    "tow-thomas-bandpass",
    "fliege-notch",
    "state-variable-lowpass",
    "simulated-inductor-highpass",
    "akerberg-mossberg-lowpass",
)
ten = pytest.mark.parametrize("name", TEN)


def found(network: Network, model: OpAmpModel, band: tuple[float, float] | None = None) -> Levels:
    natural = modes(analyse(network))
    f = frequency_grid(band or natural_band(modes(analyse(network))), natural)
    sweep = Sweep(real_system(network, same_everywhere(network, model.amplifier)), f)
    return levels(sweep, model, reference_v=reference_voltage(model))


def settling(network: Network) -> float:
    """Twelve time constants of the slowest natural mode."""
    return 12 / min(abs(p.real) for p in modes(analyse(network)))


def worst(record: Levels, cause: str):
    return min(record.amplifiers, key=lambda a: a.limit(cause).value)


@needs_simulator
@pytest.mark.parametrize(("cause", "model"), [("clipping", PLAIN), ("slewing", SLOW)])
@ten
def test_the_largest_sine_in_a_transient(name: str, cause: str, model: OpAmpModel) -> None:
    """Just below the limit the sine is clean and has the size foreseen, above it it is bent."""
    network = stage(name).circuit()
    a = worst(found(network, model), cause)
    limit, out = a.limit(cause), network.op_amp(a.name).out
    gain = None
    for factor, clean in ((0.97, True), (1.15, False)):
        waves = sine(network, model, factor * limit.value, limit.at_hz, settling(network))
        size, rest = fundamental(waves, out, limit.at_hz)
        gain = gain or size / (factor * limit.value)
        assert (rest < 2e-3) == clean, (factor, rest)
        if clean and cause == "clipping":
            assert size == pytest.approx(factor * a.room_v, rel=2e-3)
        if clean and cause == "slewing":
            slope = 2 * math.pi * limit.at_hz * size
            assert slope == pytest.approx(factor * model.slew_rate, rel=0.01)
    if cause == "slewing":
        assert limit.value < a.limit("clipping").value


@needs_simulator
@ten
def test_levels_and_currents_in_a_transient(name: str) -> None:
    """Voltages at every pin, and currents of op amps and source, at each one's largest."""
    network = stage(name).circuit()
    record = found(network, PLAIN)
    volt = 0.2 * min(a.limit("clipping").value for a in record.amplifiers)
    for a in record.amplifiers:
        u = network.op_amp(a.name)
        waves = sine(network, PLAIN, volt, a.output.at_hz, settling(network))
        assert fundamental(waves, u.out, a.output.at_hz)[0] == pytest.approx(
            a.output.value * volt, rel=2e-3
        )
    a = record.amplifiers[0]
    waves = sine(network, PLAIN, volt, a.current.at_hz, settling(network))
    current = fundamental(waves, f"i(va{a.name})", a.current.at_hz)[0]
    assert current == pytest.approx(a.current.value * volt, rel=5e-3)
    if a.plus.value > 0.01:
        node = network.op_amp(a.name).plus
        waves = sine(network, PLAIN, volt, a.plus.at_hz, settling(network))
        assert fundamental(waves, node, a.plus.at_hz)[0] == pytest.approx(
            a.plus.value * volt, rel=2e-3
        )
    at = record.source_current
    waves = sine(network, PLAIN, volt, at.at_hz, settling(network))
    assert fundamental(waves, "i(vin)", at.at_hz)[0] == pytest.approx(at.value * volt, rel=5e-3)


@needs_simulator
@ten
def test_levels_over_frequency_in_the_simulator(name: str) -> None:
    """Every op-amp output over the band, by an AC analysis of the deck we write."""
    network = stage(name).circuit()
    model = replace(PLAIN, output_resistance=0.0)
    record = found(network, model)
    low, high = record.band_hz
    run = simulate(
        write_deck(
            network,
            amplifier=replace(model.amplifier, second_pole=math.inf),
            frequencies=(low, high),
            points=500,
        )
    )
    for u in network.op_amps:
        measured = np.interp(record.frequencies, run.frequencies, np.abs(run.node(u.out)))
        # straight lines between 500 points a decade cut the tip off a notch
        assert np.allclose(record.gains[u.name], measured, rtol=0.02, atol=5e-3)
        peak = record.amplifier(u.name).output
        assert peak.value >= np.abs(run.node(u.out)).max() * (1 - 1e-3)


@needs_simulator
def test_single_supply_clips_about_the_reference() -> None:
    """5 V rails: the circuit stands on a node at mid-window, and the room is half the window."""
    model = op_amp_model("gbw=3M,p2=inf,rout=1,slew=inf,iout=inf,vcc=5,vee=0,swing=2.4,cm=2.5")
    network = stage("sallen-key-lowpass-gain").circuit()
    record = found(network, model)
    a = record.amplifiers[0]
    assert a.rest_v == pytest.approx(2.5)
    shifted = replace(network.renamed(nodes={"0": "mid"}), reference="mid")
    hold = Branch("RHOLD", 0, ("mid", "0"), 1e12)
    shifted = replace(shifted, branches=(*shifted.branches, hold))
    for factor, clean in ((0.97, True), (1.15, False)):
        limit = a.limit("clipping")
        waves = sine(
            shifted,
            model,
            factor * limit.value,
            limit.at_hz,
            settling(network),
            extra="VMID mid 0 2.5",
        )
        assert (fundamental(waves, network.output, limit.at_hz)[1] < 2e-3) == clean


# -- by hand, and by the oracle --------------------------------------------------------------------


def follower(*parts: Branch) -> Network:
    return Network(
        (*parts, Branch("R1", 0, ("in", "p"), 1e4), Branch("C1", 1, ("p", "0"), 1e-8)),
        (OpAmp("U1", "p", "out", "out"),),
    )


def test_full_power_bandwidth() -> None:
    """SR/(2 pi V): 0.5 V/us and 10 V give 8 kHz (S. Franco, Design with Operational Amplifiers,
    ch. 6, from memory)."""
    model = op_amp_model("slew=0.5 V/us,supply=15,swing=10")
    a = found(follower(), model).amplifiers[0]
    assert a.full_power_hz == pytest.approx(7957.7, rel=1e-4)
    assert a.room_v == 10


def test_offsets_take_room() -> None:
    network = follower()
    f = np.array([10.0, 100.0])
    sweep = Sweep(real_system(network, same_everywhere(network, PLAIN.amplifier)), f)
    a = levels(sweep, PLAIN, reference_v=0.0, offsets={"U1": -4.0}).amplifiers[0]
    assert a.room_v == pytest.approx(6.0)


def test_the_largest_input_is_the_least_of_all_limits() -> None:
    record = found(stage("state-variable-notch").circuit(), op_amp_model("general-purpose"))
    for cause in ("clipping", "slewing", "output current", "input range"):
        for a in record.amplifiers:
            assert record.largest_input.value <= a.limit(cause).value
    name, cause = record.bound
    assert record.amplifier(name).limit(cause).value == record.largest_input.value


@pytest.mark.parametrize("name", [*TEN, "twin-t-notch-gain", "wien-robinson-notch"])
def test_a_swap_keeps_loops_and_moves_inputs(name: str) -> None:
    """Raise everything by the source: pin voltages of the swapped circuit are 1 - v, up to the
    op amps' own references (D. Hilberman, CT-20 (1973), from memory)."""
    network = stage(name).circuit()
    ideal = op_amp_model("gbw=100G,a0=1G,p2=inf,rout=0,cm=1k,supply=1k,swing=900")
    f = frequency_grid(natural_band(modes(analyse(network))), ())
    volts = []
    for n in (network, Swap().apply(network)[0]):
        sweep = Sweep(real_system(n, same_everywhere(n, ideal.amplifier)), f)
        volts.append(np.array([sweep.voltage(u.out) for u in network.op_amps]))
    assert np.abs(volts[0] + volts[1] - 1).max() < 1e-4


def test_input_impedance_of_an_inverting_amplifier_is_its_resistor() -> None:
    network = Network(
        (Branch("R1", 0, ("in", "m"), 2e3), Branch("R2", 0, ("m", "out"), 1e4)),
        (OpAmp("U1", "0", "m", "out"),),
    )
    record = found(network, op_amp_model("gbw=1G,p2=inf"), (10.0, 1e3))
    assert record.input_impedance.value == pytest.approx(2e3, rel=1e-3)
    swapped = found(Swap().apply(network)[0], op_amp_model("gbw=1G,p2=inf"), (10.0, 1e3))
    assert math.isinf(swapped.input_impedance.value)
    assert swapped.amplifiers[0].plus.value == pytest.approx(1.0)


# -- single supply ---------------------------------------------------------------------------------


def supply_of(network: Network, model: OpAmpModel, band=(10.0, 1e4)):
    put = with_source_and_load(network, 0.0, None)
    sweep = Sweep(real_system(put, same_everywhere(put, model.amplifier)), frequency_grid(band, ()))
    return single_supply(sweep, model, band), sweep


FIVE = op_amp_model("class=rail-to-rail-10mhz,vcc=5,vee=0,p2=inf,rout=0")


@ten
def test_ripple_of_the_reference_by_nodal_analysis_of_our_own(name: str) -> None:
    """What all grounded terminals together do, one pole in every op amp."""
    network = stage(name).circuit()
    s, _ = supply_of(network, FIVE)
    amplifier = oracle.Amplifier(2 * math.pi * FIVE.gain_bandwidth, FIVE.dc_gain)
    found_ = oracle.terminal_transfers(
        network, 2j * math.pi * s.ripple.at_hz, {u.name: amplifier for u in network.op_amps}
    )
    total = sum(found_[t.key] for t in network.terminals if t.at == "ground")
    assert s.ripple.value == pytest.approx(abs(total), rel=1e-6)


def test_what_is_biased_and_what_may_stay_at_ground() -> None:
    s, _ = supply_of(stage("sallen-key-lowpass-gain").circuit(), FIVE)
    assert set(s.biased) == {"RA.2"} or all(t.startswith("R") for t in s.biased)
    assert s.biased
    assert all(t.startswith("C") for t in s.free)
    assert s.free
    assert s.input_biased == ("R1.1",)
    assert math.isinf(s.input_resistance)
    assert s.bias_resistor == 1e5
    # the corner by the bias resistor, a decade below the band
    assert s.coupling_capacitor == pytest.approx(1 / (2 * math.pi * 1.0 * 1e5))


def test_the_input_of_an_inverting_stage_draws_through_its_resistor() -> None:
    network = Network(
        (
            Branch("R1", 0, ("in", "m"), 2e3),
            Branch("R2", 0, ("m", "out"), 1e4),
            Branch("C1", 1, ("m", "out"), 1e-8),
        ),
        (OpAmp("U1", "0", "m", "out"),),
    )
    s, _ = supply_of(network, FIVE)
    assert s.input_resistance == pytest.approx(2e3, rel=1e-3)
    assert s.bias_resistor is None
    assert s.biased == ("U1.plus",)


def test_a_soft_reference_leaves_what_it_says() -> None:
    """Put the resistance into the reference: the output moves by about one per cent of its peak."""
    network = stage("sallen-key-lowpass-gain").circuit()
    s, sweep = supply_of(network, FIVE)
    soft = replace(
        network.renamed(nodes={"0": "mid"}),
        branches=(
            *network.renamed(nodes={"0": "mid"}).branches,
            Branch("RREF", 0, ("mid", "0"), s.reference_resistance),
        ),
        reference="0",
    )
    other = Sweep(real_system(soft, same_everywhere(soft, FIVE.amplifier)), sweep.frequencies)
    moved = np.abs(other.transfer - sweep.transfer).max() / np.abs(sweep.transfer).max()
    assert moved == pytest.approx(0.01, rel=0.1)
