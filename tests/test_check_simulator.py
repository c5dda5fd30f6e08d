"""Small-signal figures of circuits with real op amps against the circuit simulator ngspice.

Same circuits, same op amp (A0, two poles, output resistance, offset, bias and noise sources), an
independent program: response, complement defect, return ratio, noise, operating point, loading.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from synth.analysis.amplifier import same_everywhere
from synth.analysis.loop import analyse
from synth.analysis.numbers import modes
from synth.analysis.real import real_system
from synth.analysis.roots import real_roots
from synth.analysis.sweep import Sweep
from synth.catalog import stage
from synth.checking.figures import figures
from synth.checking.loading import with_source_and_load
from synth.checking.model import op_amp_model
from synth.checking.operating_point import at_dc, offset_sources, operating_point
from synth.checking.predistortion import predistorted
from synth.network.model import Network
from synth.transform.drive import Swap
from tests import check_decks
from tests.networks import same_multiset
from tests.simulator import needs_simulator

STAGES = (
    "sallen-key-lowpass-unity",
    "sallen-key-lowpass-gain",
    "sallen-key-highpass-gain",
    "multiple-feedback-lowpass",
    "multiple-feedback-bandpass",
    "tow-thomas-bandpass",
    "tow-thomas-feed-forward",
    "akerberg-mossberg-lowpass",
    "state-variable-highpass",
    "state-variable-notch",
    "fliege-notch",
    "impedance-converter-bandpass",
    "twin-t-notch-gain",
    "third-order-lowpass-unity",
)
#: Circuits on which the simulator's pole-zero analysis comes to an end.
POLE_STAGES = (
    "sallen-key-lowpass-unity",
    "sallen-key-highpass-unity",
    "sallen-key-bandpass-unity",
    "multiple-feedback-lowpass",
    "multiple-feedback-bandpass",
    "multiple-feedback-lowpass-third-order",
    "deliyannis-bandpass",
    "fliege-bandpass",
    "fliege-highpass",
    "fliege-notch",
    "friend-notch",
    "third-order-lowpass-unity",
    "twin-t-notch-gain",
    "lead-lag-inverting",
)
PREDISTORTED_STAGES = (
    "sallen-key-lowpass-unity",
    "sallen-key-highpass-unity",
    "multiple-feedback-lowpass",
    "multiple-feedback-bandpass",
    "deliyannis-bandpass",
    "fliege-bandpass",
    "third-order-lowpass-unity",
    "tow-thomas-lowpass",
    "tow-thomas-feed-forward",
    "state-variable-highpass",
    "akerberg-mossberg-bandpass",
    "impedance-converter-lowpass-notch",
    "sallen-key-lowpass-gain",
    "sallen-key-highpass-gain",
)
#: Without 1/f corners; `test_noise_with_corners` has them.
MODEL = op_amp_model(
    "gbw=1M,p2=2.5M,rout=120,a0=100k,offset=1m,ib=80n,ios=20n,en=20n,in=0.6p,"
    "en_corner=0,in_corner=0"
)
every_stage = pytest.mark.parametrize("name", STAGES)


def sweep(network: Network, frequencies: np.ndarray) -> Sweep:
    return Sweep(real_system(network, same_everywhere(network, MODEL.amplifier)), frequencies)


@needs_simulator
@every_stage
def test_response(name: str) -> None:
    network = stage(name).circuit()
    f, h = check_decks.ac(check_decks.deck(network, MODEL), f"v({network.output})", 10.0, 1e7)
    ours = sweep(network, f).transfer
    assert np.abs(ours - h).max() < 1e-6 * np.abs(h).max()
    assert np.abs(ours / h - 1).max() < 1e-3  # deep in stop bands and notches too


@needs_simulator
@every_stage
def test_complement_defect(name: str) -> None:
    network = stage(name).circuit()
    swapped, _ = Swap().apply(network)
    limit = figures(network, MODEL, predistort=False).defect_1pct_hz
    low, high = limit * 0.9, limit * 1.1
    _, h = check_decks.ac(check_decks.deck(network, MODEL), f"v({network.output})", low, high, 2000)
    f, other = check_decks.ac(
        check_decks.deck(swapped, MODEL), f"v({swapped.output})", low, high, 2000
    )
    defect = np.abs(h + other - 1)
    first = f[int(np.flatnonzero(defect > 0.01)[0])]
    assert first == pytest.approx(limit, rel=2e-3)


@needs_simulator
@every_stage
def test_phase_and_gain_margin(name: str) -> None:
    network = stage(name).circuit()
    for row in figures(network, MODEL, predistort=False).margins:
        lines = check_decks.deck(network, MODEL, opened=row.op_amp, drive=0.0)
        f, back = check_decks.ac(lines, f"v(x_{row.op_amp.lower()})", 1e4, 1e8, 400)
        t = -back
        np.testing.assert_allclose(sweep(network, f).return_ratio(row.op_amp), t, rtol=1e-4)
        k = int(np.flatnonzero((np.abs(t[1:]) < 1) & (np.abs(t[:-1]) >= 1))[-1])
        share = np.log(np.abs(t[k])) / np.log(np.abs(t[k]) / np.abs(t[k + 1]))
        phase = np.unwrap(np.angle(-t))[k : k + 2]
        margin = np.degrees(phase[0] + share * (phase[1] - phase[0]))
        margin = abs((margin + 180) % 360 - 180)
        if row.crossover_hz is not None and row.crossover_hz > 1e4:
            assert row.phase_margin_deg == pytest.approx(margin, abs=0.05)
            assert row.crossover_hz == pytest.approx(f[k], rel=0.01)


@needs_simulator
@every_stage
def test_noise(name: str) -> None:
    network = stage(name).circuit()
    low, high = 10.0, 1e5
    found = figures(network, MODEL, band_hz=(low, high), predistort=False).noise
    lines = check_decks.deck(network, MODEL, noisy=True)
    f, density, total = check_decks.noise(lines, network.output, low, high)
    np.testing.assert_allclose(found.density(f), density, rtol=2e-3)
    by_hand = np.sqrt(np.trapezoid(density**2, f))
    assert found.vrms == pytest.approx(by_hand, rel=5e-3)
    assert total == pytest.approx(by_hand, rel=0.02)  # the simulator's own sum
    assert found.vrms == pytest.approx(total, rel=0.02)


@needs_simulator
@every_stage
def test_noise_with_corners(name: str) -> None:
    """Voltage and current noise that rises as 1/f below corners inside the band."""
    network = stage(name).circuit()
    low, high = 10.0, 1e5
    model = replace(MODEL, noise_voltage_corner=300.0, noise_current_corner=3e3)
    found = figures(network, model, band_hz=(low, high), predistort=False).noise
    lines = check_decks.deck(network, model, noisy=True)
    f, density, total = check_decks.noise(lines, network.output, low, high)
    np.testing.assert_allclose(found.density(f), density, rtol=2e-3)
    assert found.vrms == pytest.approx(total, rel=0.02)
    white = figures(network, MODEL, band_hz=(low, high), predistort=False).noise
    assert found.density(f[:1]) > 1.2 * white.density(f[:1])


@needs_simulator
@pytest.mark.parametrize("name", [*STAGES, "multiple-feedback-highpass", "inverting-summer"])
def test_operating_point(name: str) -> None:
    network = stage(name).circuit()
    outputs = [u.out for u in network.op_amps]
    nodes = list(dict.fromkeys([*outputs, network.output]))
    simulated = check_decks.operating_point(check_decks.deck(network, MODEL, offsets=True), nodes)
    system, inverse = at_dc(network, MODEL)
    sources = offset_sources(system, inverse, MODEL)
    for node in nodes:
        ours = sources[:, system.index[node]]
        assert ours.sum() == pytest.approx(simulated[node], rel=1e-4, abs=1e-9), node
    point = operating_point(network, MODEL)
    assert point is not None
    parts = sources @ system.output
    assert point.output_worst_v == pytest.approx(np.abs(parts).sum())
    assert point.output_rms_v == pytest.approx(np.sqrt((parts**2).sum()))


@needs_simulator
@every_stage
def test_source_and_load(name: str) -> None:
    network = stage(name).circuit()
    found = figures(network, MODEL, source_resistance=1e3, load=2e3, predistort=False).loading
    assert found is not None
    put = with_source_and_load(network, 1e3, 2e3)
    f, bare = check_decks.ac(
        check_decks.deck(network, MODEL), f"v({network.output})", 1.0, 1e6, 200
    )
    _, loaded = check_decks.ac(check_decks.deck(put, MODEL), f"v({put.output})", 1.0, 1e6, 200)
    change = 20 * np.log10(np.abs(loaded / bare))
    band = (f >= found.band_hz[0]) & (f <= found.band_hz[1])
    seen = band & (np.abs(bare) > 0.72 * np.abs(bare[band]).max())
    assert seen.any()
    inside = f[0] < found.worst_error_hz < f[-1]
    if inside:
        near = int(np.argmin(np.abs(np.log(f / found.worst_error_hz))))
        assert found.worst_error_db == pytest.approx(change[near], rel=0.05, abs=0.01)
        assert abs(found.worst_error_db) >= 0.98 * np.abs(change[seen]).max()
    _, current = check_decks.ac(check_decks.deck(network, MODEL), "i(vdrive)", 1.0, 1e6, 200)
    near = int(np.argmin(np.abs(np.log(f / found.input_impedance_min_hz))))
    if 1.0 < found.input_impedance_min_hz < 1e6:
        assert found.input_impedance_min_ohm == pytest.approx(1 / abs(current[near]), rel=0.02)
    np.testing.assert_allclose(sweep(network, f).input_current(), -current, rtol=1e-4)


@needs_simulator
@pytest.mark.parametrize("name", POLE_STAGES)
def test_shifted_poles(name: str) -> None:
    """The simulator's pole-zero analysis, on circuits where it finds every pole."""
    network = stage(name).circuit()
    simulated = check_decks.poles(check_decks.deck(network, MODEL), network.input, network.output)
    found = real_roots(network, MODEL.amplifier)
    assert same_multiset(simulated, found.all_poles, 1e-8)
    for p in found.poles:
        assert min(abs(p.real - x) for x in simulated) < 1e-9 * abs(p.real)


