"""Where a circuit is judged: its own pass band, and the poles that shape it.

Expected figures come from closed forms written here: an op amp of one pole, ``A = fg/(j f)``, in a
non-inverting amplifier of gain G has ``G/(1 + j f G/fg)``.
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
from synth.report.check import CheckRecord

GENERAL = op_amp_model("general-purpose")
#: One pole, stiff: what the closed forms below take.
ONE_POLE = op_amp_model("gbw=1M,a0=1G,p2=inf,rout=0,slew=0.5V/us,swing=13,iout=1")
COUPLED = """buoy amplifier, coupled by a capacitor
Vin in 0 AC 1
C1 in p 10u
Rb p 0 100k
XU1 p m out any
R2 out m 10k
R1 m 0 1k
"""
CABLE = """cable driver, its load isolated
Vin in 0 AC 1
Rb in 0 100k
XU1 in m out any
R1 m 0 10k
R2 out m 10k
{isolator}
"""


def network(text: str) -> Network:
    return read_deck(text + ".end\n").network


def of(found: Checked, code: str, part: str | None = None) -> list[Finding]:
    return [f for f in found.findings if f.code == code and part in (None, f.part)]


# -- the band --------------------------------------------------------------------------------------


def test_a_coupled_amplifier_is_judged_up_to_where_its_op_amp_ends() -> None:
    """Its only pole is the coupling; 1 V through it slews long before the roll-off fg/11."""
    found = check(network(COUPLED), ONE_POLE, Conditions(level=1.0))
    low, high = found.facts.small.band.signal_hz
    assert high == pytest.approx(1e6 / 11, rel=1e-3)
    assert low == pytest.approx(1 / (2 * math.pi) / 10, rel=1e-3)
    (level,) = of(found, "level")
    # at the end of the band |H| is 11/sqrt(2)
    largest = 0.5e6 / (2 * math.pi * (1e6 / 11) * 11 / math.sqrt(2))
    assert found.facts.levels.largest_input.value == pytest.approx(largest, rel=2e-3)
    assert "slews" in level.message


def test_noise_is_taken_over_the_pass_band() -> None:
    low, high = check(network(COUPLED), ONE_POLE).facts.small.band_hz
    assert low == pytest.approx(1 / (2 * math.pi) / 10, rel=1e-3)
    assert high == pytest.approx(1e7 / 11, rel=1e-3)


def test_the_bias_resistor_does_not_move_the_largest_source() -> None:
    """The remedy of a missing bias path brings a corner far below the band."""
    text = COUPLED.replace("Rb p 0 100k\n", "")
    bare = check(network(text), GENERAL)
    (finding,) = of(bare, "bias-path")
    value = re.search(r"at most ([\d.]+ \w+) to", finding.remedy)
    assert value
    put = check(network(text + f"Rb p 0 {value[1].replace(' Mohm', 'meg')}\n"), GENERAL)
    sizes = [x.facts.levels.largest_input.value for x in (bare, put)]
    assert sizes[1] == pytest.approx(sizes[0], rel=0.01)


def test_a_low_pass_is_judged_a_decade_around_its_pole() -> None:
    text = (
        "lossy inverter\nVin in 0 AC 1\nR1 in m 10k\nR2 m out 10k\nC2 m out 10n\nXU1 0 m out any\n"
    )
    f0 = 1 / (2 * math.pi * 1e-4)
    band = check(network(text), GENERAL).facts.small.band
    assert band.signal_hz == pytest.approx((f0 / 10, 10 * f0), rel=0.02)
    assert not band.by_op_amps


def test_an_integrator_keeps_the_plain_band() -> None:
    text = "integrator\nVin in 0 AC 1\nR1 in m 10k\nC2 m out 10n\nXU1 0 m out any\n"
    assert check(network(text), GENERAL).facts.small.band.signal_hz == (10.0, 1e5)


def test_slewing_at_the_end_that_op_amps_make_is_a_note() -> None:
    """A follower slews at its own end whatever it is for; in a band asked for it is a caution."""
    (note,) = of(check(network(COUPLED), ONE_POLE), "slew-rate")
    (caution,) = of(check(network(COUPLED), ONE_POLE, Conditions(band_hz=(10.0, 5e4))), "slew-rate")
    assert (note.severity, caution.severity) == ("note", "caution")
    assert "--band" in note.remedy
    assert "--band" not in caution.remedy


# -- the poles -------------------------------------------------------------------------------------


def test_an_isolated_load_is_no_f0() -> None:
    """20.3 ohm and 10 nF have a pole at 784 kHz that never reaches the output."""
    bare = check(network(CABLE.format(isolator="CL out 0 10n")), GENERAL)
    (margin,) = of(bare, "phase-margin")
    assert "20.3 ohm between the output of U1" in margin.remedy
    mended = check(network(CABLE.format(isolator="RS out o2 20.3\nCL o2 0 10n")), GENERAL)
    assert not mended.serious
    assert not of(mended, "phase-margin")
    assert not of(mended, "f0-shift")
    assert mended.facts.small.f0_shift is None
    assert {s.quantity for s in mended.facts.small.part_sensitivities} == {"gain"}


def test_the_pole_of_an_isolating_resistor_at_the_output_is_a_note() -> None:
    text = "follower\nVin in 0 AC 1\nXU1 in x x any\nR1 x out 100\nC1 out 0 1n\n"
    (finding,) = of(check(network(text), GENERAL), "f0-shift")
    assert finding.severity == "note"
    assert "beyond the closed-loop bandwidth" in finding.message
    found = check(network(text), GENERAL)
    assert found.facts.small.band.by_op_amps
    assert {f.severity for f in found.findings} == {"note"}


def test_a_sharp_pair_beyond_the_bandwidth_is_judged_all_the_same() -> None:
    """A low-pass wanted at 1 MHz with op amps of 1 MHz is serious, and stays so."""
    text = (
        "too fast\nVin in 0 AC 1\nR1 in a 1k\nR2 a p 1k\nC1 a out 225p\nC2 p 0 112.5p\n"
        "XU1 p out out any\n"
    )
    (finding,) = of(check(network(text), GENERAL), "f0-shift")
    assert finding.severity == "serious"


def test_a_poor_margin_behind_a_small_isolator_is_told() -> None:
    """A pole far beyond the crossover does not excuse the loop's margin."""
    found = check(network(CABLE.format(isolator="RS out o2 3\nCL o2 0 10n")), GENERAL)
    assert of(found, "phase-margin")


