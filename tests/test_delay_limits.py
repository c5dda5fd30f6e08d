"""The delay lines of a mask: values that keep them, the yield that counts them, and the words."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from synth.analysis.loop import analyse
from synth.analysis.numbers import transfer
from synth.catalog import stage
from synth.masks.limits import mask_from_text
from synth.masks.verify import delay_excess, delay_range, keeps
from synth.realisation.brief import Brief
from synth.realisation.certificate import Certificate
from synth.realisation.polish import near, within
from synth.realisation.realise import realise
from synth.realisation.whole import checked
from synth.report.record import realisation_records
from synth.report.text import realise_text
from synth.target.responses import family_target
from synth.tolerances.classes import mask_yield
from synth.tolerances.factored import factored
from synth.tolerances.limits import delay_bounds
from synth.tolerances.nodal import nodal
from synth.tolerances.spread import Spread
from synth.transfer.turning import turning

#: Little ripple of the delay, and room for more margin elsewhere.
FLAT = mask_from_text("0 200 >= -1 dB\n0 inf <= 0.01 dB\n0 1k delay 1 %\n6k inf <= -40 dB")
#: Of order 5, with zeros.
SHARP = mask_from_text("0 1k within 1 dB\n0 1k delay 5 %\n3k inf <= -40 dB")


def brief(mask, target) -> Brief:
    return Brief(target, mask=mask.absolute, delays=mask.delays)


@pytest.fixture(scope="module")
def flat():
    """The best circuit for the first mask."""
    target = family_target("lowpass", "equal-delay", 3, 1028.51, gain=0.995351, delay_ripple=0.009)
    return target, realise(brief(FLAT, target), top=1, work=5e4)[0]


def test_values_keep_the_delay_and_not_the_magnitude_alone(flat) -> None:
    _, r = flat
    assert checked(FLAT, r).kept
    assert r.meets
    assert r.delay_excess < 0
    w = 2 * math.pi * np.linspace(1.0, 1000.0, 400)
    h = np.array([transfer_of(r)(1j * x) for x in w])
    delays = -np.diff(np.unwrap(np.angle(h))) / np.diff(w)
    ripple = (delays.max() - delays.min()) / (delays.max() + delays.min())
    assert ripple == pytest.approx(0.01 * (1 + r.delay_excess), rel=0.02)


def test_sections_with_zeros_keep_the_delay_too() -> None:
    target = family_target(
        "lowpass",
        "elliptic",
        5,
        2264.63,
        ripple_db=0.436477,
        stop_attenuation_db=42.1802,
        gain=1.10573,
    )
    (r,) = realise(brief(SHARP, target), top=1, work=5e4)
    assert checked(SHARP, r).kept


def transfer_of(r):
    loop = analyse(r.network)
    return transfer(loop, loop.transfer())


def test_the_yield_counts_the_delay(flat) -> None:
    """Against circuits drawn here, each one's delay at the extremes of its own."""
    target, r = flat
    generator = np.random.default_rng(7)
    tolerance = {n: 0.01 if n[0] == "R" else 0.05 for n in r.network.values}
    kept = 0
    count = 400
    for _ in range(count):
        values = {
            n: v * (1 + generator.uniform(-tolerance[n], tolerance[n]))
            for n, v in r.network.values.items()
        }
        branches = tuple(replace(b, value=values[b.name]) for b in r.network.branches)
        loop = analyse(replace(r.network, branches=branches))
        kept += keeps(FLAT, transfer(loop, loop.transfer()))
    share = kept / count
    assert abs(r.yield_.value - share) < 4 * math.sqrt(share * (1 - share) / count)
    alone = mask_yield(r.network, FLAT.absolute, Spread(), reference=target.transfer)
    assert r.yield_.value < 0.5 * alone.value


def test_delay_yield_of_one_pole() -> None:
    """Of an RC low-pass, t = RC/(1 + (wRC)^2): the ripple grows with RC, so RC alone decides."""
    network = stage("rc-lowpass").circuit()
    tau = math.prod(network.values.values())
    f = 0.5 / (2 * math.pi * tau)

    def ripple(x: float) -> float:
        return 1 - 1 / (1 + (0.5 * x) ** 2)

    limit = mask_from_text(f"0 {f:.12g} delay 1 %").delays[0]
    limit = replace(limit, ripple=ripple(1.02) / (2 - ripple(1.02)))
    found = mask_yield(network, (), Spread(0.01, 0.05), delays=(limit,), samples=20000)
    # uniform R and C: the share of (1 + 0.01 a)(1 + 0.05 b) below 1.02
    a = np.linspace(-1, 1, 20001)
    share = np.clip((1.02 / (1 + 0.01 * a) - 1) / 0.05, -1, 1).mean() / 2 + 0.5
    assert found.low < share < found.high
    absolute = replace(limit, absolute=True, ripple=tau * 1.02 * ripple(1.02) / 2)
    again = mask_yield(network, (), Spread(0.01, 0.05), delays=(absolute,), samples=20000)
    assert again.value == pytest.approx(found.value, abs=2e-4)


