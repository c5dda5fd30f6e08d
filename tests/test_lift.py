"""Lifting grounds: the numerators a loop can reach, with its poles locked."""

from __future__ import annotations

import json
import math
from importlib.resources import files

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from synth.analysis.loop import analyse
from synth.analysis.numbers import common_form, modes, transfer
from synth.analysis.zeros import transmission_zeros
from synth.catalog import stage
from synth.cli.main import run
from synth.errors import TargetError, TransformError
from synth.network.equivalence import equivalent
from synth.network.model import Network
from synth.report.lift import lift_record
from synth.search.goal import KINDS, goal, mean_frequency
from synth.search.lift import plans
from synth.search.reach import nearest, reach
from synth.transform.lift import LiftTerminals
from tests.networks import networks, same_multiset

BUTTERWORTH = 1 / math.sqrt(2)


def sallen_key_with_gain(q: float) -> Network:
    """Equal R, equal C, K = 3 - 1/Q (Franco, Design with Operational Amplifiers, ch. 3)."""
    values = {"R1": 1e4, "R2": 1e4, "C1": 1e-8, "C2": 1e-8, "RA": 1e4, "RB": 1e4 * (2 - 1 / q)}
    return stage("sallen-key-lowpass-gain").network.with_values(values)


def bridged_t_bandpass(q: float) -> Network:
    """Equal C, R2/R1 = 4*Q^2 (Franco, ch. 3): the multiple-feedback band-pass."""
    values = {"R1": 1e4, "R2": 4 * q * q * 1e4, "C1": 1e-8, "C2": 1e-8}
    return stage("multiple-feedback-bandpass-no-attenuator").network.with_values(values)


def denominator(network: Network) -> tuple[float, ...]:
    return tuple(float(c) for c in reversed(common_form(analyse(network)).denominator))


def best_gain(network: Network, kind: str, at_hz: float | None = None) -> float | None:
    found = plans(analyse(network), goal(kind, denominator(network), at_hz), keep=8)
    return max((abs(p.gain) for p in found), default=None)


@pytest.mark.parametrize(
    ("q", "highpass", "notch", "allpass"),
    [(BUTTERWORTH, 0.29, 0.29, 0.17), (2.0, 0.75, 0.75, 0.60)],
)
def test_gains_of_the_equal_component_sallen_key(q, highpass, notch, allpass) -> None:
    """Figures computed on trials and written into the design of the library."""
    network = sallen_key_with_gain(q)
    assert best_gain(network, "highpass") == pytest.approx(highpass, abs=0.005)
    assert best_gain(network, "bandstop") == pytest.approx(notch, abs=0.005)
    assert best_gain(network, "allpass") == pytest.approx(allpass, abs=0.005)


@pytest.mark.parametrize("q", [BUTTERWORTH, 2.0, 10.0])
def test_highpass_gain_has_its_closed_form(q) -> None:
    """HP gain 1 - (w0/Q)*C1/(G1 + G2); worked out by hand from the terminals' sum."""
    network = sallen_key_with_gain(q)
    w0, c1, g = 1e4, 1e-8, 1e-4
    assert best_gain(network, "highpass") == pytest.approx(1 - w0 / q * c1 / (2 * g), rel=1e-9)


def test_a_highpass_lift_always_splits_a_capacitor() -> None:
    record = lift_record(sallen_key_with_gain(BUTTERWORTH), kind="highpass", top=8)
    for option in record.options:
        split = [x.terminal.part for x in option.plan.lifts if x.split]
        assert any(name.startswith("C") for name in split)
        assert any("capacitor" in note for note in option.step.notes)


@pytest.mark.parametrize("kind", [k for k in KINDS if k != "lowpass"])
def test_a_unity_gain_sallen_key_reaches_only_its_lowpass_and_the_complement(kind) -> None:
    network = stage("sallen-key-lowpass-unity").circuit()
    w0 = mean_frequency(denominator(network))
    at = {"lowpass-notch": 1.5, "highpass-notch": 0.7}.get(kind)
    at_hz = None if at is None else at * w0 / 2 / math.pi
    assert best_gain(network, kind, at_hz) is None
    assert len([t for t in network.terminals if not t.held]) == 2


@pytest.mark.parametrize("q", [1.0, 5.0, 20.0])
def test_multiple_feedback_bandpass_gives_notch_and_allpass_with_known_gains(q) -> None:
    """Published: single-amplifier notch and all-pass by feeding the + input (Friend, Harris,
    Hilberman, IEEE Trans. CAS-22 (1975) 115-121); gains from the + divider."""
    network = bridged_t_bandpass(q)
    assert best_gain(network, "bandstop") == pytest.approx(2 * q * q / (2 * q * q + 1), rel=1e-9)
    assert best_gain(network, "allpass") == pytest.approx(q * q / (q * q + 1), rel=1e-9)
    assert best_gain(network, "highpass") is None
    assert best_gain(network, "lowpass") is None


