"""Remedies that lead on: put in, they leave nothing serious behind; and what is blamed is to blame.

Expected figures come from closed forms written here.
"""

from __future__ import annotations

import math
import re

import numpy as np
import pytest

from synth.checking.checked import Checked, check
from synth.checking.conditions import Conditions
from synth.checking.findings import Finding
from synth.checking.model import op_amp_model
from synth.network.deck_reader import read_deck
from synth.network.model import Network
from synth.units import parse_si

GENERAL = op_amp_model("general-purpose")
CHARGE = "charge amplifier\nVin in 0 AC 1\nC1 in m 1n\nC2 m out 100p\nXU1 0 m out any\n"
INTEGRATORS = """two integrators, no loop around them
Vin in 0 AC 1
R1 in a 10k
C1 a b 10n
XU1 0 a b any
R2 b c 10k
C2 c out 10n
XU2 0 c out any
"""
TWIN_T = """twin-T and a gain of 2
Vin in 0 AC 1
R1 in a {R1}
R2 a p {R2}
C3 a 0 {C3}
C1 in b {C1}
C2 b p {C2}
R3 b 0 {R3}
XU1 p m out any
R4 out m 10k
R5 m 0 10k
"""


def network(text: str) -> Network:
    return read_deck(text + ".end\n").network


def of(found: Checked, code: str, part: str | None = None) -> list[Finding]:
    return [f for f in found.findings if f.code == code and part in (None, f.part)]


def value(text: str, pattern: str, unit: str) -> float:
    found = re.search(pattern, text)
    assert found, text
    return parse_si(found[1], unit)


def test_a_charge_amplifier_wants_its_resistor_across_the_capacitor() -> None:
    (finding,) = of(check(network(CHARGE), GENERAL), "bias-path")
    size = value(finding.remedy, r"put ([\d.]+ \w+) or less across C2", "ohm")
    assert value(finding.remedy, r"corner is then at ([\d.]+ \w+)", "Hz") == pytest.approx(
        1 / (2 * math.pi * size * 1e-10), rel=5e-3
    )
    # offset, bias current and half the offset current through the resistor
    current = GENERAL.bias_current + GENERAL.offset_current / 2
    offset = GENERAL.offset + current * size
    assert value(finding.remedy, r"offset of U1 up to ([\d.]+ \w+)", "V") == pytest.approx(
        offset, rel=5e-3
    )
    mended = check(network(CHARGE + f"RF m out {size}\n"), GENERAL)
    assert not mended.serious


def test_the_second_integrator_is_told_with_the_first_one_mended() -> None:
    """The first one at 1.3 V gives A0 times its offsets; 380 V, which no rail has, are not fed."""
    found = check(network(INTEGRATORS), GENERAL)
    one, two = (of(found, "dc-saturates", u)[0] for u in ("U1", "U2"))
    first = value(one.remedy, r"put ([\d.]+ \w+) or less across C1", "ohm")
    second = value(two.remedy, r"put ([\d.]+ \w+) or less across C2", "ohm")
    assert "with U1 mended" in two.message
    # (1.3 V + offsets of U2)/10k into the resistor is 1.3 V
    swing = 0.1 * 13.0
    assert second == pytest.approx(1e4 * swing / (swing + GENERAL.offset), rel=5e-3)
    put = INTEGRATORS + f"RA a b {first * 0.99}\nRB c out {second * 0.99}\n"
    assert not of(check(network(put), GENERAL), "dc-saturates")


def test_a_notch_is_told_at_the_frequency_wanted() -> None:
    """Monte Carlo by hand: what parts of 1 % leave at the frequency wanted, and at the minimum."""
    names = {"R1": 1e4, "R2": 1e4, "C3": 20e-9, "C1": 1e-8, "C2": 1e-8, "R3": 5e3}
    text = TWIN_T.format(**names)
    (finding,) = of(check(network(text), GENERAL), "balanced-zero")
    there = float(re.search(r"near (-[\d.]+) dB of the peak", finding.message)[1])  # type: ignore[index]
    moved = float(re.search(r"and (-[\d.]+) dB at the frequency", finding.message)[1])  # type: ignore[index]
    random = np.random.default_rng(7)
    wanted = 1 / (2 * math.pi * 1e4 * 1e-8)
    near = wanted * np.linspace(0.97, 1.03, 301)
    at, least = [], []
    for _ in range(300):
        v = {k: x * (1 + random.uniform(-0.01, 0.01)) for k, x in names.items()}
        size = np.abs(twin_t(np.append(near, wanted), v))
        at.append(size[-1])
        least.append(size.min())
    assert there == pytest.approx(20 * math.log10(float(np.median(at))), abs=1.0)
    assert moved == pytest.approx(20 * math.log10(float(np.median(least))), abs=1.5)
    assert there > moved + 3


def twin_t(f: np.ndarray, v: dict[str, float]) -> np.ndarray:
    """Voltage of the unloaded node p of a twin-T for 1 V, the peak of its response."""
    s = 2j * math.pi * f
    g1, g2, g3 = 1 / v["R1"], 1 / v["R2"], 1 / v["R3"]
    c1, c2, c3 = s * v["C1"], s * v["C2"], s * v["C3"]
    # p = (g2 a + c2 b)/(g2 + c2), a = (g1 + g2 p)/(g1 + g2 + c3), b alike
    own_a, own_b = g1 + g2 + c3, c1 + c2 + g3
    return (g2 * g1 / own_a + c2 * c1 / own_b) / (g2 + c2 - g2 * g2 / own_a - c2 * c2 / own_b)


def test_a_load_that_does_nothing_is_not_blamed() -> None:
    """10 kohm behind 600 ohm is -0.506 dB; 10 kohm at a stiff output is nothing."""
    text = "inverter\nVin in 0 AC 1\nR1 in m 10k\nR2 m out 10k\nXU1 0 m out any\n"
    model = op_amp_model("gbw=10M,a0=1G,p2=inf,rout=1")
    conditions = Conditions(600.0, 600.0, band_hz=(10.0, 1e3))
    (finding,) = of(check(network(text), model, conditions), "source-loading")
    alone = 20 * math.log10(1e4 / 10.6e3)
    assert f"the source alone by {alone:.3f} dB" in finding.message
    assert "follower" not in finding.remedy
    # from R0 with 20 log10(1 + R0/10k) = 0.5 dB
    size = value(finding.remedy, r"from about ([\d.]+ \w+) for 0.5 dB", "ohm")
    assert size == pytest.approx(1e4 * (10 ** (0.5 / 20) - 1), rel=5e-3)


def test_a_load_alone_is_blamed() -> None:
    """600 ohm behind 75 ohm outside the loop; the source drives an op-amp input."""
    text = "follower and a resistor\nVin in 0 AC 1\nXU1 in x x any\nR1 x out 75\n"
    conditions = Conditions(600.0, 600.0, band_hz=(10.0, 1e3))
    (finding,) = of(check(network(text), GENERAL, conditions), "source-loading")
    assert "follower" in finding.remedy
    assert "drive the circuit" not in finding.remedy
    size = value(finding.remedy, r"one of about ([\d.]+ \w+) for", "ohm")
    assert size == pytest.approx(75 / (10 ** (0.5 / 20) - 1), rel=0.01)
