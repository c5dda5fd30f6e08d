"""What a check is made of: one input, a circuit it comes from, op amps at all; what it refuses."""

from __future__ import annotations

import math

import pytest

from synth.cli.main import run

PASSIVE = "rc\nVin in 0 AC 1\nR1 in out 1k\nC1 out 0 1u\n.end\n"
DIFFERENCE = """difference of two gauges
Va a 0 AC 1
Vb b 0 AC 1
R1 a m 10k
R2 m out 10k
R3 b p 10k
R4 p 0 10k
XU1 p m out any
.end
"""
SALLEN_KEY = """low-pass of the buoy
Vin in 0 AC 1
R1 in a 10k
R2 a p 10k
C1 a out 22n
C2 p 0 11n
XU1 p out out any
.end
"""


@pytest.fixture
def put(tmp_path):
    def write(name, text):
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        return str(path)

    return write


def told(capsys, *arguments):
    status = run(["check", *arguments, "--op-amp", "general-purpose"])
    out = capsys.readouterr()
    return status, " ".join((out.out + out.err).split())


def test_an_unrelated_circuit_before_is_refused(put, capsys):
    status, text = told(capsys, put("sk.cir", SALLEN_KEY), "--before", put("rc.cir", PASSIVE))
    assert status == 2
    assert "shares no op amp" in text
    assert "made from" in text


def test_the_circuit_a_swap_was_made_from_is_taken(put, capsys):
    swapped = SALLEN_KEY.replace("R1 in", "R1 0").replace("p 0 11n", "p in 11n")
    arguments = (put("swapped.cir", swapped), "--before", put("sk.cir", SALLEN_KEY))
    status, text = told(capsys, *arguments)
    assert status == 0
    assert "before the change" in text


def test_several_inputs_are_checked_one_at_a_time(put, capsys):
    path = put("difference.cir", DIFFERENCE)
    status, text = told(capsys, path, "--input", "a,b")
    assert status == 2
    assert "name one of them" in text
    assert told(capsys, path, "--input", "a")[0] == 0


@pytest.mark.parametrize("more", [(), ("--supply", "0:5")])
def test_a_circuit_without_op_amps_says_so(put, capsys, more):
    status, text = told(capsys, put("rc.cir", PASSIVE), *more)
    assert status == 0
    assert "op amp: none in this circuit" in text
    assert f"pole f0 {1 / (2 * math.pi * 1e-3):.2f} Hz" in text
    for word in ("supply current", "offset", "amplitude of", "rails"):
        assert word not in text
