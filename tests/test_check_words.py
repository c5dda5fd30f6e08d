"""Small things a user meets: limits by the model given, shares and rails as written, one finding
for one op amp, the loose node by name, and an explanation of the circuits shown."""

from __future__ import annotations

import re

import pytest

from synth.checking.checked import check
from synth.checking.conditions import Conditions
from synth.checking.model import op_amp_model
from synth.cli.main import run
from synth.errors import NumberError, SingularError
from synth.network.deck_reader import read_deck
from synth.target.target import MEETS_DB

BANDPASS = """band-pass of the wave buoy
Vin in 0 AC 1
R1 in a 15.915k
R2 a 0 799.8
C1 a out 1n
C2 a m 1n
R3 m out 318.3k
XU1 0 m out any
.end
"""
GAUGES = """three op amps for a gauge
Vin in 0 AC 1
XU1 in a o1 any
XU2 0 b o2 any
RG a b 1k
R1 o1 a 10k
R2 o2 b 10k
R3 o1 c 10k
R4 c out 10k
R5 o2 d 10k
R6 d 0 10k
XU3 d c out any
.end
"""


def network(text):
    return read_deck(text).network


def test_the_fastest_model_is_checked():
    """Remedies try faster op amps than any that a model may name; that is no fault of the model."""
    found = check(network(BANDPASS), op_amp_model("gbw=1T"))
    assert abs(found.facts.small.f0_shift) < 1e-4


def test_the_slowest_model_is_checked():
    text = (
        "slow\nVin in 0 AC 1\nR1 in m 1meg\nR2 m out 1meg\nC2 m out 1000u\nXU1 0 m out any\n.end\n"
    )
    assert check(network(text), op_amp_model("gbw=1m")).facts.small.model.gain_bandwidth == 1e-3


def test_a_swing_beyond_the_rails_is_named_as_given():
    with pytest.raises(NumberError, match=r"swing=20 is more than the rails of -15 V and 15 V"):
        op_amp_model("swing=20")
    assert op_amp_model("swing=20,supply=25").output_range == (-20.0, 20.0)


def test_both_rails_in_a_list():
    model = op_amp_model("supply=0:5,swing=2.4")
    assert (model.supply_negative, model.supply_positive) == (0.0, 5.0)
    assert model.output_range == pytest.approx((0.1, 4.9))


@pytest.mark.parametrize("text", ["1%", "1 %", "0.01"])
def test_a_tolerance_in_per_cent(tmp_path, capsys, text):
    path = tmp_path / "buoy.cir"
    path.write_text(BANDPASS, encoding="utf-8")
    arguments = ["check", str(path), "--op-amp", "general-purpose", "--json"]
    assert run([*arguments, "--tolerance", text]) == 0
    assert '"tolerance": 0.01' in capsys.readouterr().out


def test_one_finding_for_one_op_amp():
    model = op_amp_model("vcc=12,vee=0")
    found = check(network(GAUGES), model, Conditions(level=1.0))
    told = [f for f in found.findings if f.code == "level"]
    assert sorted(f.part for f in told) == ["U1", "U2", "U3"]
    third = next(f for f in told if f.part == "U3")
    limits = found.facts.levels.amplifier("U3").limits
    assert sum(peak.value < 1.0 for _, peak in limits) == 3
    assert third.message.count(" on, at ") == 3
    least = min(peak.value for _, peak in limits)
    shown = float(re.search(r"source below ([\d.]+) mV", third.remedy)[1])
    assert shown == pytest.approx(1e3 * least, rel=5e-3)


def test_a_comparator_is_named_with_its_output():
    text = (
        "comparator\nVin in 0 AC 1\nR1 in p 10k\nR2 p 0 10k\nXU1 p 0 out any\nRL out 0 1k\n.end\n"
    )
    with pytest.raises(SingularError, match=r"node out is not determined: .* output of U1"):
        check(network(text), op_amp_model("general-purpose"))


def test_the_explanation_keeps_to_the_circuits_shown(capsys):
    arguments = ["realise", "lowpass", "--at", "1kHz", "--q", "0.7", "--op-amp", "general-purpose"]
    assert run([*arguments, "--explain-rank", "--top", "3"]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert re.findall(r"(\d+) is before (\d+)", text) == [("1", "2"), ("2", "3")]
    assert f"times the error allowed ({MEETS_DB:g} dB" in text
