"""Pre-distortion: the wanted poles and zeros come back, and how well that holds.

That the simulator finds the same poles is in test_check_simulator.py.
"""

from __future__ import annotations

import numpy as np
import pytest

from synth.analysis.amplifier import same_everywhere
from synth.analysis.loop import analyse
from synth.analysis.numbers import modes, transfer
from synth.analysis.real import real_system
from synth.catalog import stage, stages
from synth.checking.model import op_amp_model
from synth.checking.predistortion import LARGEST_CHANGE, predistorted
from synth.network.model import Network

MODEL = op_amp_model("general-purpose")
#: What six digits in every value leave of poles, zeros and gain.
ROUNDED = 2e-5
POSSIBLE = (
    "sallen-key-lowpass-unity",
    "sallen-key-lowpass-gain",
    "sallen-key-highpass-gain",
    "multiple-feedback-lowpass",
    "multiple-feedback-bandpass",
    "tow-thomas-lowpass",
    "tow-thomas-feed-forward",
    "state-variable-highpass",
    "akerberg-mossberg-bandpass",
    "fliege-bandpass",
    "impedance-converter-lowpass-notch",
    "third-order-lowpass-unity",
)


def eigenvalues(network: Network, gain_bandwidth: float = 1.0) -> np.ndarray:
    """Natural modes with the real op amp, by scipy's generalised eigenvalues (QZ)."""
    from scipy.linalg import eigvals

    model = MODEL.with_gain_bandwidth(gain_bandwidth)
    system = real_system(network, same_everywhere(network, model.amplifier))
    found = eigvals(system.g, -system.c * 1e4)
    return found[np.isfinite(found)] * 1e4


def off(network: Network, wanted: tuple[complex, ...], gain_bandwidth: float = 1.0) -> float:
    found = eigenvalues(network, gain_bandwidth)
    return max(min(abs(w - x) / abs(w) for x in found) for w in wanted)


@pytest.mark.parametrize("name", POSSIBLE)
def test_the_wanted_poles_come_back(name: str) -> None:
    network = stage(name).circuit()
    wanted = modes(analyse(network))
    found = predistorted(network, MODEL)
    assert found.possible
    assert found.reason == ""
    assert off(network, wanted) > 2e-4
    assert off(found.network, wanted) < ROUNDED
    assert max(s.worst for s in found.before) > 1e-4
    assert max(s.worst for s in found.after) < 5 * ROUNDED  # Q is worth several values


@pytest.mark.parametrize("name", POSSIBLE)
def test_zeros_come_back_too(name: str) -> None:
    network = stage(name).circuit()
    wanted = [z for z in transfer(analyse(network), analyse(network).transfer()).zeros if z]
    found = predistorted(network, MODEL)
    system = real_system(found.network, same_everywhere(network, MODEL.amplifier))
    s = np.array([*wanted, 1j * 6e3])
    size = np.abs(system.response(s)[:, system.output])
    assert all(size[:-1] < 5 * ROUNDED * size[-1])


@pytest.mark.parametrize("name", POSSIBLE)
def test_changes_are_small_and_named(name: str) -> None:
    network = stage(name).circuit()
    found = predistorted(network, MODEL)
    for part, factor in found.changes:
        old, new = network.branch(part).value, found.network.branch(part).value
        assert old is not None
        assert new == pytest.approx(old * factor)
        assert 0.9 < factor < 1.1
    changed = {part for part, _ in found.changes}
    for b in network.branches:
        if b.name not in changed:
            assert found.network.branch(b.name).value == pytest.approx(b.value, rel=1e-8)


@pytest.mark.parametrize("name", POSSIBLE)
def test_spread_of_the_gain_bandwidth(name: str) -> None:
    """To first order the shift is e = w0/wt times a constant, so after pre-distortion 30 % more
    or less leaves 1 - 1/1.3 and 1/0.7 - 1 of it."""
    found = predistorted(stage(name).circuit(), MODEL)
    base = max(s.worst for s in found.before)
    assert [s.factor for s in found.spread] == pytest.approx([0.7, 1.3])
    for row in found.spread:
        assert row.worst_before == pytest.approx(base / row.factor, rel=0.1)
        assert row.worst_after == pytest.approx(base * abs(1 / row.factor - 1), rel=0.1)


def test_the_least_change_is_taken() -> None:
    """No neighbour that also meets the conditions is nearer to the old values."""
    network = stage("multiple-feedback-lowpass").circuit()
    found = predistorted(network, MODEL)
    logs = {b.name: 0.0 for b in network.branches} | {p: float(np.log(x)) for p, x in found.changes}
    size = sum(x * x for x in logs.values())
    wanted = modes(analyse(network))
    rng = np.random.default_rng(0)
    nearer = 0
    for _ in range(200):
        other = {k: 0.9 * v + rng.normal(0, 1e-5) for k, v in logs.items()}
        if sum(x * x for x in other.values()) < size:
            values = {
                k: (network.branch(k).value or 0) * float(np.exp(v)) for k, v in other.items()
            }
            nearer += off(network.with_values(values), wanted) < ROUNDED
    assert nearer == 0


def test_the_gain_is_kept_where_it_can_be() -> None:
    found = predistorted(stage("multiple-feedback-bandpass").circuit(), MODEL)
    assert abs(found.gain_error_before) > 1e-3
    assert abs(found.gain_error) < ROUNDED


def test_parts_can_be_held() -> None:
    network = stage("multiple-feedback-lowpass").circuit()
    held = [b.name for b in network.branches if b.power == 1]
    found = predistorted(network, MODEL, fixed=held)
    assert found.possible
    for name in held:
        assert found.network.branch(name).value == network.branch(name).value


def test_what_cannot_be_put_back_is_said() -> None:
    found = predistorted(stage("friend-notch").circuit(), MODEL)
    assert not found.possible
    assert "zeros" in found.reason
    slow = predistorted(stage("sallen-key-lowpass-unity").circuit(), op_amp_model("gbw=1k"))
    if not slow.possible:
        assert slow.reason


def test_every_stage_gives_an_answer() -> None:
    for one in stages():
        if not one.network.op_amps:
            continue
        found = predistorted(one.circuit(), MODEL)
        assert found.possible == (found.reason == "")
        assert all(1 / LARGEST_CHANGE <= x <= LARGEST_CHANGE for _, x in found.changes)
        if found.possible:
            assert max((s.worst for s in found.after), default=0.0) < 1e-3


def test_the_step_records_the_change() -> None:
    found = predistorted(stage("sallen-key-lowpass-unity").circuit(), MODEL)
    assert found.step.name == "predistort"
    assert dict(found.step.arguments)["gain-bandwidth"] == "1 MHz"
    assert {old for old, _ in found.step.map} == {"R1", "R2", "C1", "C2", "U1"}
