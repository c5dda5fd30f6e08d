"""The swaps of a cascade as steps of the command line: the whole, one stage, each stage.

H of each stage is the textbook's (S. Franco, Design with Operational Amplifiers and Analog
Integrated Circuits, McGraw-Hill, ch. 3, from memory); the products and complements are polynomial
arithmetic of numpy and scipy alone.
"""

from __future__ import annotations

import json

import numpy as np
import pytest
from scipy.signal import freqs

from synth.cli.main import run
from synth.realisation.circuit import read_circuit
from tests import networks as oracle
from tests.simulator import needs_simulator, simulate

CHAIN = """hydrophone: low-pass, band-pass, amplifier with low-pass
VIN in 0 DC 0 AC 1
R1 in a 10k
R2 a p 12k
C1 a v1 22n
C2 p 0 10n
XU1 p v1 v1 opamp
R3 v1 b 20k
R4 b 0 1k
C3 b v2 10n
C4 b m 15n
R5 m v2 100k
XU2 0 m v2 opamp
R6 v2 c 15k
C5 c 0 10n
R7 d 0 10k
R8 d out 27k
XU3 c d out opamp
.ac dec 20 20 200k
.end
"""
Ratio = tuple[np.ndarray, np.ndarray]
C1, C2, C3, C4, C5 = 22e-9, 10e-9, 10e-9, 15e-9, 10e-9
H1 = np.array([1.0]), np.array([1e4 * 12e3 * C1 * C2, (1e4 + 12e3) * C2, 1.0])
H2 = (
    np.array([-1 / (20e3 * C3), 0.0]),
    np.array([1.0, (1 / C3 + 1 / C4) / 100e3, 21e3 / (20e3 * 1e3 * 100e3 * C3 * C4)]),
)
H3 = np.array([3.7]), np.array([15e3 * C5, 1.0])


def one_minus(h: Ratio) -> Ratio:
    return np.polysub(h[1], h[0]), h[1]


def times(*factors: Ratio) -> Ratio:
    top, bottom = np.ones(1), np.ones(1)
    for n, d in factors:
        top, bottom = np.convolve(top, n), np.convolve(bottom, d)
    return top, bottom


CASES = {
    "swap": one_minus(times(H1, H2, H3)),
    "swap=1": times(one_minus(H1), H2, H3),
    "swap=2": times(H1, one_minus(H2), H3),
    "swap=3": times(H1, H2, one_minus(H3)),
    "swap=R3,R4,R5,C3,C4,U2": times(H1, one_minus(H2), H3),
    "swap=1 swap=2": times(one_minus(H1), one_minus(H2), H3),
    "swap=1 swap=2 swap=3": times(one_minus(H1), one_minus(H2), one_minus(H3)),
    "swap=2 swap": one_minus(times(H1, one_minus(H2), H3)),
    "swap=2 swap=2": times(H1, H2, H3),
}
each = pytest.mark.parametrize("steps", CASES)


@pytest.fixture
def chain(tmp_path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "chain.cir").write_text(CHAIN, encoding="utf-8")


def near(found: np.ndarray, h: np.ndarray, tolerance: float) -> bool:
    return bool((np.abs(found - h) <= tolerance * np.abs(h) + tolerance / 100 * abs(h).max()).all())


def test_the_stages_are_found_and_the_chain_is_their_product(chain, capsys) -> None:
    assert run(["analyse", "chain.cir", "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    w = np.geomspace(3e2, 3e5, 40)
    h = freqs(*times(H1, H2, H3), worN=w)[1]
    assert near(freqs(answer["numerator"], answer["denominator"], worN=w)[1], h, 1e-8)
    assert len(answer["stages"]) == 3


@each
def test_h_after_the_steps(steps, chain, capsys) -> None:
    words = steps.split()
    assert run(["transform", "chain.cir", *words, "-o", "after.cir", "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    w = np.geomspace(3e2, 3e5, 40)
    h = freqs(*CASES[steps], worN=w)[1]
    after = answer["after"]
    assert near(freqs(after["numerator"], after["denominator"], worN=w)[1], h, 1e-8)
    written = read_circuit("after.cir").network
    assert near(np.array([oracle.transfer(written, 1j * x) for x in w]), h, 1e-8)
    assert [s["step"] for s in answer["steps"]] == ["swap"] * len(words)
    before = np.roots(np.convolve(np.convolve(H1[1], H2[1]), H3[1]))
    modes = [complex(*m) for m in after["modes"]]
    assert oracle.same_multiset(modes, list(before), 1e-6)


@needs_simulator
@each
def test_the_deck_written_in_the_simulator(steps, chain) -> None:
    assert run(["transform", "chain.cir", *steps.split(), "-o", "after.cir"]) == 0
    with open("after.cir", encoding="utf-8") as file:
        answer = simulate(file.read())
    h = freqs(*CASES[steps], worN=2 * np.pi * answer.frequencies)[1]
    assert len(h) == 81
    assert near(answer.node("out"), h, 1e-3)


def test_the_three_swaps_differ() -> None:
    """The checks can fail: no two of the cases but the two names of stage 2 are alike."""
    w = np.geomspace(3e2, 3e5, 40)
    curves = [freqs(*CASES[k], worN=w)[1] for k in CASES if "R3" not in k]
    for k, a in enumerate(curves):
        assert not any(near(a, b, 1e-3) for b in curves[:k])
