"""The figures beside the plain responses, from runs of the circuit simulator ngspice.

Roll-off, stop band, notches and gain errors from its responses with real and ideal op amps;
sensitivities from responses with each part changed; ripple and current of a single supply's
reference; where op amps with an offset and rails come to rest.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest

from synth.analysis.loop import analyse
from synth.analysis.numbers import modes
from synth.analysis.sensitivity import response_sensitivities
from synth.catalog import stage
from synth.checking.checked import check
from synth.checking.conditions import supplied
from synth.checking.figures import figures
from synth.checking.model import op_amp_model
from synth.network.model import Network
from tests import check_decks, transient
from tests.simulator import needs_simulator

MODEL = op_amp_model("gbw=1M,p2=2.5M,rout=120,a0=100k")
STAGES = (
    "sallen-key-lowpass-unity",
    "sallen-key-lowpass-gain",
    "sallen-key-highpass-gain",
    "multiple-feedback-lowpass",
    "multiple-feedback-bandpass",
    "tow-thomas-bandpass",
    "akerberg-mossberg-lowpass",
    "state-variable-highpass",
    "state-variable-notch",
    "fliege-notch",
    "impedance-converter-bandpass",
    "twin-t-notch-gain",
    "third-order-lowpass-unity",
)
every_stage = pytest.mark.parametrize("name", STAGES)


def ideal_deck(network: Network) -> list[str]:
    lines = ["* ideal", f"vdrive {network.input} 0 dc 0 ac 1"]
    lines += [f"{b.name} {b.nodes[0]} {b.nodes[1]} {b.value!r}" for b in network.branches]
    lines += [f"e{u.name} {u.out} 0 {u.plus} {u.minus} 1e6" for u in network.op_amps]
    return lines


def decibels(found: np.ndarray, wanted: np.ndarray) -> np.ndarray:
    return 20 * np.log10(np.abs(found) / np.maximum(np.abs(wanted), 1e-300))


@needs_simulator
@every_stage
def test_roll_off_stop_band_and_gain(name: str) -> None:
    network = stage(name).circuit()
    found = figures(network, MODEL, predistort=False).deviation
    out = f"v({network.output})"
    f, real = check_decks.ac(check_decks.deck(network, MODEL), out, 1.0, 1e8, 400)
    _, ideal = check_decks.ac(ideal_deck(network), out, 1.0, 1e8, 400)
    error, peak = decibels(real, ideal), np.abs(ideal).max()
    assert found.peak == pytest.approx(peak, rel=1e-3)
    near = int(np.argmin(np.abs(np.log(f / found.peak_hz))))
    if np.count_nonzero(np.abs(ideal) >= 0.9999 * peak) > 300:  # a flat top
        assert found.gain_error == pytest.approx(10 ** (error[near] / 20) - 1, abs=2e-3)
    else:
        octave = (f > found.peak_hz / 2) & (f < 2 * found.peak_hz)
        assert found.gain_error == pytest.approx(np.abs(real[octave]).max() / peak - 1, abs=2e-3)
    natural = [abs(p) / (2 * math.pi) for p in modes(analyse(network))]
    counts = (f > 2 * max(natural)) | (np.abs(ideal) > 10**-1.5 * peak)
    for limit, at in ((1.0, found.within_1db.to_hz), (3.0, found.within_3db.to_hz)):
        beyond = f[counts & (f > found.peak_hz) & (np.abs(error) > limit)]
        assert beyond[0] == pytest.approx(at, rel=0.012)
    k = int(np.argmin(np.abs(np.log(f / (10 * max(natural))))))
    assert found.rolloff_db_10f0 is not None
    assert found.rolloff_db_10f0 == pytest.approx(error[k], rel=0.03, abs=0.02)
    if found.rise_db is not None and found.floor_db is not None:
        size, top = np.abs(real), int(np.argmax(np.abs(real)))
        after = decibels(size[f > (found.floor_hz or 0)], np.array([size[top]]))
        assert found.rise_db == pytest.approx(after.max(), abs=0.1)
        low = int(np.argmin(np.abs(np.log(f / (found.floor_hz or 1)))))
        assert found.floor_db == pytest.approx(
            decibels(size[[low]], np.array([size[top]]))[0], abs=0.5
        )


@needs_simulator
@every_stage
def test_the_largest_error_in_a_band(name: str) -> None:
    network = stage(name).circuit()
    low, high = 50.0, 2e4
    d = figures(network, MODEL, band_hz=(low, high), predistort=False).deviation
    out = f"v({network.output})"
    _, real = check_decks.ac(check_decks.deck(network, MODEL), out, low, high, 1000)
    _, ideal = check_decks.ac(ideal_deck(network), out, low, high, 1000)
    error = decibels(real, ideal)
    seen = np.abs(ideal) > 0.1 * np.abs(ideal).max()
    assert abs(d.band_error_db) >= 0.98 * np.abs(error[seen]).max()
    at = d.band_error_hz
    _, real = check_decks.ac(check_decks.deck(network, MODEL), out, at, 1.01 * at, 400)
    _, ideal = check_decks.ac(ideal_deck(network), out, at, 1.01 * at, 400)
    assert d.band_error_db == pytest.approx(decibels(real, ideal)[0], rel=2e-3, abs=1e-4)


NOTCHES = (
    "bainter-notch",
    "fliege-notch",
    "friend-notch",
    "twin-t-notch-gain",
    "state-variable-notch",
    "twin-t-notch-follower",
    "impedance-converter-notch",
    "impedance-converter-lowpass-notch",
    "wien-robinson-notch",
    "multiple-feedback-summing-notch",
)


@needs_simulator
@pytest.mark.parametrize("name", NOTCHES)
def test_depth_of_notches(name: str) -> None:
    network = stage(name).circuit()
    model = op_amp_model("gbw=300k,p2=1M,rout=100,a0=20k")
    found = figures(network, model, predistort=False)
    assert found.notches
    for notch in found.notches:
        low, high = 0.98 * notch.at_hz, 1.02 * notch.at_hz
        lines = check_decks.deck(network, model)
        f, real = check_decks.ac(lines, f"v({network.output})", low, high, 200_000)
        size = np.abs(real) / found.deviation.peak
        k = int(size.argmin())
        assert f[k] == pytest.approx(notch.at_hz, rel=1e-4)
        assert size[k] == pytest.approx(10 ** (notch.depth_db / 20), rel=0.03, abs=3e-5)


# -- sensitivity -----------------------------------------------------------------------------------

STEP = 1e-3


@needs_simulator
@pytest.mark.parametrize("name", STAGES[:11])
def test_sensitivities(name: str) -> None:
    """Of |H| at three frequencies, of the largest gain, and of f0 and Q by fitted poles."""
    network = stage(name).circuit()
    found = figures(network, MODEL, predistort=False)
    f0 = found.poles[0].f0_hz
    low, high = f0 / 20, f0 * 20
    out = f"v({network.output})"
    loop = analyse(network)

    def run(n: Network) -> tuple[np.ndarray, np.ndarray, float, float]:
        lines = ideal_deck(n)
        f, h = check_decks.ac(lines, out, low, high, 15)
        poles = check_decks.fitted_poles(lines, out, low, high)
        wanted = max(modes(loop), key=lambda p: abs(p) / abs(p.real))
        p = min(poles, key=lambda x: abs(x - wanted))
        return f, np.abs(h), abs(p), abs(p) / (-2 * p.real)

    at = [10, 19, 33]
    ours = {(s.part, s.quantity): s.value for s in found.part_sensitivities}
    for k, b in enumerate(network.branches):
        up, down = (
            run(network.with_values({b.name: (b.value or 0) * x})) for x in (1 + STEP, 1 - STEP)
        )
        theirs = np.log(up[1] / down[1]) / (2 * STEP)
        exact = response_sensitivities(loop, up[0][at])[:, k]
        np.testing.assert_allclose(exact, theirs[at], atol=3e-4 + 3e-4 * np.abs(theirs[at]).max())
        for quantity, place in (("f0", 2), ("Q", 3)):
            slope = math.log(up[place] / down[place]) / (2 * STEP)
            assert ours[b.name, quantity] == pytest.approx(slope, abs=2e-3, rel=2e-3)


# -- single supply ---------------------------------------------------------------------------------


@needs_simulator
@pytest.mark.parametrize("name", STAGES[:11])
def test_reference_of_a_single_supply(name: str) -> None:
    """Its ripple at the output, and the current the signal sends into it."""
    network = stage(name).circuit()
    model = supplied(op_amp_model("rail-to-rail-1mhz"), 0.0, 5.0)
    found = check(network, model).facts.single
    assert found is not None
    standing = replace(network.renamed(nodes={"0": "vref"}), reference="0")
    # the op amps' own reference is the supply's ground; the source is at 0 for the ripple
    lines = check_decks.deck(standing, model)
    drive = lines.index(f"vdrive {network.input} 0 dc 0 ac 1.0")
    for ripple in (True, False):
        foot = "0" if ripple else "vref"
        lines[drive] = f"vdrive {network.input} {foot} dc 0 ac {int(not ripple)}"
        put = [*lines, f"vmid vref 0 dc 0 ac {int(ripple)}"]
        at = found.ripple.at_hz if ripple else found.reference_current.at_hz
        what = f"v({network.output})" if ripple else "i(vmid)"
        _, h = check_decks.ac(put, what, at, 1.01 * at, 400)
        wanted = found.ripple.value if ripple else found.reference_current.value
        if not ripple:  # the source stands on the reference: its own current comes back there
            _, own = check_decks.ac(put, "i(vdrive)", at, 1.01 * at, 400)
            h = h - own
        assert abs(h[0]) == pytest.approx(wanted, rel=5e-3, abs=1e-9)


# -- saturation ------------------------------------------------------------------------------------

RESTING = (
    "integrator-inverting",
    "integrator-deboo",
    "tow-thomas-bandpass",
    "state-variable-lowpass",
    "akerberg-mossberg-lowpass",
    "fliege-notch",
    "sallen-key-lowpass-gain",
    "multiple-feedback-bandpass",
    "simulated-inductor-highpass",
    "impedance-converter-bandpass",
)


def at_rest(network: Network, offset: float) -> Mapping[str, float]:
    """Outputs at the end of a long transient, every op amp with this offset and rails."""
    model = op_amp_model(f"gbw=1M,p2=inf,rout=1,slew=inf,iout=inf,a0=100k,offset={abs(offset)}")
    text = transient.deck(network, model, "0", "").splitlines()
    body = text[: text.index(".subckt limited plus minus out")]
    for k, line in enumerate(body):
        if line.startswith("X"):
            name, plus, minus, out, kind = line.split()
            body[k] = f"{name} q{name} {minus} {out} {kind}\nVO{name} q{name} {plus} {-offset!r}"
    rates = [abs(p) for p in modes(analyse(network)) if abs(p) > 0] or [1e4]
    stop = max(50.0, 50 / min(rates))
    cards = f".tran {stop / 100!r} {stop!r} 0 {stop / 2000!r} uic"
    waves = transient.run("\n".join((*body, transient.behavioural(model), cards, ".end", "")))
    return {u.name: float(waves[u.out.lower()][-1]) for u in network.op_amps}


@needs_simulator
@pytest.mark.parametrize("name", RESTING)
def test_who_goes_to_a_rail(name: str) -> None:
    """1 mV of offset, minutes of time: at a rail where the check says so, and only there."""
    network = stage(name).circuit()
    model = op_amp_model("gbw=1M,p2=inf,rout=1,a0=100k,offset=1m,ib=0,ios=0")
    point = check(network, model, predistort=False).facts.small.operating_point
    assert point is not None
    low, high = model.output_range
    rests = [at_rest(network, sign * 1e-3) for sign in (1, -1)]
    for a in point.amplifiers:
        volts = max(abs(r[a.op_amp]) for r in rests)
        assert (volts > 0.95 * high) == a.saturated, (a.op_amp, volts)
        if not a.saturated:
            assert volts <= 1.02 * a.worst_v + 1e-6
    assert low == -high