@pytest.mark.parametrize(
    "name", ["tow-thomas-bandpass", "tow-thomas-lowpass", "tow-thomas-lowpass-inverting"]
)
@pytest.mark.parametrize("kind", KINDS)
def test_a_tow_thomas_loop_reaches_all_seven_kinds_from_every_output(name, kind) -> None:
    network = stage(name).circuit()
    w0 = mean_frequency(denominator(network))
    at = {"lowpass-notch": 1.5, "highpass-notch": 0.7}.get(kind)
    assert best_gain(network, kind, None if at is None else at * w0 / 2 / math.pi) > 0.05


def test_the_published_single_amplifier_notch_is_a_lift_of_the_bandpass() -> None:
    """Friend's notch: the input also feeds the + input through a divider."""
    lifted = lift_record(bridged_t_bandpass(5.0), kind="bandstop").options[0].network
    assert equivalent(lifted, stage("friend-notch").network) is not None


def test_the_published_two_amplifier_notch_splits_one_resistor() -> None:
    """N. Fliege, NTZ 26 (1973) 279-282 (from memory): the swap of the band-pass, R1 split."""
    values = {"R1": 1e5, "C1": 1e-8, "R2": 1e4, "C2": 1e-8, "R3": 1e4, "R4": 1e4, "R5": 1e4}
    bandpass = stage("fliege-bandpass").network.with_values(values)
    record = lift_record(bandpass, kind="bandstop", top=8)
    notch = stage("fliege-notch").network
    assert any(equivalent(o.network, notch) is not None for o in record.options)


def test_floor_of_a_lifted_butterworth_highpass_is_near_minus_forty_decibels() -> None:
    lifted = lift_record(sallen_key_with_gain(BUTTERWORTH), kind="highpass").options[0]
    (zero,) = [z for z in lifted.zeros if z.frequency_hz == 0]
    assert zero.balanced
    assert zero.count == 2
    assert zero.floor_db == pytest.approx(-40, abs=2)


def test_structural_zeros_have_no_floor() -> None:
    loop = analyse(stage("sallen-key-highpass-unity").circuit())
    (zero,) = transmission_zeros(loop)
    assert (zero.frequency_hz, zero.count, zero.kind, zero.floor_db) == (0.0, 2, "structural", None)


def test_a_balanced_floor_follows_the_tolerance() -> None:
    network = lift_record(bridged_t_bandpass(5.0), kind="bandstop").options[0].network
    floors = [transmission_zeros(analyse(network), tol)[0].floor_db for tol in (0.001, 0.01)]
    assert floors[1] - floors[0] == pytest.approx(20, abs=1)


@settings(max_examples=150, deadline=None)
@given(networks(least_op_amps=1), st.integers(0, 2**32 - 1))
def test_modes_stay_under_every_lift(network, seed) -> None:
    """Any fractions at any free terminals: the natural modes are those of the network before."""
    generator = np.random.default_rng(seed)
    touching = [t.part for t in network.terminals]
    free = [t for t in network.terminals if not t.held and touching.count(t.part) == 1]
    fractions = tuple(
        (t.key, float(generator.choice([0.0, 1.0, generator.uniform(0.05, 0.95)]))) for t in free
    )
    change = LiftTerminals(fractions)
    if change.accepts(network):
        return
    lifted, _ = change.apply(network)
    assert same_multiset(modes(analyse(network)), modes(analyse(lifted)), 1e-5)


def test_the_lifted_numerator_is_the_one_promised() -> None:
    for kind in ("highpass", "bandpass", "bandstop", "allpass"):
        record = lift_record(sallen_key_with_gain(2.0), kind=kind)
        for option in record.options:
            loop = analyse(option.network)
            h = transfer(loop, loop.transfer())
            s = 1j * np.array([2e3, 1e4, 3e4])
            promised = np.polyval(option.numerator, s) / np.polyval(record.denominator, s)
            assert h(s) == pytest.approx(promised, rel=1e-6, abs=1e-9)


def test_a_numerator_may_be_given_by_its_coefficients() -> None:
    record = lift_record(sallen_key_with_gain(2.0), numerator=(1.0, 0.0, 4e7))
    n = record.options[0].numerator
    assert n[1] == 0
    assert n[2] / n[0] == pytest.approx(4e7)


def test_fewest_added_parts_come_first_and_no_plan_twice() -> None:
    record = lift_record(stage("tow-thomas-lowpass").circuit(), kind="highpass", top=5)
    added = [o.plan.cost for o in record.options]
    assert added == sorted(added)
    drives = [tuple(round(x.fraction, 8) for x in o.plan.lifts) for o in record.options]
    assert len(set(drives)) == len(drives)


