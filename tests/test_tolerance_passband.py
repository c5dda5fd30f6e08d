"""The pass band of a tolerance analysis against formulae and draws of its own."""

import warnings

import numpy as np
import pytest

import synth
from synth.network.deck_reader import read_deck
from synth.tolerances.marks import extrema
from synth.tolerances.passband import limit_within

#: Swell band of the buoy: multiple feedback band-pass, Q 5, 1 kHz.
MFB = """Swell band of the buoy
Vin in 0 AC 1
R1 in a 79.58k
R2 a 0 1.6242k
R3 out m 159.15k
C1 a out 10n
C2 a m 10n
E1 out 0 0 m 1e6
"""
#: Current meter of the buoy: two integrators and an inverter, band-pass with Q 200.
SHARP = """Current meter of the buoy
Vin in 0 AC 1
R1 in x 1meg
R2 x bp 1meg
R3 q x 5k
C1 x bp 10n
R4 bp y 5k
C2 y lp 10n
R5 lp z 10k
R6 z q 10k
E1 bp 0 0 x 1e6
E2 lp 0 0 y 1e6
E3 q 0 0 z 1e6
R7 bp out2 1k
R8 out2 0 1k
E4 out 0 out2 out 1e6
"""


def _edges(f0, q):
    """Half-power frequencies of a second-order band-pass."""
    half = 1 / (2 * q)
    return f0 * (np.sqrt(1 + half**2) - half), f0 * (np.sqrt(1 + half**2) + half)


def _mfb():
    r1, r2, r3, c = 79.58e3, 1.6242e3, 159.15e3, 10e-9
    w0 = np.sqrt((1 / r1 + 1 / r2) / r3) / c
    return w0 / (2 * np.pi), w0 * c * r3 / 2  # the middle coefficient of D is 2/(r3*c)


@pytest.mark.parametrize(
    ("deck", "figures"), [(MFB, _mfb()), (SHARP, (1 / (2 * np.pi * 5e3 * 10e-9), 200.0))]
)
@pytest.mark.parametrize("points", [12, 40, 200])
def test_the_edges_are_where_half_the_power_is(deck, figures, points):
    """To 1e-5: the amplifiers have a gain of a million."""
    network = read_deck(deck).network
    f = np.geomspace(100, 30e3, points)
    found = synth.tolerance(network, frequencies=f, samples=10, corners=False)
    assert found.band == pytest.approx(_edges(*figures), rel=2e-4)
    limit = limit_within(network, 1.0)
    assert (limit.low_hz, limit.high_hz) == found.band


def test_the_parts_that_move_a_sharp_peak_are_named():
    """Shares against the variance of draws over the true band: C1 and C2 move it, not R1, R2.

    H = -(s/(R1*C1)) / (s^2 + s/(R2*C1) + R6/(R3*R4*R5*C1*C2)), by nodal analysis by hand.
    """
    network = read_deck(SHARP).network
    spread = synth.Spread(0.0002, 0.002)
    found = synth.tolerance(network, spread, samples=10, corners=False)
    shares = {p.name: p.share for p in found.sensitivities}
    s = 2j * np.pi * np.geomspace(*found.band, 65)
    nominal = {"R1": 1e6, "R2": 1e6, "R3": 5e3, "R4": 5e3, "R5": 1e4, "R6": 1e4}
    nominal |= {"C1": 1e-8, "C2": 1e-8}
    generator = np.random.default_rng(7)

    def deviation(part):
        size = 0.0002 if part[0] == "R" else 0.002
        v = {n: np.full((4000, 1), x) for n, x in nominal.items()}
        v[part] = v[part] * (1 + generator.uniform(-size, size, (4000, 1)) / 20)
        d = s**2 + s / (v["R2"] * v["C1"])
        d = d + v["R6"] / (v["R3"] * v["R4"] * v["R5"] * v["C1"] * v["C2"])
        return (20 * np.log10(np.abs(s / (v["R1"] * v["C1"]) / d))).var(axis=0).sum()

    moved = {n: deviation(n) for n in nominal}
    total = sum(moved.values())
    for n, x in moved.items():
        assert shares[n] == pytest.approx(x / total, abs=0.02)
    assert shares["C1"] > 0.4


def test_the_yield_is_over_the_true_band():
    """Draws of its own over the half-power band of the MFB band-pass, from its formula."""
    network = read_deck(MFB).network
    limit = limit_within(network, 1.0)
    found = synth.tolerance(network, limits=[limit], samples=4000, corners=False)
    s = 2j * np.pi * np.geomspace(*_edges(*_mfb()), 201)

    def level(r1, r2, r3, c1, c2):
        d = s**2 + s * (c1 + c2) / (r3 * c1 * c2) + (1 / r1 + 1 / r2) / (r3 * c1 * c2)
        return 20 * np.log10(np.abs(s / (r1 * c1) / d))

    generator = np.random.default_rng(3)
    v = np.array([79.58e3, 1.6242e3, 159.15e3, 1e-8, 1e-8])
    size = np.array([0.01, 0.01, 0.01, 0.05, 0.05])
    drawn = v * (1 + size * generator.uniform(-1, 1, (8000, 5)))
    away = np.abs(level(*(x[:, None] for x in drawn.T)) - level(*v)).max(axis=1)
    share = (away <= 1.0).mean()
    assert found.yield_.value == pytest.approx(share, abs=0.03)


def test_no_response_at_all_gives_no_warning():
    """A trap: H is exactly zero at one frequency, and there is no sensitivity there."""
    deck = "Trap\nVin in 0 AC 1\nR1 in out 1k\nL1 out a 10m\nC1 a 0 1u\n"
    network = read_deck(deck).network
    f0 = 1 / (2 * np.pi * np.sqrt(10e-3 * 1e-6))
    spread = synth.Spread(0.01, 0.05, {}, synth.Distribution(), synth.Temperature(-10, 50))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        found = synth.tolerance(network, spread, [f0 / 2, f0, 2 * f0], samples=10)
        assert extrema(np.array([-np.inf, -np.inf, 0.0, -3.0, -1.0])) == [2, 3]
    assert found.nominal_db[1] == -np.inf
    assert np.isfinite(found.nominal_db[[0, 2]]).all()