# -- beside the ideal response ---------------------------------------------------------------------

BANDPASS = """band-pass of the wave buoy, multiple feedback
Vin in 0 AC 1
R1 in a 15.915k
R2 a 0 799.8
C1 a out 1n
C2 a m 1n
R3 m out 318.3k
XU1 0 m out any
"""


def multiple_feedback(f: np.ndarray, fg: float) -> np.ndarray:
    """H by hand: nodes a and m of the band-pass, the op amp ``-fg/(jf)`` between m and out."""
    s = 2j * math.pi * f
    g1, g2, g3, c = 1 / 15915.0, 1 / 799.8, 1 / 318300.0, 1e-9 * s
    found = []
    for k, x in enumerate(f):
        a = 1j * x / fg  # -v_m = v_out * a
        matrix = np.array(
            [
                [g1 + g2 + 2 * c[k], -c[k], -c[k]],
                [-c[k], c[k] + g3, -g3],
                [0, 1, a],
            ]
        )
        found.append(np.linalg.solve(matrix, np.array([g1, 0, 0]))[2])
    return np.array(found)


def test_within_is_scanned_from_below() -> None:
    """A shifted peak leaves the ideal skirt below the peak, not at it."""
    d = check(network(BANDPASS), ONE_POLE).facts.small.deviation
    f = np.geomspace(1e3, 2e4, 20001)
    real, ideal = multiple_feedback(f, 1e6), multiple_feedback(f, math.inf)
    error = np.abs(20 * np.log10(np.abs(real / ideal)))
    for limit, found in ((1.0, d.within_1db), (3.0, d.within_3db)):
        assert found.from_hz == 0
        assert found.to_hz == pytest.approx(f[np.argmax(error > limit)], rel=1e-3)
    assert d.gain_error == pytest.approx(np.abs(real).max() / np.abs(ideal).max() - 1, abs=1e-5)
    assert d.peak_hz == pytest.approx(f[np.argmax(np.abs(ideal))], rel=1e-4)


def test_the_sensitivity_of_a_band_pass_is_that_of_its_peak() -> None:
    """The largest gain is R3 C2/(R1 (C1 + C2)), whatever R2 is."""
    found = check(network(BANDPASS), GENERAL).facts.small.part_sensitivities
    gain = {s.part: s.value for s in found if s.quantity == "gain"}
    wanted = {"R1": -1.0, "R2": 0.0, "R3": 1.0, "C1": -0.5, "C2": 0.5}
    assert gain == pytest.approx(wanted, abs=1e-5)


def test_a_gain_beyond_the_op_amp_is_nowhere_within_3_db() -> None:
    """Gain 1e5 of A0 = 2e5 is 66 700, -3.5 dB."""
    text = "large gain\nVin in 0 AC 1\nXU1 in m out any\nR1 m 0 10\nR2 out m 1meg\n"
    found = check(network(text), GENERAL)
    assert found.facts.small.deviation.within_3db.to_hz == 0
    assert "nowhere within 3 dB" in str(CheckRecord("large gain", found))


def test_an_integrator_is_near_the_ideal_one_from_below_too() -> None:
    """H = -A/(1 + (1 + A) s T); 1 - H - H' = 1/(1 + A s T/(1 + s T))."""
    text = "integrator\nVin in 0 AC 1\nR1 in m 10k\nC2 m out 10n\nXU1 0 m out any\n"
    model = op_amp_model("gbw=1M,a0=200k,p2=inf,rout=0")
    found = check(network(text), model)
    corner = 1 / (2 * math.pi * 1e-4) / 2e5
    small = found.facts.small
    assert small.deviation.within_3db.from_hz == pytest.approx(
        corner / math.sqrt(10**0.3 - 1), rel=2e-3
    )
    f = np.geomspace(0.1, 10.0, 100001)
    turn = 2j * math.pi * f * 1e-4
    left = np.abs(1 / (1 + turn / (1 + turn) / (1 / 2e5 + 1j * f / 1e6)))
    assert small.defect_1pct_from_hz == pytest.approx(f[np.argmax(left < 0.01)], rel=1e-3)
    text = " ".join(str(CheckRecord("integrator", found)).split())
    assert re.search(r"within 3 dB of the ideal one from [\d.]+ mHz up to", text)
    assert re.search(r"where the ideal one is at -\d\d", text)