def test_what_a_loop_reaches_is_said_when_there_is_no_plan() -> None:
    network = stage("sallen-key-lowpass-unity").circuit()
    record = lift_record(network, kind="highpass")
    assert record.options == ()
    assert record.reach.rank == 2
    assert record.reach.signs == ("+", "+", "+")
    assert record.nearest is not None
    assert 0 < record.nearest.deviation < 1


def test_the_nearest_response_is_exact_where_a_plan_exists() -> None:
    network = sallen_key_with_gain(2.0)
    wanted = goal("highpass", denominator(network))
    found = nearest(analyse(network), wanted)
    assert found is not None
    assert found.deviation < 1e-6
    assert reach(analyse(network), wanted).rank == 3


def test_held_terminals_stay() -> None:
    from dataclasses import replace

    network = replace(sallen_key_with_gain(2.0), held=frozenset({"RA"}))
    for option in lift_record(network, kind="bandpass").options:
        assert all(x.fraction == 0 for x in option.plan.lifts if x.terminal.part == "RA")


@pytest.mark.parametrize(
    ("options", "error", "words"),
    [
        ({"kind": "highpas"}, TargetError, "there is no kind highpas"),
        ({"kind": "lowpass-notch"}, TargetError, "needs the frequency of its zero"),
        ({"kind": "lowpass-notch", "at_hz": 10.0}, TargetError, "lies above the poles"),
        ({"kind": "highpass", "at_hz": 10.0}, TargetError, "takes no frequency"),
        ({"numerator": (1.0, 0, 0, 0)}, TargetError, "degree 3 and the loop order 2"),
        ({"numerator": (0.0,)}, TargetError, "the numerator is zero"),
        ({"kind": "highpass", "tolerance": 0.0}, TransformError, "out of range"),
    ],
)
def test_refusals_of_goals(options, error, words) -> None:
    with pytest.raises(error, match=words):
        lift_record(sallen_key_with_gain(2.0), **options)


def test_a_network_without_a_ground_is_refused() -> None:
    follower = stage("voltage-follower").circuit()
    with pytest.raises(TransformError, match="no part touches the ground"):
        lift_record(follower, kind="highpass")


@pytest.mark.parametrize(
    ("fractions", "words"),
    [
        (((("R1", "1"), 1.5),), "must lie in 0..1"),
        (((("R9", "1"), 0.5),), "is no terminal of this network"),
        ((((("R1"), "1"), 0.0), (("C2", "2"), 0.0)), "would not depend on the input"),
    ],
)
def test_refusals_of_lifts(fractions, words) -> None:
    network = stage("sallen-key-lowpass-unity").circuit()
    assert words in LiftTerminals(fractions).accepts(network)
    with pytest.raises(TransformError):
        LiftTerminals(fractions).apply(network)


SCHEMA = json.loads(files("synth").joinpath("schema.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize(
    "arguments",
    [
        ["sallen-key-lowpass-gain", "--to", "highpass"],
        ["sallen-key-lowpass-unity", "--to", "highpass"],
        ["multiple-feedback-bandpass", "--to", "allpass", "--tolerance", "2%"],
        ["tow-thomas-lowpass", "--numerator", "1 0 4e7"],
    ],
)
def test_json_answers_follow_the_schema(arguments, capsys) -> None:
    assert run(["lift", *arguments, "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    Draft202012Validator(SCHEMA).validate(answer)
    assert answer["command"] == "lift"


def test_the_command_writes_the_picked_plan(tmp_path, capsys) -> None:
    target = tmp_path / "hp.cir"
    assert run(["lift", "sallen-key-lowpass-gain", "--to", "highpass", "-o", str(target)]) == 0
    assert "C2a" in target.read_text(encoding="utf-8")
    assert run(["analyse", str(target)]) == 0
    out = capsys.readouterr().out
    assert "balanced" in out


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["sallen-key-lowpass-unity"], "--to KIND or --numerator"),
        (["sallen-key-lowpass-unity", "--to", "highpass", "-o", "x.cir"], "nothing is written"),
        (["sallen-key-lowpass-gain", "--to", "highpass", "--pick", "19"], "there is 1 plan"),
        (["sallen-key-lowpass-gain", "--to", "lowpass-notch=x"], "x"),
        (["sallen-key-lowpass-gain", "--to", "highpass", "--tolerance", "abc"], "abc"),
    ],
)
def test_bad_input_is_one_sentence(arguments, words, capsys, tmp_path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert run(["lift", *arguments]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert len(captured.err.strip().splitlines()) == 1
    assert words in captured.err
    assert not list(tmp_path.iterdir())
