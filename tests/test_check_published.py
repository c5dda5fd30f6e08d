"""Shifts of f0 and Q by finite gain-bandwidth against published first-order results.

With e = w0/wt and one-pole op amps A = wt/s (A. Budak, Passive and Active Network Analysis and
Synthesis, 1974; A. S. Sedra and J. L. Espinoza, IEEE Trans. CAS-22 (1975) 122-130; L. C. Thomas,
IEEE Trans. CT-18 (1971) 350-361; D. Akerberg and K. Mossberg, IEEE Trans. CAS-21 (1974) 75-78; all
from memory; also tests/published/published_tables.json, finite_gain_bandwidth_first_order).
Gain-sensitivity products: G. S. Moschytz, Linear Integrated Networks: Design, 1975 (from memory).
"""

from __future__ import annotations

from math import inf, pi

import numpy as np
import pytest

from synth.analysis.roots import RootShift, real_roots
from synth.catalog import stage
from synth.checking.figures import figures
from synth.checking.model import OpAmpModel, op_amp_model
from synth.network.model import Network

F0 = 1e3
C = 1e-8


def one_pole(e: float) -> OpAmpModel:
    return op_amp_model(f"gbw={F0 / e!r},p2=inf,rout=0,a0=1G")


def sallen_key_unity(q: float) -> Network:
    """Equal R, C1 = 4 Q^2 C2 (the feedback capacitor is C1)."""
    r = 1 / (2 * pi * F0 * C * 2 * q)
    return stage("sallen-key-lowpass-unity").network.with_values(
        {"R1": r, "R2": r, "C1": 4 * q * q * C, "C2": C}
    )


def sallen_key_gain(q: float) -> tuple[Network, float]:
    """Equal R and C, gain K = 3 - 1/Q."""
    k, r = 3 - 1 / q, 1 / (2 * pi * F0 * C)
    network = stage("sallen-key-lowpass-gain").network
    values = {"R1": r, "R2": r, "C1": C, "C2": C, "RA": 1e4, "RB": (k - 1) * 1e4}
    return network.with_values(values), k


def multiple_feedback_bandpass(q: float) -> Network:
    """Equal C, no divider: R2 = 4 Q^2 R1."""
    r = 1 / (2 * pi * F0 * C * 2 * q)
    return stage("multiple-feedback-bandpass-no-attenuator").network.with_values(
        {"R1": r, "R2": 4 * q * q * r, "C1": C, "C2": C}
    )


def tow_thomas(q: float) -> Network:
    """Band-pass of unit gain: equal R and C but R1 = R4 = Q R, unity inverter."""
    r, network = 1 / (2 * pi * F0 * C), stage("tow-thomas-bandpass").network
    values = {b.name: r if b.power == 0 else C for b in network.branches}
    return network.with_values({**values, "R1": q * r, "R4": q * r})


def shift(network: Network, e: float) -> RootShift:
    found = real_roots(network, one_pole(e).amplifier).dominant
    assert found is not None
    assert found.f0_hz == pytest.approx(F0, rel=1e-9)
    return found


@pytest.mark.parametrize("q", [0.8, 2.0, 5.0])
def test_sallen_key_unity(q: float) -> None:
    e = 1e-4
    found = shift(sallen_key_unity(q), e)
    assert found.q == pytest.approx(q)
    assert found.f0_shift == pytest.approx(-q * e, rel=0.02)
    assert found.q_shift == pytest.approx(q * e, rel=0.02)


@pytest.mark.parametrize("q", [0.8, 2.0, 5.0])
def test_sallen_key_equal_parts(q: float) -> None:
    e = 1e-4
    network, k = sallen_key_gain(q)
    found = shift(network, e)
    assert found.f0_shift == pytest.approx(-k * k / 2 * e, rel=0.02)
    assert found.q_shift == pytest.approx(k * k / 2 * e, rel=0.02)


@pytest.mark.parametrize("q", [0.8, 3.0, 10.0])
def test_multiple_feedback_bandpass(q: float) -> None:
    e = 1e-5
    found = shift(multiple_feedback_bandpass(q), e)
    assert found.f0_shift == pytest.approx(-q * e, rel=0.02)
    assert found.q_shift == pytest.approx(q * e, rel=0.02)


@pytest.mark.parametrize("q", [2.0, 5.0, 10.0])
def test_tow_thomas(q: float) -> None:
    e = 1e-4
    found = shift(tow_thomas(q), e)
    assert found.f0_shift == pytest.approx(-(1 + 1 / (2 * q)) * e, rel=0.02)
    assert found.q_shift == pytest.approx(4 * q * e, rel=0.05)


@pytest.mark.parametrize("e", [1e-3, 5e-3, 1e-2])
def test_q_enhancement_of_the_tow_thomas_loop(e: float) -> None:
    """Thomas: Q' = Q/(1 - 4 Q w0/wt), far beyond first order."""
    q = 10.0
    found = shift(tow_thomas(q), e)
    assert found.real_q == pytest.approx(q / (1 - 4 * q * e), rel=0.05)


def test_akerberg_mossberg() -> None:
    r, e = 1 / (2 * pi * F0 * C), 1e-4
    network = stage("akerberg-mossberg-lowpass").network
    values = {b.name: r if b.power == 0 else C for b in network.branches}
    found = shift(network.with_values({**values, "R1": 5 * r}), e)
    assert found.f0_shift == pytest.approx(-1.5 * e, rel=0.05)
    assert found.q_shift == pytest.approx(0.5 * e, rel=0.05)


