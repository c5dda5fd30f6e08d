"""Where a circuit is judged: its own pass band, and the poles that shape it.

Expected figures come from closed forms written here: an op amp of one pole, ``A = fg/(j f)``, in a
non-inverting amplifier of gain G has ``G/(1 + j f G/fg)``.
"""

from __future__ import annotations

import math
import re

import pytest

from synth.checking.checked import Checked, check
from synth.checking.conditions import Conditions
from synth.checking.findings import Finding
from synth.checking.model import op_amp_model
from synth.network.deck_reader import read_deck
from synth.network.model import Network

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


def test_the_pole_of_an_isolating_resistor_at_the_output_is_a_note() -> None:
    text = "follower\nVin in 0 AC 1\nXU1 in x x any\nR1 x out 100\nC1 out 0 1n\n"
    (finding,) = of(check(network(text), GENERAL), "f0-shift")
    assert finding.severity == "note"
    assert "beyond the closed-loop bandwidth" in finding.message


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
