"""Sensitivities: laws over the whole catalogue, published formulas, finite differences."""

from __future__ import annotations

import math

import numpy as np
import pytest

from synth.catalog import stage, stages
from synth.tolerances.draws import draw
from synth.tolerances.grids import default_frequencies
from synth.tolerances.model import model_of
from synth.tolerances.sections import sections, statistics
from synth.tolerances.sensitivity import PER_CENT, decibels_per_cent
from synth.tolerances.spread import Spread, ranges
from synth.tolerances.study import tolerance
from synth.transform.cascade import cascade

STAGES = [s for s in stages() if s.network.branches]
every_stage = pytest.mark.parametrize("one", STAGES, ids=lambda s: s.name)


def by_part(network, row):
    return dict(zip((b.name for b in network.branches), (float(x) for x in row), strict=True))


def pole(network):
    model, _ = model_of(network)
    return next(x for x in sections(model) if x.what == "pole")


@every_stage
def test_sum_rules(one):
    """Impedance scaling leaves f0, Q and H alone; scaling all R, or all C, scales f0 only.

    Hence over the resistors sum S^w0 = -1 and sum S^Q = 0, and the same over the capacitors
    (L. P. Huelsman, Active and Passive Analog Filter Design, 1993, ch. 3; from memory).
    """
    network = one.circuit()
    model, loop = model_of(network)
    r = np.array([b.power == 0 for b in network.branches])
    assert all(b.power in (0, 1) for b in network.branches)
    for x in sections(model):
        # a root of almost threefold multiplicity is as ill-conditioned as its sensitivities say
        slack = 1e-10 * (1 + np.abs(x.s_f0).max()) ** 2 + 1e-9
        for kind in (r, ~r):
            assert x.s_f0[kind].sum() == pytest.approx(-1, abs=slack)
            assert x.s_q[kind].sum() == pytest.approx(0, abs=slack)
    grid = 1.037 * default_frequencies(network, loop, 21)
    s = model.sensitivities(grid)
    size = 1 + np.abs(s).max()
    # R to k*R and C to C/k leave H as it is
    assert np.abs(s[:, r].sum(axis=1) - s[:, ~r].sum(axis=1)).max() < 1e-9 * size
    # scaling all R is scaling the frequency: sum over R of S^H = d ln H/d ln w
    step = 1e-5
    one_circuit = model.prepare(np.ones((1, len(r))))
    up, down = (model.response(one_circuit, grid * math.exp(d)) for d in (step, -step))
    slope = (np.log(up / down) / (2 * step))[:, 0]
    assert np.abs(s[:, r].sum(axis=1) - slope).max() < 1e-5 * size**2


@every_stage
def test_against_differences(one):
    """Central differences of H, f0 and Q with each part changed by 0.001 %."""
    network = one.circuit()
    model, loop = model_of(network)
    grid = 1.037 * default_frequencies(network, loop, 13)
    s = model.sensitivities(grid)
    found = sections(model)
    step = 1e-5
    for k in range(len(network.branches)):
        ratios = np.ones((2, len(network.branches)))
        ratios[:, k] = np.exp([step, -step])
        prepared = model.prepare(ratios)
        h = model.response(prepared, grid)
        difference = np.log(h[:, 0] / h[:, 1]) / (2 * step)
        assert np.allclose(s[:, k], difference, rtol=1e-4, atol=1e-4 * (1 + np.abs(s).max()))
        for x in found:
            if np.abs(x.s_f0).max() > 100:
                continue  # almost a multiple root: the differences have no digits left
            ends = statistics(model, x, prepared, (0.0, 100.0))
            assert abs(x.s_f0[k]) == pytest.approx(
                math.log(ends.f0_hz[1] / ends.f0_hz[0]) / (2 * step), abs=1e-4
            )
            if x.q is not None:
                turn = abs(math.log(ends.q[1] / ends.q[0])) / (2 * step)
                bend = (x.s_q[k] * step) ** 2  # artanh(u) = u (1 + u^2/3 + ...)
                assert abs(x.s_q[k]) == pytest.approx(turn, abs=(1e-4 + bend) * (1 + abs(x.s_q[k])))


