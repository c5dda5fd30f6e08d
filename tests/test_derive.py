"""Routes from a circuit at hand to a wanted kind, and the rework each costs."""

from __future__ import annotations

import json
import math
from importlib.resources import files

import numpy as np
import pytest
from jsonschema import Draft202012Validator

from synth.analysis.loop import analyse
from synth.analysis.numbers import transfer
from synth.catalog import stage
from synth.cli.main import run
from synth.errors import TargetError, TransformError
from synth.network.deck_reader import read_deck
from synth.network.equivalence import equivalent
from synth.network.model import Network
from synth.realisation.derive import derive
from synth.realisation.rework import rework
from synth.transform.drive import Swap
from synth.transform.impedance import ImpedanceSwap

UNITY = stage("sallen-key-lowpass-unity").circuit()
GAIN = stage("sallen-key-lowpass-gain").circuit()
BANDPASS = stage("multiple-feedback-bandpass").circuit()


def routes(network, kind, at_hz=None, fresh=0):
    return {r.name: r for r in derive(network, kind, at_hz, fresh=fresh)}


def test_a_unity_gain_lowpass_becomes_a_highpass_by_rc_cr_only() -> None:
    found = routes(UNITY, "highpass")
    assert [n for n, r in found.items() if r.exact] == ["rc-cr"]
    assert found["rc-cr"].description.zeros_at_origin == 2
    assert found["rc-cr"].rework.changed == ("C1", "C2", "R1", "R2") or len(
        found["rc-cr"].rework.changed
    ) == len(UNITY.branches)


def test_the_complement_is_offered_last_as_only_of_the_kind() -> None:
    found = derive(UNITY, "highpass", fresh=1)
    assert found[0].exact
    weaker = [r for r in found if not r.exact]
    assert [r.name for r in weaker] == ["swap"]
    assert weaker[0].description.zeros_at_origin == 1
    assert found[-1] is weaker[0]


def test_least_rework_comes_first() -> None:
    found = [r for r in derive(GAIN, "bandstop", fresh=1) if r.exact]
    totals = [r.rework.total for r in found]
    assert totals == sorted(totals)
    assert found[-1].name.startswith("fresh circuit")


def test_every_route_does_what_it_says() -> None:
    for network, kind in ((GAIN, "bandpass"), (BANDPASS, "bandstop"), (BANDPASS, "allpass")):
        for r in derive(network, kind, fresh=1):
            loop = analyse(r.network)
            h = transfer(loop, loop.transfer())
            w = 1j * abs(r.response.poles[0]) * np.array([0.3, 1.1, 3.0])
            assert h(w) == pytest.approx(r.response(w), rel=1e-6, abs=1e-9)
            if r.exact and not r.name.startswith("fresh"):
                assert r.description.kind == kind


def test_a_band_pass_of_centre_gain_one_becomes_a_notch_by_swap() -> None:
    """1 - H of a band-pass with centre gain +1 is a notch (Hilberman 1973, from memory)."""
    inverting = routes(BANDPASS, "bandstop")
    assert "swap" not in inverting  # its centre gain is negative
    values = {
        "R1": 1e5,
        "R6": 1e5,
        "C1": 1e-8,
        "R2": 1e4,
        "C2": 1e-8,
        "R3": 1e4,
        "R4": 1e4,
        "R5": 1e4,
    }
    unit = stage("fliege-bandpass-attenuator").network.with_values(values)
    found = routes(unit, "bandstop")["lift"]
    assert found.exact
    # R1 and R6 are equal, so the lift leaves them: two moves less than the swap it equals
    assert found.rework.added == ()
    assert found.rework.total == 2
    assert equivalent(found.network, Swap().apply(unit)[0]) is not None


def test_loop_complement_turns_the_bridged_t_into_a_sallen_key() -> None:
    """A. S. Sedra, J. L. Espinoza, IEEE Trans. CAS-22 (1975) 122-130 (from memory)."""
    bridged = stage("multiple-feedback-bandpass-no-attenuator").circuit()
    found = routes(bridged, "highpass")
    sallen_key = stage("sallen-key-highpass-unity").network
    assert any(equivalent(r.network, sallen_key) is not None for r in found.values())


def test_equivalent_routes_are_offered_once() -> None:
    found = derive(GAIN, "bandpass", fresh=0)
    for k, a in enumerate(found):
        for b in found[:k]:
            same = equivalent(a.network, b.network) is not None
            w = 1j * abs(a.response.poles[0]) * 0.7
            assert not (same and abs(a.response(w) - b.response(w)) < 1e-9 * abs(a.response(w)))


