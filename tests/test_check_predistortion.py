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
from synth.network.deck_reader import read_deck
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
    size = np.abs(system.read(system.response(s)))
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
            # of a zero that all but lies on the axis the Q says nothing
            left = [s.worst if abs(s.q or 0) < 100 else abs(s.f0_shift) for s in found.after]
            assert max(left, default=0.0) < 1e-3


def test_the_step_records_the_change() -> None:
    found = predistorted(stage("sallen-key-lowpass-unity").circuit(), MODEL)
    assert found.step.name == "predistort"
    assert dict(found.step.arguments)["gain-bandwidth"] == "1 MHz"
    assert {old for old, _ in found.step.map} == {"R1", "R2", "C1", "C2", "U1"}


EQUAL = """two equal lossy inverters
Vin in 0 AC 1
R1 in m 10k
R2 m x 20k
C1 m x 1n
XU1 0 m x any
R3 x n 10k
R4 n out 20k
C2 n out 1n
XU2 0 n out any
.end
"""
EQUAL_PAIRS = """two equal multiple-feedback low-passes
Vin in 0 AC 1
R1 in a 11k
R2 a m 5.6k
R3 a x 11k
C1 a 0 3.3n
C2 m x 1n
XU1 0 m x any
R4 x b 11k
R5 b n 5.6k
R6 b out 11k
C3 b 0 3.3n
C4 n out 1n
XU2 0 n out any
.end
"""


def slow_pole(r1: float, r2: float, c: float, wt: float) -> float:
    """|p| of a lossy inverter whose op amp is wt/s: s/wt (G1 + G2 + s C) + G2 + s C = 0."""
    return float(min(abs(np.roots([c / wt, (1 / r1 + 1 / r2) / wt + c, 1 / r2]))))


def test_equal_stages_are_put_back_each_by_the_same() -> None:
    network = read_deck(EQUAL).network
    wt = 2 * np.pi * 1e6
    found = predistorted(network, op_amp_model("gbw=1M,a0=1G,p2=inf,rout=0"))
    assert found.possible
    shift = slow_pole(1e4, 2e4, 1e-9, wt) * 2e4 * 1e-9 - 1
    assert [s.f0_shift for s in found.before] == pytest.approx([shift, shift], rel=1e-4)
    new = found.network.values
    for parts in (("R1", "R2", "C1"), ("R3", "R4", "C2")):
        now = slow_pole(*(new[p] for p in parts), wt)
        assert now == pytest.approx(1 / (2e4 * 1e-9), rel=1e-5)


@pytest.mark.parametrize("text", [EQUAL, EQUAL_PAIRS])
def test_equal_stages_behind_output_resistances_are_put_back(text: str) -> None:
    """The load of the next stage parts a double pole by its square root: no more than 1 %."""
    network = read_deck(text).network
    found = predistorted(network, MODEL)
    assert found.possible
    wanted = modes(analyse(network))
    system = real_system(found.network, same_everywhere(network, MODEL.amplifier))
    poles = system.modes(abs(wanted[0]))
    assert all(min(abs(poles / w - 1)) < 0.01 for w in wanted)
    assert max(s.worst for s in found.after) < 5 * ROUNDED
    # and the response is the wanted one, in its shape
    f = np.geomspace(100.0, 2e4, 50)
    real = np.abs(system.read(system.response(2j * np.pi * f)))
    ideal = np.abs(transfer(analyse(network), analyse(network).transfer()).response(f))
    ratio = real / ideal
    assert ratio == pytest.approx(np.full(50, ratio[0]), rel=2e-3)


def test_equal_stages_shift_together() -> None:
    """A double pole that parts by the square root of a coupling is no pole at -0.9 % and -1.9 %."""
    one = read_deck("\n".join(EQUAL.splitlines()[:6]).replace(" x", " out") + "\n.end\n").network
    (alone,) = predistorted(one, MODEL).before
    two = predistorted(read_deck(EQUAL).network, MODEL).before
    assert len(two) == 2
    assert two[0].f0_shift == pytest.approx(two[1].f0_shift, rel=1e-9)
    assert two[0].f0_shift == pytest.approx(alone.f0_shift, rel=0.15)
