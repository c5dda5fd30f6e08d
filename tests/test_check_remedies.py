"""Remedies with a value: put it in, and the finding goes; and where the findings look."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from synth.analysis.amplifier import same_everywhere
from synth.analysis.loop import analyse
from synth.analysis.numbers import transfer
from synth.analysis.real import real_system
from synth.analysis.sweep import Sweep
from synth.catalog import stage
from synth.checking.bias_remedy import biased
from synth.checking.checked import Checked, check
from synth.checking.conditions import Conditions
from synth.checking.figures import figures
from synth.checking.findings import Finding, decibels, percent
from synth.checking.margin_remedies import isolated
from synth.checking.model import op_amp_model
from synth.checking.signal_band import flat_ends
from synth.network.model import Branch, Network, OpAmp, Port
from synth.transform.drive import Swap
from synth.units import parse_si, plain
from tests import check_decks
from tests.simulator import needs_simulator

GENERAL = op_amp_model("general-purpose")


def of(found: Checked, code: str) -> list[Finding]:
    return [f for f in found.findings if f.code == code]


def with_part(network: Network, *parts: Branch) -> Network:
    return replace(network, branches=(*network.branches, *parts))


def cable(name: str = "sallen-key-lowpass-unity", farad: float = 1e-8) -> Network:
    network = stage(name).circuit()
    return with_part(network, Branch("CL", 1, (network.output, "0"), farad))


def amplifier(gain: float) -> Network:
    return Network(
        (Branch("R1", 0, ("m", "0"), 1e3), Branch("R2", 0, ("m", "out"), 1e3 * (gain - 1))),
        (OpAmp("U1", "in", "m", "out"),),
    )


# -- phase margin ----------------------------------------------------------------------------------


def test_a_bump_at_the_crossover_is_one_finding() -> None:
    """A cable on an op amp with output resistance: one cause, told once."""
    found = check(cable(), GENERAL)
    (margin,) = of(found, "phase-margin")
    assert not of(found, "stop-band")
    rise = found.facts.small.deviation.rise_db
    assert rise is not None
    assert f"comes up again, to {plain(rise)} dB" in margin.message


def test_a_stop_band_that_rises_elsewhere_is_told_by_itself() -> None:
    found = check(stage("sallen-key-lowpass-unity").circuit(), GENERAL)
    assert of(found, "stop-band")
    assert not of(found, "phase-margin")


@pytest.mark.parametrize(
    ("pattern", "mend"),
    [
        (r"([\d.]+ k?ohm) between the output of U1", "resistor"),
        (r"CL ([\d.]+) times smaller", "capacitor"),
        (r"op amps with ([\d.]+ m?ohm) at the output", "output"),
    ],
)
@pytest.mark.parametrize("farad", [3e-9, 1e-8, 1e-7])
def test_each_remedy_of_a_capacitive_load(pattern: str, mend: str, farad: float) -> None:
    network = cable(farad=farad)
    (finding,) = of(check(network, GENERAL), "phase-margin")
    asked = re.search(pattern, finding.remedy)
    if mend == "output" and farad > 5e-8:  # 30 times less is no op amp that one finds
        assert not asked
        return
    assert asked, finding.remedy
    model = GENERAL
    if mend == "resistor":
        network = isolated(network, "U1", parse_si(asked[1], "ohm"))
    elif mend == "capacitor":
        network = network.with_values({"CL": farad / float(asked[1])})
    else:
        model = replace(GENERAL, output_resistance=parse_si(asked[1], "ohm"))
    mended = check(network, model)
    assert not of(mended, "phase-margin")
    assert mended.facts.small.margins[0].phase_margin_deg == pytest.approx(45.5, abs=3)


def test_the_isolator_stands_outside_the_feedback() -> None:
    network = isolated(cable(), "U1", 47.0)
    u = network.op_amp("U1")
    assert set(network.branch("RISO").nodes) == {u.out, network.output}
    assert network.branch("CL").nodes == (network.output, "0")
    assert u.minus == u.out  # the follower's own feedback stays with it
    assert u.out in network.branch("C1").nodes


def test_a_capacitance_at_the_inverting_input_and_the_capacitor_that_mends_it() -> None:
    """1 Mohm of feedback and 20 pF of stray take the phase of an inverter."""
    network = Network(
        (Branch("R1", 0, ("in", "m"), 1e6), Branch("R2", 0, ("m", "out"), 1e6),
         Branch("CS", 1, ("m", "0"), 2e-11)),
        (OpAmp("U1", "0", "m", "out"),),
    )  # fmt: skip
    model = op_amp_model("jfet-10mhz")
    (finding,) = of(check(network, model), "phase-margin")
    asked = re.search(r"([\d.]+ [pn]F) across R2", finding.remedy)
    assert asked, finding.remedy
    lead = Branch("CLEAD", 1, ("m", "out"), parse_si(asked[1], "F"))
    mended = check(with_part(network, lead), model)
    assert not of(mended, "phase-margin")
    assert mended.facts.small.margins[0].phase_margin_deg > 45


def test_an_unstable_circuit_gets_a_value_too() -> None:
    network, model = cable(farad=3e-8), op_amp_model("gbw=10M,p2=8M,rout=200")
    (finding,) = of(check(network, model), "unstable")
    asked = re.search(r"([\d.]+ k?ohm) between the output of U1", finding.remedy)
    assert asked, finding.remedy
    mended = check(isolated(network, "U1", parse_si(asked[1], "ohm")), model)
    assert not of(mended, "unstable")
    assert not of(mended, "phase-margin")


@needs_simulator
def test_the_isolating_resistor_in_the_simulator() -> None:
    """The loop opened in ngspice: what was told before, 45 degrees with the resistor named."""
    network = cable()
    (finding,) = of(check(network, GENERAL), "phase-margin")
    asked = re.search(r"([\d.]+ ohm) between", finding.remedy)
    assert asked
    margins = []
    for n in (network, isolated(network, "U1", parse_si(asked[1], "ohm"))):
        lines = check_decks.deck(n, GENERAL, opened="U1", drive=0.0)
        f, back = check_decks.ac(lines, "v(x_u1)", 1e4, 1e7, 400)
        k = int(np.flatnonzero(np.abs(back) >= 1)[-1])
        phase = np.degrees(np.unwrap(np.angle(back)))[k : k + 2]
        size = np.log(np.abs(back[k : k + 2]))
        margins.append((phase[0] - size[0] * (phase[1] - phase[0]) / (size[1] - size[0])) % 360)
        assert f[k] > 1e5
    told = check(network, GENERAL).facts.small.margins[0].phase_margin_deg
    assert margins == pytest.approx([told, 45.5], abs=1)


def test_a_rise_is_put_down_to_the_output_resistance_only_where_that_makes_it() -> None:
    sallen_key = of(check(stage("sallen-key-lowpass-unity").circuit(), GENERAL), "stop-band")
    assert "output resistance of 75 ohm" in sallen_key[0].message
    simulated = Network(  # a general impedance converter that makes a capacitor of C3
        (Branch("R0", 0, ("in", "out"), 1e4), Branch("R1", 0, ("out", "a"), 1e4),
         Branch("R2", 0, ("a", "b"), 1e4), Branch("C3", 1, ("b", "c"), 1.59e-8),
         Branch("R4", 0, ("c", "d"), 1e4), Branch("R5", 0, ("d", "0"), 1e4)),
        (OpAmp("U1", "out", "b", "c"), OpAmp("U2", "d", "b", "a")),
    )  # fmt: skip
    (finding,) = of(check(simulated, GENERAL), "stop-band")
    assert "output resistance" not in finding.message
    stiff = check(simulated, replace(GENERAL, output_resistance=0.0))
    assert of(stiff, "stop-band")


def test_q_enhancement_is_mended_by_the_gain_bandwidth_named() -> None:
    """A state-variable loop of Q = 30 at 10 kHz grows with 1 MHz op amps: Q's error is near
    4 Q f0/fT (L. C. Thomas, IEEE Trans. Circuit Theory CT-18 (1971) 350-357, from memory)."""
    network = stage("tow-thomas-bandpass").circuit()
    factor = 1e3 / 3e4
    old = network.branch("R1").value or 0
    network = network.with_values(
        {b.name: (b.value or 0) * factor for b in network.branches if b.power == 1}
        | {"R1": 6 * old}
    )
    (finding,) = of(check(network, GENERAL), "unstable")
    asked = re.search(r"op amps of ([\d.]+ MHz)", finding.remedy)
    assert asked, finding.remedy
    mended = check(network, op_amp_model(f"gbw={1.01 * parse_si(asked[1], 'Hz')!r}"))
    assert mended.facts.small.stable
    assert abs(mended.facts.small.q_shift or 1) < 0.1


# -- bandwidth -------------------------------------------------------------------------------------


def test_a_gain_of_100_says_where_it_ends() -> None:
    """fT/G (S. Franco, Design with Operational Amplifiers, ch. 6, from memory): 10 kHz."""
    model = op_amp_model("gbw=1M,p2=inf,rout=0")
    found = check(amplifier(100.0), model)
    (finding,) = of(found, "bandwidth")
    assert finding.severity == "note"
    end = found.facts.small.deviation.within_3db.to_hz
    assert end == pytest.approx(1e4 * math.sqrt(10**0.3 - 1), rel=2e-3)
    asked = re.search(r"-3 dB at ([\d.]+ kHz)", finding.message)
    assert asked
    assert parse_si(asked[1], "Hz") == pytest.approx(end, rel=5e-3)


def test_the_gain_bandwidth_named_for_a_band_is_enough() -> None:
    around = Conditions(band_hz=(10.0, 2e4))
    (finding,) = of(check(amplifier(100.0), GENERAL, around), "bandwidth")
    assert finding.severity == "serious"
    share = 2e4 / 1e4
    assert f"-{10 * math.log10(1 + share**2):.2f}"[:4] in finding.message  # -6.99 dB
    asked = re.search(r"op amps of ([\d.]+ MHz)", finding.remedy)
    assert asked
    speed = parse_si(asked[1], "Hz") * 1.01
    better = op_amp_model(f"gbw={speed!r}")
    assert not of(check(amplifier(100.0), better, around), "bandwidth")


def test_the_pole_that_shifts_most_is_named() -> None:
    """Gain 100 with 47 pF across 100 kohm, and a coupling pole far below: the fast one shifts."""
    network = with_part(
        amplifier(100.0),
        Branch("C3", 1, ("m", "out"), 4.7e-11),
        Branch("CO", 1, ("out", "line"), 1e-5),
        Branch("RO", 0, ("line", "0"), 1e4),
    )
    network = replace(network, outputs=(Port("output", "line"),))
    found = check(network, op_amp_model("low-noise-10mhz"))
    (finding,) = of(found, "f0-shift")
    assert "of the pole at 34.2 kHz" in finding.message
    asked = re.search(r"op amps of ([\d.]+ [MG]Hz)", finding.remedy)
    assert asked
    better = op_amp_model(f"class=low-noise-10mhz,gbw={1.02 * parse_si(asked[1], 'Hz')!r}")
    assert not of(check(network, better), "f0-shift")


def test_a_low_pass_ends_by_itself_and_a_high_pass_does_not() -> None:
    slow = op_amp_model("gbw=100k")
    assert not of(check(stage("sallen-key-lowpass-unity").circuit(), slow), "bandwidth")
    (finding,) = of(check(stage("sallen-key-highpass-gain").circuit(), slow), "bandwidth")
    assert "end the pass band: -3 dB at" in finding.message


def test_a_shifted_notch_is_no_end_of_the_pass_band() -> None:
    found = check(stage("state-variable-notch").circuit(), op_amp_model("gbw=100k"))
    (finding,) = of(found, "bandwidth")
    asked = re.search(r"dB at ([\d.]+ kHz)", finding.message)
    assert asked
    assert parse_si(asked[1], "Hz") >= 2e3  # the notch is at 1 kHz


def test_a_shallow_notch_and_the_gain_bandwidth_that_deepens_it() -> None:
    network = stage("state-variable-notch").circuit()
    found = check(network, op_amp_model("gbw=100k"))
    (finding,) = of(found, "notch-depth")
    (notch,) = found.facts.small.notches
    f = np.linspace(0.9, 1.1, 20001) * notch.at_hz
    system = found.facts.small.system
    size = np.abs(Sweep(system, f).transfer) / found.facts.small.deviation.peak
    assert notch.depth_db == pytest.approx(20 * math.log10(size.min()), abs=0.05)
    assert notch.at_hz == pytest.approx(f[int(size.argmin())], rel=1e-3)
    asked = re.search(r"op amps of ([\d.]+ MHz)", finding.remedy)
    assert asked
    better = op_amp_model(f"gbw={1.02 * parse_si(asked[1], 'Hz')!r}")
    assert not of(check(network, better), "notch-depth")


# -- where loading is judged -----------------------------------------------------------------------


def test_loading_outside_the_signal_band_does_not_count() -> None:
    """Two poles of passive RC behind a follower: at 100 times f0 the source sees R, and nobody
    cares."""
    network = Network(
        (Branch("R1", 0, ("in", "p"), 1e4), Branch("C1", 1, ("p", "0"), 1e-8)),
        (OpAmp("U1", "p", "out", "out"),),
    )
    f0 = 1 / (2 * math.pi * 1e-4)
    model = op_amp_model("gbw=1G,p2=inf,rout=0")
    load = check(network, model, Conditions(source_resistance=500.0)).facts.small.loading
    assert load is not None
    assert load.band_hz == pytest.approx((f0 / 10, f0), rel=2e-3)
    edge = 10 * math.log10(2 / (1 + 1.05**2))
    assert load.worst_error_db == pytest.approx(edge, rel=0.01)
    wide = Conditions(source_resistance=500.0, band_hz=(10.0, 10 * f0))
    asked = check(network, model, wide).facts.small.loading
    assert asked is not None
    assert asked.worst_error_db == pytest.approx(
        10 * math.log10((1 + 10**2) / (1 + 10.5**2)), rel=0.01
    )


@pytest.mark.parametrize(
    ("name", "ends"),
    [
        ("sallen-key-lowpass-unity", (True, False)),
        ("sallen-key-highpass-unity", (False, True)),
        ("multiple-feedback-bandpass", (False, False)),
        ("fliege-notch", (True, True)),
        ("integrator-inverting", (False, False)),
    ],
)
def test_which_ends_are_flat(name: str, ends: tuple[bool, bool]) -> None:
    network = stage(name).circuit()
    loop = analyse(network)
    ideal = transfer(loop, loop.transfer()).response
    found = flat_ends(ideal, (10.0, 1e5))
    assert tuple(x > 0 for x in found) == ends


def test_a_peaking_low_pass_counts_from_its_flat_part_on() -> None:
    """Q = 10: the band is not the peak alone, but all up to where it falls 3 dB below 1."""
    network = stage("sallen-key-lowpass-unity").circuit()
    w = 2 * math.pi * 1e3
    network = network.with_values(
        {"R1": 1e4, "R2": 1e4, "C1": 20 / (1e4 * w), "C2": 0.05 / (1e4 * w)}
    )
    found = figures(network, op_amp_model("gbw=1G,p2=inf"), predistort=False)
    f = found.signal_hz
    assert f[0] == pytest.approx(100.0)
    edge = math.sqrt(1 - 1 / 200 + math.sqrt((1 - 1 / 200) ** 2 + 1))  # |H|^2 = 1/2 at Q = 10
    assert f[-1] == pytest.approx(1e3 * edge, rel=1e-3)


def test_the_source_named_in_the_remedy_is_enough() -> None:
    network = stage("multiple-feedback-lowpass").circuit()
    (finding,) = of(check(network, GENERAL, Conditions(source_resistance=3e3)), "source-loading")
    asked = re.search(r"from about ([\d.]+ k?ohm) for ([\d.]+) dB", finding.remedy)
    assert asked
    softer = Conditions(source_resistance=parse_si(asked[1], "ohm"))
    load = check(network, GENERAL, softer).facts.small.loading
    assert load is not None
    assert abs(load.worst_error_db) == pytest.approx(float(asked[2]), rel=0.3)


@pytest.mark.parametrize("q", [5.0, 50.0, 500.0])
@pytest.mark.parametrize(
    "name", ["fliege-notch", "impedance-converter-bandpass", "tow-thomas-bandpass"]
)
def test_impedance_minima_of_high_q_are_found(name: str, q: float) -> None:
    """A sweep of our own, 40,000 points around the resonance."""
    network = stage(name).circuit()
    loop = analyse(network)
    pole = max(transfer(loop, loop.transfer()).poles, key=lambda p: p.imag)
    resistor = {
        "fliege-notch": "R4",
        "impedance-converter-bandpass": "R1",
        "tow-thomas-bandpass": "R1",
    }[name]
    old = abs(pole) / (-2 * pole.real)
    network = network.with_values({resistor: (network.branch(resistor).value or 0) * q / old})
    model = op_amp_model("gbw=1G,p2=inf,rout=0")
    levels = check(network, model, predistort=False).facts.levels
    f0 = abs(pole) / (2 * math.pi)
    f = f0 * (1 + np.linspace(-3 / q, 3 / q, 40001))
    system = real_system(network, same_everywhere(network, model.amplifier))
    current = np.concatenate(
        [np.abs(Sweep(system, part).input_current()) for part in np.array_split(f, 8)]
    )
    assert levels.input_impedance.value <= 1.005 / current.max()


def test_the_source_resistance_is_none_of_the_input_impedance() -> None:
    network = stage("multiple-feedback-bandpass").circuit()
    bare = check(network, GENERAL, predistort=False).facts.levels.input_impedance
    behind = check(network, GENERAL, Conditions(2e3), predistort=False).facts.levels.input_impedance
    assert behind.value == pytest.approx(bare.value, rel=0.01)


def test_compared_with_the_circuit_before_a_lift() -> None:
    """The lift drives what stood at ground: inputs leave it, and the source feels it."""
    network = stage("multiple-feedback-bandpass").circuit()
    lifted, _ = Swap().apply(network)
    found = check(lifted, GENERAL, Conditions(source_resistance=1e3), before=network)
    (moved,) = of(found, "moved-inputs")
    assert "before the change they sit at the signal's ground" in moved.message
    (current,) = of(found, "source-current")
    assert "before the change" in current.message
    assert "before the change by up to" in of(found, "source-loading")[0].message
    bare = check(network, GENERAL, Conditions(source_resistance=1e3))
    assert found.facts.other is not None
    assert found.facts.other.source_current.value == pytest.approx(
        bare.facts.levels.source_current.value, rel=1e-6
    )


# -- bias path -------------------------------------------------------------------------------------


def test_what_the_bias_resistor_brings_by_hand() -> None:
    network = Network((Branch("C1", 1, ("in", "p"), 1e-8),), (OpAmp("U1", "p", "out", "out"),))
    found = check(network, GENERAL)
    (finding,) = of(found, "bias-path")
    size = 0.13 / 90e-9
    corner = 1 / (2 * math.pi * size * 1e-8)
    assert f"a corner at {plain(corner)} Hz" in finding.remedy
    assert "up to 131 mV of offset" in finding.remedy  # 130 mV of current and 1 mV
    # thermal noise of R and C: kT/C, less what is below 10 Hz
    low, high = found.facts.small.band_hz
    part = (math.atan(high / corner) - math.atan(low / corner)) / (math.pi / 2)
    volts = math.sqrt(1.380649e-23 * 300 / 1e-8 * part)
    asked = re.search(r"([\d.]+) nV rms of its own noise", finding.remedy)
    assert asked
    assert float(asked[1]) == pytest.approx(1e9 * volts, rel=0.01)
    mended = check(biased(network, {"RBIAS": ("p", size)}), GENERAL)
    assert not of(mended, "bias-path")
    pole = mended.facts.small.poles[0]
    assert pole.f0_hz == pytest.approx(corner, rel=1e-6)


def test_an_op_amp_without_bias_current_gets_a_resistor_of_ten_megohms() -> None:
    network = Network((Branch("C1", 1, ("in", "p"), 1e-8),), (OpAmp("U1", "p", "out", "out"),))
    (finding,) = of(check(network, op_amp_model("ib=0,ios=0")), "bias-path")
    assert "10 Mohm" in finding.remedy


# -- slewing ---------------------------------------------------------------------------------------


def test_slewing_of_a_sharp_resonance_has_its_caveat() -> None:
    slow = op_amp_model("slew=0.005 V/us")
    sharp = stage("tow-thomas-bandpass").circuit()
    sharp = sharp.with_values({"R1": 6 * (sharp.branch("R1").value or 0)})
    assert any("saturates gradually" in f.message for f in of(check(sharp, slow), "slew-rate"))
    flat = of(check(stage("sallen-key-lowpass-unity").circuit(), slow), "slew-rate")
    assert flat
    assert not any("saturates gradually" in f.message for f in flat)


def test_a_tanh_stage_has_lost_three_per_cent_at_a_third_of_its_current() -> None:
    """The describing function of tanh, integrated here, its output a third of the limit."""
    angle = np.linspace(0, 2 * np.pi, 20001)[:-1]

    def fundamental(x: float) -> float:
        return float(2 * np.mean(np.tanh(x * np.sin(angle)) * np.sin(angle)))

    x = 1 / 3
    for _ in range(50):
        x += 1 / 3 - fundamental(x)
    assert 1 - fundamental(x) / x == pytest.approx(0.03, abs=0.005)


# -- numbers as text -------------------------------------------------------------------------------


@given(st.floats(1e-4, 1e6))
def test_numbers_without_exponents(x: float) -> None:
    text = plain(x)
    assert "e" not in text
    assert float(text) == pytest.approx(x, rel=5.1e-3)


def test_shares_and_levels() -> None:
    assert percent(1.0) == "+100 %"
    assert percent(-12.0) == "-1200 %"
    assert percent(0.0) == "0 %"
    assert decibels(-2e-14) == "0 dB"
    assert decibels(-1234.0) == "-1230 dB"


@pytest.mark.parametrize("model", ["general-purpose", "gbw=20k,offset=0.1"])
@pytest.mark.parametrize(
    "name", ["tow-thomas-bandpass", "sallen-key-highpass-gain", "inverting-summer"]
)
def test_no_report_has_an_exponent(name: str, model: str) -> None:
    from synth.report.check import CheckRecord

    network = stage(name).circuit()
    around = Conditions(source_resistance=1e3, load=1e4, level=5.0)
    record = CheckRecord(name, check(network, op_amp_model(model), around), predistort=True)
    assert not re.findall(r"\d[eE][+-]?\d\d", str(record)), str(record)