def test_impedance_converter() -> None:
    found = real_roots(
        stage("impedance-converter-bandpass").circuit(), one_pole(1e-4).amplifier
    ).dominant
    assert found is not None
    e = 1e-4 * found.f0_hz / F0
    assert found.f0_shift == pytest.approx(-2 * e, rel=0.02)
    assert abs(found.q_shift or 0.0) < 0.05 * e


def test_the_state_variable_loop() -> None:
    e = 1e-4
    found = real_roots(stage("state-variable-bandpass").circuit(), one_pole(e).amplifier).dominant
    assert found is not None
    assert found.q is not None
    own = e * found.f0_hz / F0
    assert found.q_shift == pytest.approx(4 * found.q * own, rel=0.05)
    assert found.f0_shift == pytest.approx(-(1 - 3 / (2 * found.q)) * own, rel=0.05)


@pytest.mark.parametrize("q", [0.8, 2.0, 5.0])
def test_gain_sensitivity_products(q: float) -> None:
    """Gamma: K*S_K^Q*K; for one amplifier of gain K that is K^2 Q here, 2 Q^2 for the others."""
    sk, k = sallen_key_gain(q)
    wanted = (
        (sk, k * k * q),
        (sallen_key_unity(q), 2 * q * q),
        (multiple_feedback_bandpass(q), 2 * q * q),
    )
    for network, product in wanted:
        model = op_amp_model("general-purpose")
        (row,) = figures(network, model, predistort=False).active_sensitivities
        assert row.gain_sensitivity_product_q == pytest.approx(product, rel=1e-4)
        assert abs(row.gain_sensitivity_product_f0) < 1e-5


def test_sensitivities_to_the_gain_bandwidth_are_the_slopes_of_the_shift() -> None:
    network, e = sallen_key_unity(2.0), 1e-3
    model = one_pole(e)
    (row,) = figures(network, model, predistort=False).active_sensitivities
    step = 1e-3
    logs = []
    for factor in (1 + step, 1 - step):
        moved = real_roots(network, model.with_gain_bandwidth(factor).amplifier).dominant
        assert moved is not None
        assert moved.q_shift is not None
        logs.append((np.log1p(moved.f0_shift), np.log1p(moved.q_shift)))
    f0, q = (np.array(logs[0]) - np.array(logs[1])) / (2 * step)
    assert row.f0_to_gain_bandwidth == pytest.approx(f0, rel=1e-4)
    assert row.q_to_gain_bandwidth == pytest.approx(q, rel=1e-4)
    assert row.f0_to_gain_bandwidth == pytest.approx(2 * e, rel=0.05)  # d(-Q e)/d ln wt = Q e


def test_passive_sensitivities_of_the_unity_sallen_key() -> None:
    """S^w0 = -1/2 for all four; S^Q = +-1/2 to the capacitors, 0 to equal resistors
    (A. S. Sedra and P. O. Brackett, Filter Theory and Design, 1978, from memory)."""
    rows = figures(sallen_key_unity(2.0), one_pole(1e-3), predistort=False).part_sensitivities
    table = {(r.part, r.quantity): r.value for r in rows}
    assert [table[n, "f0"] for n in ("R1", "R2", "C1", "C2")] == pytest.approx([-0.5] * 4)
    wanted = [0.0, 0.0, 0.5, -0.5]
    assert [table[n, "Q"] for n in ("R1", "R2", "C1", "C2")] == pytest.approx(wanted, abs=1e-9)


def test_passive_sensitivities_of_equal_part_sallen_key() -> None:
    """S^Q of K is 3Q - 1, of C +-(2Q - 1/2), of R +-(Q - 1/2) (Sedra and Brackett 1978, from
    memory)."""
    q = 4.0
    network, _ = sallen_key_gain(q)
    rows = figures(network, one_pole(1e-3), predistort=False).part_sensitivities
    table = {(r.part, r.quantity): r.value for r in rows}
    gain = {"RB": 1.0, "RA": -1.0}  # K - 1 = RB/RA, so dK/K = (K - 1)/K * dRB/RB
    k = 3 - 1 / q
    for part, sign in gain.items():
        assert table[part, "Q"] == pytest.approx(sign * (3 * q - 1) * (k - 1) / k, rel=1e-9)
    pair = sorted((table["C1", "Q"], table["C2", "Q"]))
    assert pair == pytest.approx([-(2 * q - 0.5), 2 * q - 0.5])
    pair = sorted((table["R1", "Q"], table["R2", "Q"]))
    assert pair == pytest.approx([-(q - 0.5), q - 0.5])


def test_infinite_gain_bandwidth_shifts_nothing() -> None:
    model = op_amp_model("gbw=1G,p2=inf,rout=0,a0=1G")
    for name in ("sallen-key-lowpass-unity", "tow-thomas-bandpass", "bainter-notch"):
        found = real_roots(stage(name).circuit(), model.amplifier)
        assert found.worst < 1e-3
        assert all(abs(z.f0_shift) < 1e-3 for z in found.zeros)
    assert model.second_pole == inf