def test_unity_sallen_key():
    """S^w0 = -1/2 for all four; S^Q_C = +-1/2, S^Q_R1 = -S^Q_R2 = (R2 - R1)/(2(R1 + R2)).

    A. Budak, Passive and Active Network Analysis and Synthesis, 1974 (from memory); it follows
    from w0 = 1/sqrt(R1 R2 C1 C2) and Q = w0 C1 R1 R2/(R1 + R2).
    """
    network = stage("sallen-key-lowpass-unity").circuit().with_values({"R1": 8.2e3, "R2": 15e3})
    found = pole(network)
    assert by_part(network, found.s_f0) == pytest.approx(dict.fromkeys(network.values, -0.5))
    r1 = (15 - 8.2) / (2 * (15 + 8.2))
    assert by_part(network, found.s_q) == pytest.approx(
        {"R1": r1, "R2": -r1, "C1": 0.5, "C2": -0.5}
    )


def test_equal_component_sallen_key():
    """S^Q_R1 = -S^Q_R2 = Q - 1/2, S^Q_C1 = -S^Q_C2 = 2Q - 1/2, S^Q_K = 3Q - 1.

    S. Franco, Design with Operational Amplifiers and Analog Integrated Circuits, ch. 4 (from
    memory); K = 1 + RB/RA, so that S^K_RB = (K - 1)/K.
    """
    network = stage("sallen-key-lowpass-gain").circuit()
    gain = 1 + network.values["RB"] / network.values["RA"]
    q = 1 / (3 - gain)
    found = pole(network)
    assert found.q == pytest.approx(q)
    share = (3 * q - 1) * (gain - 1) / gain
    assert by_part(network, found.s_q) == pytest.approx(
        {
            "R1": q - 0.5,
            "R2": 0.5 - q,
            "C1": 2 * q - 0.5,
            "C2": 0.5 - 2 * q,
            "RA": -share,
            "RB": share,
        }
    )
    assert by_part(network, found.s_f0) == pytest.approx(
        {"R1": -0.5, "R2": -0.5, "C1": -0.5, "C2": -0.5, "RA": 0, "RB": 0}, abs=1e-12
    )


def test_tow_thomas():
    """All sensitivities of w0 and Q are +-1/2, or 1 for the resistor that sets Q.

    J. Tow, Proc. IEEE 56 (1968); L. C. Thomas, IEEE Trans. CT-18 (1971) 350-357 (from memory).
    """
    network = stage("tow-thomas-lowpass").circuit()
    found = pole(network)
    half = dict.fromkeys(("R2", "R3", "R5", "C1", "C2"), -0.5)
    assert by_part(network, found.s_f0) == pytest.approx(
        half | {"R6": 0.5, "R1": 0, "R4": 0}, abs=1e-12
    )
    assert by_part(network, found.s_q) == pytest.approx(
        {"R1": 1, "C1": 0.5, "C2": -0.5, "R2": -0.5, "R3": -0.5, "R5": -0.5, "R6": 0.5, "R4": 0},
        abs=1e-12,
    )


def test_multiple_feedback_bandpass():
    """Equal C: S^w0_R2 = -1/2, S^Q_R2 = 1/2, S^Q_C = 0; the input pair shares -1/2 by current.

    G. S. Moschytz, P. Horn, Active Filter Design Handbook, 1981 (from memory); it follows from
    w0**2 = (G1 + G3)/(R2 C1 C2).
    """
    network = stage("multiple-feedback-bandpass").circuit()
    v = network.values
    first = v["R3"] / (v["R1"] + v["R3"])  # share of G1 in G1 + G3
    found = pole(network)
    f0, q = by_part(network, found.s_f0), by_part(network, found.s_q)
    assert f0 == pytest.approx(
        {"R1": -first / 2, "R3": -(1 - first) / 2, "C1": -0.5, "C2": -0.5, "R2": -0.5}
    )
    assert q == pytest.approx(
        {"R1": -first / 2, "R3": -(1 - first) / 2, "C1": 0, "C2": 0, "R2": 0.5}, abs=1e-12
    )


