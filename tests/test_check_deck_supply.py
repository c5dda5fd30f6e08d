"""Rails and rests that a deck itself names.

Expected voltages are those of dividers and gains computed here by hand.
"""

from __future__ import annotations

import math

import pytest

from synth.checking.checked import check
from synth.checking.conditions import on_supplies
from synth.checking.deck_supply import deck_supply
from synth.checking.model import op_amp_model
from synth.cli.main import run
from synth.network.deck_reader import read_deck

GENERAL = op_amp_model("general-purpose")
SINGLE = """buoy amplifier on one supply, gain -10
Vcc vcc 0 {volts}
Vin src 0 AC 1
Cin src x 1u
R1 x m 10k
R2 m out 100k
RA vcc mid {top}
RB mid 0 100k
CB mid 0 10u
XU1 mid m vcc 0 out any
.end
"""


def deck(volts="5", top="100k"):
    return SINGLE.format(volts=volts, top=top)


@pytest.mark.parametrize("volts", ["5", "DC 5", "dc 5 AC 0", "5V"])
def test_rails_come_from_the_sources_at_the_pins(volts):
    network = read_deck(deck(volts)).network
    model, said = on_supplies(GENERAL, network, False)
    assert (model.supply_negative, model.supply_positive) == (0.0, 5.0)
    assert model.output_range == (2.0, 3.0)
    assert "0 V and 5 V" in said[0]


def test_rails_asked_for_win_and_the_difference_is_said():
    network = read_deck(deck()).network
    model, said = on_supplies(GENERAL, network, True)
    assert model is GENERAL
    assert "other rails" in said[0]


@pytest.mark.parametrize(
    "text",
    [
        deck("{volts}"),  # a parameter that nobody gives
        "on ideal rails\nVin in 0 AC 1\nR1 in m 1k\nR2 m out 1k\nXU1 0 m out any\n.end\n",
    ],
)
def test_a_deck_without_rails_leaves_the_model_alone(text):
    network = read_deck(text).network
    assert on_supplies(GENERAL, network, False) == (GENERAL, ())


def test_a_deck_that_biases_itself_rests_where_its_divider_says():
    """150k and 100k from 5 V: 2 V at both inputs and the output, which no direct current leaves."""
    network = read_deck(deck(top="150k")).network
    model, _ = on_supplies(op_amp_model("rail-to-rail-1mhz"), network, False)
    found = check(network, model)
    (amplifier,) = found.facts.levels.amplifiers
    assert amplifier.rest_v == pytest.approx(2.0, abs=1e-3)
    assert amplifier.input_rest_v == pytest.approx(2.0, abs=1e-3)
    offset = found.facts.small.operating_point.amplifiers[0].worst_v
    room = 2.0 - model.output_range[0]
    assert amplifier.room_v == pytest.approx(room - offset, abs=1e-3)
    (finding,) = [f for f in found.findings if f.code.startswith("single-supply")]
    assert "RB.2" not in finding.message + finding.remedy
    assert finding.severity == "note"


def test_a_rest_beyond_the_swing_is_serious():
    """400k and 100k from 5 V: 1 V, where outputs of 2 V to 3 V never come."""
    network = read_deck(deck(top="400k")).network
    model, _ = on_supplies(GENERAL, network, False)
    (finding,) = [f for f in check(network, model).findings if f.code == "single-supply"]
    assert finding.severity == "serious"
    assert "U1 at 1 V" in finding.message


def test_a_reference_that_the_deck_holds_is_not_asked_for_again():
    network = read_deck(deck(), ground="mid").network
    found = deck_supply(network)
    assert found is not None
    assert found.reference_v == pytest.approx(2.5)
    assert found.bypass == (("CB", pytest.approx(1e-5)),)
    model, _ = on_supplies(GENERAL, network, False)
    checked = check(network, model)
    by_code = {f.code: f for f in checked.findings}
    assert by_code["single-supply"].severity == "note"
    assert by_code["single-supply"].remedy.startswith("none needed")
    low = checked.facts.levels.band_hz[0]
    ohm = 1 / (2 * math.pi * low * 1e-5)
    assert f"bypassed by CB: {ohm / 1e3:.3g} kohm" in by_code["single-supply-ripple"].remedy


def test_a_reference_far_off_the_middle_is_a_caution():
    """150k and 100k: 2 V, where the outputs of a rail-to-rail op amp have 5 V to share."""
    network = read_deck(deck(top="150k"), ground="mid").network
    model, _ = on_supplies(op_amp_model("rail-to-rail-1mhz"), network, False)
    (finding,) = [f for f in check(network, model).findings if f.code == "single-supply"]
    assert "at 2 V" in finding.message
    low, high = checked_window(model)
    off = min(2.0 - low, high - 2.0) < 0.8 * (high - low) / 2
    assert (finding.severity == "caution") == off


def checked_window(model):
    low = max(model.output_range[0], model.common_mode_range[0])
    return low, min(model.output_range[1], model.common_mode_range[1])


def test_the_command_says_which_rails_it_takes(tmp_path, capsys):
    path = tmp_path / "buoy.cir"
    path.write_text(deck(), encoding="utf-8")
    assert run(["check", str(path), "--op-amp", "general-purpose"]) == 0
    assert "rails 0 V and 5 V" in " ".join(capsys.readouterr().out.split())