@pytest.mark.parametrize("name", ["multiple-feedback-lowpass", "friend-general"])
def test_delays_by_formula_and_by_equations(name: str) -> None:
    network = stage(name).circuit()
    loop = analyse(network)
    ratios = np.random.default_rng(3).uniform(0.9, 1.1, size=(5, len(network.branches)))
    f = np.geomspace(10.0, 1e5, 30)
    formula, equations = factored(loop), nodal(network)
    one = formula.delays(formula.prepare(ratios), f)
    other = equations.delays(equations.prepare(ratios), f)
    np.testing.assert_allclose(one, other, rtol=1e-7, atol=1e-7 * np.abs(one).max())
    h = transfer(loop, loop.transfer())
    nominal = formula.delays(formula.prepare(np.ones((1, len(network.branches)))), f)[:, 0]
    exact = [delay_range(h, x, x)[0] for x in f]
    np.testing.assert_allclose(nominal, exact, rtol=1e-7, atol=1e-9 * np.abs(nominal).max())


def test_turning_of_a_product_is_the_sum() -> None:
    a, b = np.array([1.0, 0.7, 2.0]), np.array([3.0, -0.2])
    w = np.linspace(0.0, 4.0, 9)
    product = np.convolve(a, b)
    both = turning(a[None], w) + turning(b[None], w)
    np.testing.assert_allclose(turning(product[None], w), both, rtol=1e-12)


def test_frequencies_of_a_delay_follow_its_peaks() -> None:
    """A resonance narrower than the even steps is seen."""
    limit = FLAT.delays[0]
    pole = 2 * math.pi * complex(-0.5, 503.3)
    found = delay_bounds(limit, [pole, pole.conjugate()])
    assert np.abs(found.frequencies - 503.3).min() < 1e-6
    assert found.frequencies.min() > 0
    assert found.frequencies.max() == 1000.0
    assert found.uses(np.full((len(found.frequencies), 2), 1e-3)).max() == 0


def test_an_aim_counts_a_delay_only_where_it_passes_its_limit() -> None:
    target = family_target("lowpass", "bessel", 2, 1000.0)
    aim = within(target, FLAT.absolute, delays=FLAT.delays)
    assert not near(target).delays
    (b,) = aim.delays
    delays = np.where(b.frequencies < 500, 1.0, 1.0 + 0.02 * 1.5)[:, None]
    assert b.uses(delays).max() == pytest.approx(1.5 / 1.015)


def test_excess_of_a_delay() -> None:
    loop = analyse(stage("rc-lowpass").circuit())
    h = transfer(loop, loop.transfer())
    f = abs(h.poles[0]) / (2 * math.pi)
    limit = replace(FLAT.delays[0], high_hz=f, ripple=0.25)  # from 1 to 1/2 of RC: 1/3
    assert delay_excess([limit], h) == pytest.approx(1 / 3)
    assert delay_excess([], h) == -math.inf


def test_a_circuit_that_misses_says_so_first(flat) -> None:
    target, r = flat
    c = Certificate("margin", 0.4, 0.4312, 0.05, 3, 0)
    assert c.proved
    assert str(c).startswith("proved")
    late = replace(c, late=True)
    assert late.misses
    assert not late.proved
    assert str(late).startswith("misses the mask; of the limits of |H|: ")
    assert str(replace(c, value_db=-0.1)).startswith("misses the mask; ")
    assert not replace(c, measure="error", value_db=-0.1).misses
    missing = replace(r, delay_excess=0.5)
    assert not missing.meets
    assert missing.misses == pytest.approx(1.5)
    text = realise_text(target, realisation_records([r]), 1)
    assert "of its limit; yield" in " ".join(text.split())


def test_a_delay_that_no_values_keep_is_told_with_the_certificate() -> None:
    target = family_target("lowpass", "butterworth", 1, 1000.0)
    mask = mask_from_text("0 500 >= -3 dB\n5k inf <= -13 dB\n0 1k delay 2 %")
    (r,) = realise(brief(mask, target), top=1)
    assert not r.meets
    assert r.delay_excess > 5  # the corner stays below 1.6 kHz: a ripple above 16 %
    assert r.yield_.value == 0
    assert str(r.whole).startswith("misses the mask; of the limits of |H|: ")
    assert realise(replace(brief(mask, target), delays=()), top=1)[0].meets