def test_zero_of_a_notch():
    """Two-amplifier notch: its zero moves with the parts that make w0, each by a half."""
    network = stage("fliege-notch").circuit()
    model, _ = model_of(network)
    zero = next(x for x in sections(model) if x.what == "zero")
    assert zero.q is None
    assert sorted(np.abs(zero.s_f0).round(9)) == pytest.approx([0, 0, *[0.5] * 6], abs=1e-6)


def test_a_high_order_factor_agrees_with_second_order_ones():
    """Roots of an expanded cascade move like those of its blocks, taken from closed forms."""
    ones = [stage(n).circuit() for n in ("sallen-key-lowpass-unity", "multiple-feedback-lowpass")]
    ones[1] = ones[1].with_values({n: v * 1.7 for n, v in ones[1].values.items() if n[0] == "C"})
    chain = cascade(ones).network
    model, _ = model_of(chain)
    apart = [x for x in sections(model) if x.what == "pole"]
    assert [x.degree for x in apart] == [2, 2]
    from dataclasses import replace

    from synth.tolerances.factored import Factor

    a, b = (f for f in model.denominators if f.degree == 2)
    rows = np.zeros((5, a.matrix.shape[1] * b.matrix.shape[1]))
    for i in range(3):
        for j in range(3):
            rows[i + j] += np.outer(a.matrix[i], b.matrix[j]).ravel()
    exponents = (a.exponents[:, None, :] + b.exponents[None, :, :]).reshape(rows.shape[1], -1)
    whole = replace(model, denominators=(Factor(exponents, rows),), numerators=())
    found = sections(whole)
    assert [x.degree for x in found] == [4, 4]
    for x in found:
        twin = min(apart, key=lambda y: abs(y.f0_hz - x.f0_hz))
        assert (x.f0_hz, x.q) == pytest.approx((twin.f0_hz, twin.q))
        assert np.allclose(x.s_f0, twin.s_f0, atol=1e-9)
        assert np.allclose(x.s_q, twin.s_q, atol=1e-9)
        prepared = whole.prepare(draw(ranges(chain, Spread()), 0, 0))
        assert statistics(whole, x, prepared, (50.0,)).f0_deviation == pytest.approx(
            statistics(
                model, twin, model.prepare(draw(ranges(chain, Spread()), 0, 0)), (50.0,)
            ).f0_deviation,
            rel=1e-6,
        )


def test_decibels_for_one_per_cent():
    """20 log10(1.01) = 0.0864: an amplifier of gain -R2/R1 moves by that with either resistor."""
    network = stage("inverting-amplifier").circuit()
    model, _ = model_of(network)
    found = decibels_per_cent(model, np.array([1.0]))
    assert np.abs(found) == pytest.approx(np.full((1, 2), PER_CENT))
    assert pytest.approx(20 * math.log10(1.01), rel=6e-3) == PER_CENT


def test_shares_of_the_variance():
    """One pole far above its corner: dB variance is shared as tolerance squared."""
    network = stage("rc-lowpass").circuit()
    f = 1 / (2 * math.pi * math.prod(network.values.values()))
    result = tolerance(
        network, Spread(0.01, 0.03), np.geomspace(1e3 * f, 1e4 * f, 5), band=(1e3 * f, 1e4 * f)
    )
    shares = {p.name: p.share for p in result.sensitivities}
    assert shares == pytest.approx({"R1": 0.1, "C1": 0.9}, rel=1e-4)
    assert [p.name for p in result.by_share] == ["C1", "R1"]
