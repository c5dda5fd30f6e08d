"""A pre-distorted circuit checked again, and circuits with nothing to put back."""

from __future__ import annotations

import json
import re
from importlib.resources import files

import jsonschema
import numpy as np
import pytest

from synth.cli.main import run
from synth.units import parse_si

SCHEMA = json.loads(files("synth").joinpath("schema.json").read_text(encoding="utf-8"))
CHECK = jsonschema.Draft202012Validator({**SCHEMA["$defs"]["check"], "$defs": SCHEMA["$defs"]})
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


def text_of(capsys, *arguments):
    status = run(["check", *map(str, arguments)])
    return status, " ".join(capsys.readouterr().out.split())


@pytest.fixture
def bandpass(tmp_path):
    path = tmp_path / "buoy.cir"
    path.write_text(BANDPASS, encoding="utf-8")
    return path


def wanted_hz():
    """sqrt((G1 + G2) G3)/(2 pi C) of equal capacitors."""
    return np.sqrt((1 / 15915 + 1 / 799.8) / 318300) / (2 * np.pi * 1e-9)


def test_what_was_pre_distorted_is_judged_by_what_was_wanted(bandpass, tmp_path, capsys):
    saved = tmp_path / "back.json"
    arguments = ("--op-amp", "general-purpose")
    assert text_of(capsys, bandpass, *arguments, "--predistort", "-o", saved)[0] == 0
    _, text = text_of(capsys, saved, *arguments)
    assert "f0-shift" not in text
    assert "q-shift" not in text
    _, other = text_of(capsys, saved, "--op-amp", "gbw=800k")
    found = re.search(
        r"f0 is (-[\d.]+) % off what was wanted .*?, a real f0 of ([\d.]+ kHz)", other
    )
    assert found
    real = parse_si(found[2], "Hz")
    assert real / wanted_hz() - 1 == pytest.approx(float(found[1]) / 100, abs=1e-4)


def test_a_deck_is_told_the_real_f0(bandpass, tmp_path, capsys):
    """A deck does not say that it is pre-distorted; the real f0 in the finding does."""
    deck = tmp_path / "back.cir"
    arguments = ("--op-amp", "general-purpose")
    assert text_of(capsys, bandpass, *arguments, "--predistort", "-o", deck)[0] == 0
    _, text = text_of(capsys, deck, *arguments)
    found = re.search(r"to a real f0 of ([\d.]+ kHz)", text)
    assert found
    assert parse_si(found[1], "Hz") == pytest.approx(wanted_hz(), rel=1e-4)
    assert f"unless a real f0 of {found[1]} is wanted" in text


def test_a_passive_circuit_has_nothing_to_put_back(tmp_path, capsys):
    path, out = tmp_path / "rc.cir", tmp_path / "back.cir"
    path.write_text("rc\nVin in 0 AC 1\nR1 in out 1k\nC1 out 0 1u\n.end\n", encoding="utf-8")
    _, text = text_of(capsys, path, "--op-amp", "general-purpose", "--predistort")
    assert "nothing to put back" in text
    assert "worst shift" not in text
    arguments = ["--op-amp", "general-purpose", "--predistort", "-o", str(out)]
    assert run(["check", str(path), *arguments]) == 2
    assert "build the circuit as it is" in capsys.readouterr().err
    assert not out.exists()


def test_a_gain_alone_is_put_back_as_such(tmp_path, capsys):
    """A gain of 101 is 101/(1 + 101/A0): -0.0505 % with A0 = 200 000."""
    path = tmp_path / "gain.cir"
    text = "gain\nVin in 0 AC 1\nXU1 in m out any\nR1 m 0 1k\nR2 out m 100k\n.end\n"
    path.write_text(text, encoding="utf-8")
    _, told = text_of(capsys, path, "--op-amp", "gbw=1M,a0=200k", "--predistort")
    assert "values that put the gain back" in told
    assert "worst shift" not in told
    found = re.search(
        r"gain error \S+ % \(before: (\S+) %\)|gain error 0 % \(before: (\S+) %\)", told
    )
    assert found
    error = 1 / (1 + 101 / 2e5) - 1
    assert float(found[1] or found[2]) / 100 == pytest.approx(error, rel=0.01)


@pytest.mark.parametrize("flags", [(), ("--quiet",)])
def test_names_that_no_deck_takes_give_no_netlist(tmp_path, capsys, flags):
    path = tmp_path / "names.cir"
    text = "names\nVin in 0 AC 1\nRß in m 10k\nRé m out 4.7k\nXµ 0 m out any\n.end\n"
    path.write_text(text, encoding="utf-8")
    assert run(["check", str(path), "--op-amp", "general-purpose", "--json", *flags]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert not list(CHECK.iter_errors(answer))
    assert answer["predistortion"]["netlist"] is None
