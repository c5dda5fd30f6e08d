"""Published biquads are lifts of simpler loops; floors of balanced zeros by draws of our own.

The published transfer functions are typed in here by hand and evaluated with numpy alone; the
networks are those of tests/published/published_stages.json.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import minimize_scalar

from synth.catalog import stage
from synth.network.equivalence import equivalent
from synth.network.model import Network
from synth.report.lift import LiftOption, lift_record
from tests import networks as oracle
from tests.test_published_stages import ENTRIES, network_of

S = 2j * np.pi * np.geomspace(50, 2e4, 9)
R, C = 1e4, 1e-8


def published(name: str) -> Network:
    (entry,) = (e for e in ENTRIES if e["name"] == name)
    return network_of(entry)


def check(option: LiftOption, name: str, h: np.ndarray) -> None:
    """The lifted circuit is the published one, and its H, by nodal analysis, is as published."""
    assert equivalent(option.network, published(name)) is not None
    found = np.array([oracle.transfer(option.network, s) for s in S])
    assert np.abs(found - h).max() < 1e-9 * np.abs(h).max()


# -- one amplifier ---------------------------------------------------------------------------------


@pytest.mark.parametrize("q", [0.8, 3.0, 12.0])
@pytest.mark.parametrize(("kind", "times"), [("bandstop", 1), ("allpass", 2)])
def test_single_amplifier_notch_and_allpass(kind, times, q) -> None:
    """J. J. Friend, C. A. Harris, D. Hilberman, IEEE Trans. CAS-22 (1975) 115-121 (from memory):
    RA/RB = R1 (C1 + C2)/(R2 C2) makes the notch, twice that the all-pass.  The parent is the
    band-pass of T. Deliyannis, Electronics Letters 4 (1968) 577-579 (from memory)."""
    r1, r2, c1, c2 = R, 4 * q * q * R, 2 * C, C
    parts = {"R1": r1, "R2": r2, "C1": c1, "C2": c2}
    parent = stage("multiple-feedback-bandpass-no-attenuator").network.with_values(parts)
    assert equivalent(parent, published("MFB BP without attenuator")) is not None
    (option,) = lift_record(parent, kind=kind).options
    ratio = times * r1 * (c1 + c2) / (r2 * c2)  # RA over RB
    driven = {str(x.terminal): x.fraction for x in option.plan.lifts if x.moved}
    assert driven == {"U1.plus": pytest.approx(1 / (1 + ratio))}
    d1, d0 = (1 / c1 + 1 / c2) / r2, 1 / (r1 * r2 * c1 * c2)
    n1 = d1 - ratio / (r1 * c1)
    h = (S**2 + S * n1 + d0) / (S**2 + S * d1 + d0) / (1 + ratio)
    check(option, "Friend single-amp notch / all-pass (input to + divider)", h)


# -- two amplifiers --------------------------------------------------------------------------------

FLIEGE = {"R1": 5 * R, "C1": C, "R2": R, "C2": C, "R3": 2 * R, "R4": R, "R5": R}


@pytest.mark.parametrize(
    ("name", "parent"),
    [
        ("fliege-allpass", "Fliege all-pass (full complement of gain-2 BP)"),
        ("fliege-bandpass", "Fliege / dual-amplifier band-pass (DABP)"),
    ],
)
def test_two_amplifier_notch_splits_one_resistor(name, parent) -> None:
    """N. Fliege, NTZ 26 (1973) 279-282 (from memory): R1 and R6 of the notch are one resistor of
    the all-pass, and of the band-pass, its ground and input interchanged."""
    loop = stage(name).network.with_values(FLIEGE)
    assert equivalent(loop, published(parent)) is not None
    option = lift_record(loop, kind="bandstop").options[0]
    assert option.added == 1
    assert [x.terminal.part for x in option.plan.lifts if x.split] == ["R1"]
    w2 = 1 / (FLIEGE["R2"] * FLIEGE["R3"] * C * C)
    d1 = 1 / (FLIEGE["R1"] * C)
    check(option, "Fliege notch", (S**2 + w2) / (S**2 + S * d1 + w2))


# -- three amplifiers ------------------------------------------------------------------------------


def feed_forward(n1: float, n0: float) -> tuple[dict[str, float], np.ndarray]:
    """Values, and H, of the three-amplifier biquad: H = -(R6/RH)*(s^2 + s*n1*a + n0*w2)/D with
    D = s^2 + s*a + w2, by the published formulas solved for RG and R4."""
    r1, r2, r3, r5, r6, rh, c1, c2 = 2 * R, R, R, R, R, 1.5 * R, 1.5 * C, C
    a, w2 = 1 / (r1 * c1), r6 / (r2 * r3 * r5 * c1 * c2)
    rg = rh / (r5 * c2 * a * (1 - n1))
    r4 = 1 / (r2 * (n0 * w2 * r5 * c1 * c2 / rh + 1 / (r1 * rg)))
    values = {"R1": r1, "R2": r2, "R3": r3, "R4": r4, "R5": r5, "R6": r6, "RG": rg, "RH": rh}
    h = -(r6 / rh) * (S**2 + S * n1 * a + n0 * w2) / (S**2 + S * a + w2)
    return values | {"C1": c1, "C2": c2}, h


@pytest.mark.parametrize(
    ("kind", "n1", "n0"),
    [
        ("bandstop", 0, 1),
        ("allpass", -1, 1),
        ("lowpass-notch", 0, 2.25),
        ("highpass-notch", 0, 0.49),
    ],
)
def test_three_amplifier_loop_with_feed_forward(kind, n1, n0) -> None:
    """P. E. Fleischer, J. Tow, Proc. IEEE 61 (1973) 662-663 (from memory): RG and RH, from two
    virtual grounds, lie at ground in the parent, where they do nothing: J. Tow, Proc. IEEE 56
    (1968) 1137-1139, L. C. Thomas, IEEE Trans. CT-18 (1971) 350-361 (from memory)."""
    values, h = feed_forward(n1, n0)
    whole = stage("tow-thomas-feed-forward").network.with_values(values)
    parent = whole.with_pins({("RG", "1"): "0", ("RH", "1"): "0"})
    low = np.array([oracle.transfer(parent, s) for s in S])
    a, w2 = 1 / (values["R1"] * values["C1"]), 1 / (R * R * values["C1"] * values["C2"])
    assert np.abs(low + R / values["R4"] * w2 / (S**2 + S * a + w2)).max() < 1e-9
    at_hz = None if n0 == 1 else math.sqrt(n0 * w2) / 2 / math.pi
    found = [
        o
        for o in lift_record(parent, kind=kind, at_hz=at_hz, top=3).options
        if {str(x.terminal): x.fraction for x in o.plan.lifts if x.moved} == {"RG.1": 1, "RH.1": 1}
    ]
    assert len(found) == 1
    assert found[0].added == 0
    name = "Tow-Thomas FT biquad, output at inverter (feed-in to all three amps)"
    check(found[0], name, h)


# -- floors of balanced zeros ----------------------------------------------------------------------

BUTTERWORTH = 1 / math.sqrt(2)
PARENTS = {
    "sallen-key-lowpass-gain": {
        "R1": R,
        "R2": R,
        "C1": C,
        "C2": C,
        "RA": R,
        "RB": R * (2 - 1 / BUTTERWORTH),
    },
    "multiple-feedback-bandpass-no-attenuator": {"R1": R, "R2": 36 * R, "C1": C, "C2": C},
    "fliege-bandpass": FLIEGE,
}


def levels(network: Network, frequency_hz: float, tolerance: float, draws: int) -> np.ndarray:
    """Depth in dB below the peak, draw by draw; at a pair on the axis the least nearby."""
    names, values = zip(*network.values.items(), strict=True)
    generator = np.random.default_rng(20)
    rate = oracle.rate_of(network)
    grid = 1j * rate * np.geomspace(1e-3, 1e3, 301)
    peak = max(abs(oracle.transfer(network, s)) for s in grid)
    found = []
    for _ in range(draws):
        spread = 1 + tolerance * generator.uniform(-1, 1, len(values))
        one = network.with_values(dict(zip(names, np.array(values) * spread, strict=True)))
        if frequency_hz in (0, math.inf):
            left = abs(oracle.transfer(one, 1j * rate * (1e7 if frequency_hz else 1e-7)))
        else:
            w = 2 * math.pi * frequency_hz
            left = minimize_scalar(
                lambda x, one=one, w=w: abs(oracle.transfer(one, 1j * w * x)),
                bounds=(1 - 2 * tolerance, 1 + 2 * tolerance),
                method="bounded",
                options={"maxiter": 18, "xatol": 1e-5},
            ).fun
        found.append(20 * math.log10(left / peak))
    return np.array(found)


@pytest.mark.parametrize(
    ("name", "kind", "tolerance"),
    [
        ("sallen-key-lowpass-gain", "highpass", 0.01),
        ("sallen-key-lowpass-gain", "highpass", 0.05),
        ("sallen-key-lowpass-gain", "bandstop", 0.01),
        ("multiple-feedback-bandpass-no-attenuator", "bandstop", 0.01),
        ("multiple-feedback-bandpass-no-attenuator", "bandstop", 0.1),
        ("fliege-bandpass", "bandstop", 0.02),
    ],
)
def test_a_floor_is_the_median_over_parts_within_their_tolerance(name, kind, tolerance) -> None:
    """As the record defines it: values uniform within the tolerance, dB below the largest |H|."""
    network = stage(name).network.with_values(PARENTS[name])
    option = lift_record(network, kind=kind, tolerance=tolerance, top=1).options[0]
    (zero,) = (z for z in option.zeros if z.balanced)
    found = levels(option.network, zero.frequency_hz, tolerance, 200)
    assert zero.floor_db == pytest.approx(float(np.median(found)), abs=2.5)
    # what a builder may count on: one in twenty is worse than this by no more than 12 dB
    assert float(np.quantile(found, 0.95)) < zero.floor_db + 12


def test_a_floor_at_infinity_is_the_median_too() -> None:
    """The low-pass that a Sallen-Key high-pass with gain is lifted to; same draws."""
    values = {"R1": R, "R2": R, "C1": C, "C2": C, "RA": R, "RB": R * (2 - 1 / BUTTERWORTH)}
    network = stage("sallen-key-highpass-gain").network.with_values(values)
    option = lift_record(network, kind="lowpass", top=1).options[0]
    (zero,) = (z for z in option.zeros if z.balanced)
    assert zero.frequency_hz == math.inf
    found = levels(option.network, math.inf, 0.01, 200)
    assert zero.floor_db == pytest.approx(float(np.median(found)), abs=2.5)


@pytest.mark.parametrize("kind", ["lowpass", "highpass"])
def test_a_double_zero_of_which_one_is_structural_has_a_floor_that_means_something(kind) -> None:
    """With real parts one of the two zeros stays and the other moves off; no level is -6000 dB."""
    circuit = stage("akerberg-mossberg-bandpass").circuit()
    for option in lift_record(circuit, kind=kind, top=1).options:
        assert all(z.floor_db is None or z.floor_db > -300 for z in option.zeros)
