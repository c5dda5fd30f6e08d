"""Findings: each rule speaks where it should, with this circuit's figures, and is silent else."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest

from synth.analysis.sweep import Sweep
from synth.catalog import stage, stages
from synth.checking import checked as checked_module
from synth.checking.checked import RULES, Checked, check
from synth.checking.conditions import Conditions, supplied
from synth.checking.findings import CODES, SEVERITIES, Finding, graded
from synth.checking.model import OpAmpModel, op_amp_model, read_model
from synth.errors import FormatError, NumberError
from synth.network.model import Branch, Network, OpAmp
from synth.transform.drive import Swap

GENERAL = op_amp_model("general-purpose")
GOOD = op_amp_model("class=fast-50mhz,supply=15,slew=100 V/us")


def of(found: Checked, code: str) -> list[Finding]:
    return [f for f in found.findings if f.code == code]


def numbers(text: str) -> list[float]:
    return [float(x) for x in re.findall(r"-?\d+\.?\d*", text)]


def circuit(name: str) -> Network:
    return stage(name).circuit()


# -- the frame -------------------------------------------------------------------------------------


def test_every_code_is_used_by_a_rule_and_every_rule_runs() -> None:
    import inspect

    from synth.checking import large_rules, loop_rules, small_rules, speed_rules, supply_rules

    modules = (large_rules, loop_rules, small_rules, speed_rules, supply_rules)
    text = "".join(map(inspect.getsource, modules))
    shifts = {"q-shift"}  # made from the name of the figure
    assert {c for c in CODES if f'"{c}"' not in text} == shifts
    named = {f for m in modules for f in vars(m).values() if callable(f)}
    rules = {
        f
        for f in named
        if getattr(f, "__module__", "").endswith("_rules")
        and f.__annotations__.get("return") == "list[Finding]"
    }
    assert rules == set(RULES)


def test_an_unknown_code_or_severity_is_refused() -> None:
    with pytest.raises(ValueError, match="no finding"):
        Finding("note", "colour", "U1", "", "")
    with pytest.raises(ValueError, match="no finding"):
        Finding("grave", "level", "U1", "", "")  # type: ignore[arg-type]


def test_grades() -> None:
    assert [graded(x, 1, 2, 3) for x in (0.5, 1, 2.5, 3)] == [None, "note", "caution", "serious"]


@pytest.mark.parametrize("name", ["sallen-key-lowpass-unity", "tow-thomas-bandpass", "twin-t"])
def test_findings_are_sorted_and_say_what_to_do(name: str) -> None:
    found = check(circuit(name), GENERAL, Conditions(1e3, 1e4, level=20.0))
    ranks = [SEVERITIES.index(f.severity) for f in found.findings]
    assert ranks == sorted(ranks, reverse=True)
    for f in found.findings:
        assert f.message
        assert f.remedy
        assert "nan" not in f.message + f.remedy
        assert not re.search(r"\binf\b", f.message + f.remedy), f
        parts = {p.name for p in found.facts.small.network.branches}
        assert f.part in parts | {u.name for u in found.facts.network.op_amps} | {"circuit"}


@pytest.mark.parametrize(
    "name", ["sallen-key-lowpass-unity", "multiple-feedback-bandpass", "tow-thomas-bandpass"]
)
def test_a_sound_circuit_with_a_good_op_amp_has_notes_only(name: str) -> None:
    found = check(circuit(name), GOOD, Conditions(level=0.5))
    assert not [f for f in found.findings if f.severity != "note"], found.findings


# -- feedback and DC -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "one", [s for s in stages() if s.network.op_amps][::4], ids=lambda s: s.name
)
def test_exchanged_inputs_of_any_op_amp_are_caught_and_the_remedy_is_right(one) -> None:
    network = one.circuit()
    for u in network.op_amps:
        wrong = network.with_pins({(u.name, "plus"): u.minus, (u.name, "minus"): u.plus})
        found = checked_module.check(wrong, GENERAL, predistort=False)
        (finding,) = of(found, "positive-feedback")
        assert finding.severity == "serious"
        assert u.name in finding.remedy


@pytest.mark.parametrize("name", ["integrator-inverting", "integrator-deboo"])
def test_an_integrator_alone_goes_to_a_rail(name: str) -> None:
    found = check(circuit(name), GENERAL)
    finding = of(found, "dc-saturates")[0]
    assert finding.severity == "serious"
    assert "DC loop" in finding.remedy
    assert of(found, "mode-on-axis")[0].severity == "note"


def test_the_resistor_across_the_capacitor_mends_it() -> None:
    network = circuit("integrator-inverting")
    found = check(network, GENERAL)
    point = found.facts.small.operating_point
    assert point is not None
    (remedy,) = point.amplifiers[0].remedies
    u = network.op_amps[0]
    leak = Branch("RLEAK", 0, (u.minus, u.out), 0.99 * remedy.resistance_ohm)
    mended = Network((*network.branches, leak), network.op_amps, network.inputs, network.outputs)
    assert not of(check(mended, GENERAL), "dc-saturates")


@pytest.mark.parametrize("name", ["tow-thomas-bandpass", "state-variable-lowpass"])
def test_the_integrators_of_a_two_integrator_loop_pass(name: str) -> None:
    assert not of(check(circuit(name), GENERAL), "dc-saturates")


def test_an_op_amp_behind_a_saturated_one_follows_it() -> None:
    network = Network(
        (
            Branch("R1", 0, ("in", "m"), 1e4),
            Branch("C1", 1, ("m", "a"), 1e-8),
        ),
        (OpAmp("U1", "0", "m", "a"), OpAmp("U2", "a", "out", "out")),
    )
    found = {f.part: f for f in of(check(network, GENERAL), "dc-saturates")}
    assert found["U1"].severity == "serious"
    assert found["U2"].severity == "caution"
    assert "U1" in found["U2"].remedy


def test_an_input_without_a_bias_path_is_serious() -> None:
    network = Network(
        (Branch("C1", 1, ("in", "p"), 1e-8), Branch("R1", 0, ("p", "x"), 1e4),
         Branch("C2", 1, ("x", "0"), 1e-8)),
        (OpAmp("U1", "p", "out", "out"),),
    )  # fmt: skip
    (finding,) = of(check(network, GENERAL), "bias-path")
    assert finding.part == "U1"
    assert "node p" in finding.message
    most = 0.13 / 90e-9  # 1 % of 13 V over 80 nA and half of 20 nA
    assert f"{most / 1e6:.3g} Mohm" in finding.remedy


def test_offset_of_a_large_gain_by_hand() -> None:
    """1 mV times 1 + 10M/1k is 10 V of 13 V; the bias current adds to it."""
    network = Network(
        (Branch("R1", 0, ("in", "m"), 1e3), Branch("R2", 0, ("m", "out"), 1e6)),
        (OpAmp("U1", "0", "m", "out"),),
    )
    model = op_amp_model("offset=5m,ib=0,ios=0,iout=1,a0=1G")
    (finding,) = of(check(network, model, Conditions(band_hz=(1.0, 10.0))), "output-offset")
    assert finding.severity == "caution"
    assert "5 V" in finding.message  # 5 mV times 1001, of 13 V


# -- finite gain-bandwidth -------------------------------------------------------------------------


def test_a_slow_op_amp_shifts_and_the_faster_one_named_leaves_what_is_said() -> None:
    network = circuit("multiple-feedback-bandpass")
    slow = op_amp_model("gbw=200k,p2=inf,rout=0")
    (finding,) = of(check(network, slow), "f0-shift")
    asked = re.search(r"op amps of ([\d.]+ [kM])Hz .* leave 1 %", finding.remedy)
    assert asked
    faster = op_amp_model(f"gbw={asked[1].replace(' ', '')},p2=inf,rout=0")
    shift = check(network, faster).facts.small.f0_shift
    assert shift is not None
    assert abs(shift) == pytest.approx(0.01, rel=0.05)


def test_phase_margin_remedy_by_the_second_pole_holds() -> None:
    network = circuit("sallen-key-lowpass-unity")
    poor = op_amp_model("gbw=10M,p2=5M")
    (finding,) = of(check(network, poor), "phase-margin")
    asked = re.search(r"pole at ([\d.]+) MHz", finding.remedy)
    assert asked
    better = op_amp_model(f"gbw=10M,p2={1.01 * float(asked[1])}M")
    margin = check(network, better).facts.small.margins[0].phase_margin_deg
    assert margin > 42


def test_a_good_op_amp_draws_no_shift() -> None:
    found = check(circuit("sallen-key-lowpass-unity"), GOOD)
    assert not of(found, "f0-shift")
    assert not of(found, "q-shift")


def test_loading_by_hand() -> None:
    """An inverting amplifier with R1 = 2k behind 2k of source has half the gain: -6.02 dB."""
    network = Network(
        (Branch("R1", 0, ("in", "m"), 2e3), Branch("R2", 0, ("m", "out"), 1e4),
         Branch("C2", 1, ("m", "out"), 1e-8)),
        (OpAmp("U1", "0", "m", "out"),),
    )  # fmt: skip
    model = op_amp_model("gbw=1G,p2=inf,a0=1G")
    (finding,) = of(check(network, model, Conditions(source_resistance=2e3)), "source-loading")
    assert finding.severity == "serious"
    assert "-6.02 dB" in finding.message
    assert not of(check(network, model), "source-loading")


# -- levels ----------------------------------------------------------------------------------------


def test_level_asked_for_against_the_limit_told() -> None:
    network = circuit("state-variable-notch")
    limit = check(network, GENERAL).facts.levels.largest_input.value
    assert not of(check(network, GENERAL, Conditions(level=0.99 * limit)), "level")
    found = of(check(network, GENERAL, Conditions(level=1.01 * limit)), "level")
    assert found
    assert all(f.severity == "serious" for f in found)


def test_an_inner_op_amp_that_swings_further_is_named() -> None:
    """State-variable notch of Q = Q: the inner integrator peaks, the notch does not."""
    found = check(circuit("state-variable-notch"), GENERAL)
    (finding,) = of(found, "internal-level")
    levels = found.facts.levels
    a = levels.amplifier(finding.part)
    assert a.output.value / levels.output.value > 1.05
    assert f"{a.output.value:.3g} V/V" in finding.message


def test_slew_rate_named_in_the_remedy_is_enough() -> None:
    network = circuit("sallen-key-highpass-unity")
    (finding,) = of(check(network, GENERAL), "slew-rate")
    asked = re.search(r"of ([\d.]+) V/us", finding.remedy)
    assert asked
    faster = op_amp_model(f"slew={1.03 * float(asked[1])} V/us")
    assert not of(check(network, faster), "slew-rate")


def test_output_current_named_in_the_remedy_is_enough() -> None:
    network = circuit("sallen-key-lowpass-gain")
    heavy = Conditions(load=300.0)
    finding = of(check(network, GENERAL, heavy), "output-current")[0]
    asked = re.search(r"op amp of ([\d.]+) mA", finding.remedy)
    assert asked
    stronger = op_amp_model(f"iout={1.05 * float(asked[1])}m")
    assert not of(check(network, stronger, heavy), "output-current")


def test_inputs_that_sat_at_ground_swing_after_a_swap() -> None:
    network = circuit("multiple-feedback-bandpass")
    (here,) = of(check(network, GENERAL), "moved-inputs")
    assert here.message.startswith("after a swap")
    (after,) = of(check(Swap().apply(network)[0], GENERAL), "moved-inputs")
    assert after.message.startswith("here")


def test_input_range_bounds_a_follower_before_its_output() -> None:
    model = op_amp_model("supply=5,swing=4.9,cm=2")
    found = check(circuit("sallen-key-lowpass-unity"), model, Conditions(band_hz=(1.0, 100.0)))
    (finding,) = of(found, "input-range")
    assert found.facts.levels.largest_input.value == pytest.approx(2.0, rel=0.01)
    assert "-2 V to 2 V" in finding.message


@pytest.mark.parametrize("code", ["positive-feedback", "bias-path", "dc-saturates"])
def test_an_unusable_circuit_has_no_levels(code: str) -> None:
    from synth.report.check import CheckRecord

    r, c = Branch("R1", 0, ("in", "a"), 1e4), Branch("C1", 1, ("a", "out"), 1e-8)
    network = {
        "positive-feedback": Network(
            (r, Branch("R2", 0, ("a", "0"), 1e4)), (OpAmp("U1", "out", "a", "out"),)
        ),
        "bias-path": Network(
            (Branch("C1", 1, ("in", "a"), 1e-8), Branch("C2", 1, ("a", "0"), 1e-9)),
            (OpAmp("U1", "a", "out", "out"),),
        ),
        "dc-saturates": Network((r, c), (OpAmp("U1", "0", "a", "out"),)),
    }[code]
    found = check(network, GENERAL)
    assert code in found.unusable
    for silent in ("largest-input", "slew-rate", "noise", "f0-shift", "internal-level"):
        assert not of(found, silent)
    text = " ".join(str(CheckRecord("x", found)).split())
    assert "the source may have" not in text or "is mended: from" in text


def test_the_largest_output_is_what_the_largest_input_gives() -> None:
    """|H| at its peak, by a dense sweep of our own, times the level told."""
    found = check(circuit("multiple-feedback-bandpass"), GENERAL).facts
    record = found.levels
    f = np.linspace(0.5, 1.5, 20001) * record.output.at_hz
    peak = np.abs(Sweep(found.small.system, f).transfer).max()
    assert record.output.value == pytest.approx(peak, rel=1e-3)
    wanted = peak * record.largest_input.value
    assert record.largest_output.value == pytest.approx(wanted, rel=1e-3)


# -- single supply ---------------------------------------------------------------------------------


def test_single_supply_names_the_middle_and_what_stands_there() -> None:
    model = supplied(op_amp_model("rail-to-rail-1mhz"), 0.0, 5.0)
    found = check(circuit("multiple-feedback-bandpass"), model)
    (finding,) = of(found, "single-supply")
    assert "2.5 V" in finding.message
    assert "U1.plus" in finding.message
    assert of(found, "single-supply-coupling")
    assert of(found, "single-supply-ripple")
    assert not of(check(circuit("multiple-feedback-bandpass"), GENERAL), "single-supply")


def test_no_voltage_that_suits_inputs_and_outputs() -> None:
    model = op_amp_model(
        "vcc=5,vee=0,swing_to_positive=3,swing_to_negative=0.1,"
        "common_mode_to_negative=3,common_mode_to_positive=0"
    )
    found = check(circuit("sallen-key-lowpass-unity"), model)
    assert of(found, "no-resting-point")[0].severity == "serious"
    assert not of(found, "single-supply")


# -- noise and conditions --------------------------------------------------------------------------


def test_signal_to_noise_from_its_two_figures() -> None:
    found = check(circuit("sallen-key-lowpass-unity"), GENERAL)
    (finding,) = of(found, "noise")
    facts = found.facts
    snr = 20 * math.log10(facts.levels.largest_output.value / math.sqrt(2) / facts.small.noise.vrms)
    assert f"{snr:.3g} dB" in finding.message


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        ({"source_resistance": -1.0}, "source resistance"),
        ({"source_resistance": math.nan}, "source resistance"),
        ({"load": 0.0}, "load"),
        ({"level": -2.0}, "level"),
        ({"tolerance": 1.0}, "tolerance"),
        ({"band_hz": (100.0, 10.0)}, "upside down"),
        ({"band_hz": (0.0, 10.0)}, "positive"),
        ({"band_hz": (1.0, 1e20)}, "positive ends between"),
        ({"level": 1e99}, "between 1e-12 and 1000 V"),
        ({"load": 1e-9}, "load"),
        ({"source_resistance": 1e30}, "source resistance"),
    ],
)
def test_conditions_out_of_range(arguments: dict[str, float], word: str) -> None:
    with pytest.raises(NumberError, match=word):
        Conditions(**arguments)  # type: ignore[arg-type]


def test_a_model_file_is_read_like_a_class(tmp_path) -> None:
    path = tmp_path / "buoy.toml"
    fields = {k: v for k, v in vars(GENERAL).items() if k != "name"}
    path.write_text("\n".join(f"{k} = {v!r}" for k, v in fields.items()))
    model: OpAmpModel = read_model(path)
    assert model.name == "buoy"
    assert {k: v for k, v in vars(model).items() if k != "name"} == fields
    path.write_text("colour = 1")
    with pytest.raises(FormatError, match="colour"):
        read_model(path)