@needs_simulator
@pytest.mark.parametrize("name", PREDISTORTED_STAGES)
def test_predistorted_values_have_the_wanted_poles(name: str) -> None:
    """By the simulator's pole-zero analysis, or poles fitted to its AC analysis."""
    network = stage(name).circuit()
    put_back = predistorted(network, MODEL)
    assert put_back.possible
    worst = []
    for n in (network, put_back.network):
        lines = check_decks.deck(n, MODEL)
        if name in POLE_STAGES:
            simulated = check_decks.poles(lines, n.input, n.output)
        else:
            simulated = list(check_decks.fitted_poles(lines, f"v({n.output})", 10.0, 1e6))
        wanted = modes(analyse(network))
        worst.append(max(min(abs(w - x) for x in simulated) / abs(w) for w in wanted))
    assert worst[0] > 2e-4
    assert worst[1] < 2e-5  # six digits


@needs_simulator
@pytest.mark.parametrize("name", POLE_STAGES[:12:3])
def test_fitted_poles_are_those_of_the_pole_zero_analysis(name: str) -> None:
    network = stage(name).circuit()
    lines = check_decks.deck(network, MODEL)
    simulated = check_decks.poles(lines, network.input, network.output)
    fitted = check_decks.fitted_poles(lines, f"v({network.output})", 10.0, 1e6)
    for wanted in modes(analyse(network)):
        pole = min(simulated, key=lambda x, w=wanted: abs(x - w))
        assert min(abs(pole - x) for x in fitted) < 1e-7 * abs(pole)