def test_unequal_notches_are_reached_too() -> None:
    f0 = abs(transfer(analyse(GAIN), analyse(GAIN).transfer()).poles[0]) / 2 / np.pi
    found = routes(GAIN, "lowpass-notch", 1.5 * f0)
    assert found
    for r in found.values():
        zeros = [abs(z) / 2 / np.pi for z in r.response.zeros]
        assert zeros == pytest.approx([1.5 * f0] * 2, rel=1e-6)


def test_odd_orders_have_no_band_pass() -> None:
    with pytest.raises(TargetError, match="even order"):
        derive(stage("first-order-lowpass").circuit(), "bandpass")


def test_rework_counts_against_the_steps() -> None:
    swapped, step = Swap().apply(UNITY)
    r = rework(UNITY, swapped, [step])
    assert set(r.moved) == {"R1", "C2"}
    assert (r.changed, r.added, r.removed, r.rewired) == ((), (), (), ())
    mirrored, step = ImpedanceSwap().apply(UNITY)
    r = rework(UNITY, mirrored, [step])
    assert len(r.changed) == 4
    assert r.moved == r.added == ()
    fresh = rework(UNITY, mirrored, None)
    assert len(fresh.added) == 5


SCHEMA = json.loads(files("synth").joinpath("schema.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize("kind", ["highpass", "bandstop"])
def test_json_follows_the_schema(kind, capsys) -> None:
    assert run(["derive", "sallen-key-lowpass-gain", "--to", kind, "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    Draft202012Validator(SCHEMA).validate(answer)
    assert answer["routes"]


def test_the_picked_route_is_written(tmp_path, capsys) -> None:
    path = tmp_path / "hp.json"
    arguments = ["derive", "sallen-key-lowpass-unity", "--to", "highpass", "--fresh", "0"]
    assert run([*arguments, "-o", str(path)]) == 0
    assert run(["analyse", str(path)]) == 0
    assert "highpass of order 2, 2 zeros at the origin" in capsys.readouterr().out


def test_a_route_that_does_not_exist_is_a_sentence(capsys) -> None:
    assert run(["derive", "sallen-key-lowpass-unity", "--to", "highpass", "--pick", "99"]) == 2
    assert len(capsys.readouterr().err.strip().splitlines()) == 1


# -- what an outside tester found ------------------------------------------------------------------


def _twin_t() -> Network:
    """A matched twin-T with positive feedback: one mode cancels in H, not in every terminal."""
    r, c = 22e3, 150e-9
    return read_deck(
        f"""hum trap of the buoy
VIN in 0 DC 0 AC 1
R1 in a {r}
R2 a y {r}
C3 a f {2 * c}
C1 in b {c}
C2 b y {c}
R3 b f {r / 2}
R4 out g 1k
R5 g 0 4k
XU1 y out out opamp
XU2 g f f opamp
.end
"""
    ).network


def test_a_mode_that_cancels_is_no_obstacle():
    """The loop has three modes, H two; the swap of the band-stop is the band-pass."""
    routes = derive(_twin_t(), "bandpass", fresh=0)
    assert routes[0].name == "swap"
    assert routes[0].exact
    assert routes[0].description.order == 2


@pytest.mark.parametrize("name", ["allpass-first-order-lag", "allpass-first-order-lead"])
def test_a_circuit_that_is_the_kind_already_stays_as_it_is(name):
    first = derive(stage(name).circuit(), "allpass", fresh=0)[0]
    assert (first.name, first.rework.total, first.steps) == ("the circuit as it is", 0, ())


def test_a_fresh_notch_has_its_balanced_zero_labelled():
    """The complement of a band-pass: its zero needs parts that match, whatever the rounding."""
    fresh = derive(stage("multiple-feedback-bandpass").circuit(), "bandstop", fresh=1)[-1]
    assert fresh.name.startswith("fresh circuit")
    pair = [z for z in fresh.zeros if 0 < z.frequency_hz < math.inf]
    assert len(pair) == 1
    assert pair[0].balanced == ("swap" in fresh.name)


def test_several_inputs_are_refused():
    network = read_deck(
        "two inputs\nV1 a 0 DC 0 AC 1\nV2 b 0 DC 0 AC 1\nR1 a m 10k\nR2 b m 10k\nR3 m out 10k\n"
        "C1 m out 10n\nXU1 0 m out opamp\n.end\n",
        input_="a,b",
    ).network
    with pytest.raises(TransformError, match="has 2 inputs"):
        derive(network, "highpass")
