"""Worst case: no circuit is outside, and where it says exact one is at the bound."""

from __future__ import annotations

import itertools
import math
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import synth
from synth.catalog import stage, stages
from synth.network.deck_reader import read_deck
from synth.tolerances.boxes import CLOSED_DB, _growth, _most, maximise, vertices
from synth.tolerances.climb import climb
from synth.tolerances.corners import worst_case
from synth.tolerances.draws import draw
from synth.tolerances.grids import default_frequencies
from synth.tolerances.model import model_of
from synth.tolerances.nodal import nodal
from synth.tolerances.spread import Spread, Temperature, ranges
from synth.tolerances.study import decibels
from synth.transform.cascade import cascade

STAGES = [s for s in stages() if s.network.branches]
every_stage = pytest.mark.parametrize("one", STAGES, ids=lambda s: s.name)
EPSILON = 1e-6  # dB, for rounding


def prepared(network, points=15):
    model, loop = model_of(network)
    grid = 1.037 * default_frequencies(network, loop, points)
    return model, loop, grid


@every_stage
def test_no_circuit_is_outside_and_exact_bounds_are_reached(one):
    """Every vertex by another evaluation, 2000 points inside and on edges at random."""
    network = one.circuit()
    _, loop, grid = prepared(network)
    spread = ranges(network, Spread(0.02, 0.1))
    low, high = spread.box
    found = worst_case(loop, spread, grid)
    other = nodal(network)
    generator = np.random.default_rng(3)
    corners = np.array(list(itertools.product(*zip(low, high, strict=True))))
    inside = generator.uniform(low, high, size=(1000, len(low)))
    edges = np.where(
        generator.random(inside.shape) < 0.7,
        corners[generator.integers(len(corners), size=1000)],
        inside,
    )
    points = np.vstack([corners, inside, edges])
    db = decibels(other.squares(other.prepare(points), grid))
    assert (db <= found.high_db[:, None] + EPSILON).all()
    assert (db >= found.low_db[:, None] - EPSILON).all()
    # where the extreme is at a vertex the bound must be there; an extreme inside is rarer
    at_vertex = decibels(other.squares(other.prepare(corners), grid))
    near = (found.high_db - at_vertex.max(axis=1) <= CLOSED_DB + EPSILON) & found.high_exact
    assert near.mean() >= 0.5
    assert found.low_exact.mean() >= 0.6
    assert found.high_exact.mean() >= 0.6


@pytest.mark.parametrize("name", ["rc-lowpass", "cr-highpass"])
def test_one_pole_in_closed_form(name):
    """|H| is monotone in R*C: the extremes are at (1 +- tR)(1 +- tC)."""
    network = stage(name).circuit()
    _, loop, grid = prepared(network, 60)
    found = worst_case(loop, ranges(network, Spread(0.03, 0.1)), grid)
    rc = math.prod(network.values.values())
    ends = []
    for factor in (0.97 * 0.9, 1.03 * 1.1):
        x = (2 * np.pi * grid * rc * factor) ** 2
        ends.append(-10 * np.log10(1 + x if name == "rc-lowpass" else 1 + 1 / x))
    assert found.exact
    assert np.abs(found.low_db - np.minimum(*ends)).max() <= CLOSED_DB + EPSILON
    assert np.abs(found.high_db - np.maximum(*ends)).max() <= CLOSED_DB + EPSILON


def test_an_extreme_inside_the_box():
    """One capacitor tunes a band-pass through the frequency: |H| is largest inside its range.

    Differential evolution of scipy as the oracle: no better than the bound, and near.
    """
    from scipy.optimize import differential_evolution

    network = stage("multiple-feedback-bandpass").circuit()
    model, loop = model_of(network)
    spread = ranges(network, Spread(0.01, 0.002, {"C1": 0.2}))
    low, high = spread.box
    grid = np.array([model.w_ref / (2 * np.pi) * 1.003])
    found = worst_case(loop, spread, grid, budget=3_000_000)
    other = nodal(network)

    def loss(x):
        return -float(decibels(other.squares(other.prepare(x[None, :]), grid))[0, 0])

    best = -differential_evolution(
        loss, list(zip(low, high, strict=True)), seed=1, tol=1e-10, maxiter=400
    ).fun
    corners = np.array(list(itertools.product(*zip(low, high, strict=True))))
    at_vertex = decibels(other.squares(other.prepare(corners), grid)).max()
    assert best > at_vertex + 0.01
    assert found.high_exact.all()
    assert -EPSILON <= found.high_db[0] - best <= CLOSED_DB + 1e-3


def test_a_notch_may_vanish_and_says_so():
    """Parts within 1 % can balance a notch at its own frequency: no lower bound at all."""
    network = stage("fliege-notch").circuit()
    model, loop = model_of(network)
    f0 = model.w_ref / (2 * np.pi)
    found = worst_case(loop, ranges(network, Spread()), np.array([f0, 10 * f0]))
    assert found.low_db[0] == -math.inf
    assert found.low_exact[0]
    assert found.low_db[1] > -1


def test_common_drift_is_a_bound_only():
    network = stage("sallen-key-lowpass-unity").circuit()
    _, loop, grid = prepared(network)
    t = Temperature(-10, 60, 100.0, -200.0, "common", "common")
    spread = ranges(network, Spread(temperature=t))
    found = worst_case(loop, spread, grid)
    assert not found.low_exact.any()
    model, _ = model_of(network)
    db = decibels(model.squares(model.prepare(draw(spread, 0, 0)), grid))
    assert (db <= found.high_db[:, None] + EPSILON).all()
    assert (db >= found.low_db[:, None] - EPSILON).all()


def test_stages_of_a_cascade_are_bounded_apart():
    """They share no part: the worst case of the whole is the sum of those in decibels."""
    ones = [stage(n).circuit() for n in ("sallen-key-lowpass-unity", "multiple-feedback-lowpass")]
    whole = cascade(ones).network
    _, loop, grid = prepared(whole)
    found = worst_case(loop, ranges(whole, Spread()), grid)
    each = [worst_case(model_of(n)[1], ranges(n, Spread()), grid) for n in ones]
    assert np.allclose(found.high_db, sum(x.high_db for x in each), atol=2 * CLOSED_DB)
    assert np.allclose(found.low_db, sum(x.low_db for x in each), atol=2 * CLOSED_DB)


# -- the pieces, on random multilinear functions ---------------------------------------------------


def random_case(seed, parts):
    generator = np.random.default_rng(seed)
    shape = (1, 1 << parts)
    a = generator.normal(size=shape) + 1j * generator.normal(size=shape)
    b = generator.normal(size=shape) + 1j * generator.normal(size=shape)
    if seed % 3 == 0:
        b[0, 0] += 4
    low = generator.uniform(0.7, 1.0, size=parts)
    return a, b, low, low + generator.uniform(0.02, 0.3, size=parts)


def values(coefficients, points):
    """By the definition: a sum of monomials."""
    parts = points.shape[1]
    total = np.zeros(len(points), dtype=complex)
    for mask in range(1 << parts):
        chosen = [k for k in range(parts) if mask >> k & 1]
        total += coefficients[mask] * points[:, chosen].prod(axis=1)
    return total


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10**6), st.integers(1, 4))
def test_bounds_hold_on_random_functions(seed, parts):
    a, b, low, high = random_case(seed, parts)
    generator = np.random.default_rng(seed + 1)
    points = generator.uniform(low, high, size=(800, parts))
    ends = generator.random(points.shape)
    points = np.where(ends < 0.3, low, np.where(ends > 0.7, high, points))
    sizes = np.abs(values(a[0], points)) / np.abs(values(b[0], points))
    found = maximise(a, b, low, high, 50_000)
    assert sizes.max() <= found.bound[0] * (1 + 1e-9)
    assert found.reached[0] <= found.bound[0]
    assert sizes.max() <= found.reached[0] * 1.001 or not found.closed[0]
    va = vertices(a, low[None, :], high[None, :])
    vb = vertices(b, low[None, :], high[None, :])
    assert np.allclose(
        va[0],
        [
            values(a[0], np.array([[high[k] if m >> k & 1 else low[k] for k in range(parts)]]))[0]
            for m in range(1 << parts)
        ],
    )
    assert sizes.max() <= _most(va, vb)[0] * (1 + 1e-9)
    climbed = climb(a, b, low[None, :], high[None, :], low[None, :])
    assert climbed[0] <= found.bound[0] * (1 + 1e-9)
    for k in range(parts):
        centre, radius = _growth(va, low[None, k], high[None, k], k)
        lower, upper = points.copy(), points.copy()
        lower[:, k], upper[:, k] = 0.0, 1.0
        p0 = values(a[0], lower)
        p1 = values(a[0], upper) - p0
        growth = (points[:, k] * p1 / (p0 + points[:, k] * p1)).real
        assert (np.abs(growth - centre[0]) <= radius[0] * (1 + 1e-9) + 1e-9).all()


@pytest.mark.parametrize("at", [988.57, 1412.4, 300.0, 2500.0])
def test_an_exact_worst_case_is_reached_to_a_ten_thousandth(at):
    """Sallen-Key low-pass: a search of its own over all values within the tolerances."""
    from scipy.optimize import minimize

    nominal, size = np.array([8.2e3, 12.4e3, 22e-9, 3.3e-9]), np.array([0.1, 0.1, 0.2, 0.2])
    deck = "Buoy\nVin in 0 AC 1\nR1 in a 8.2k\nR2 a b 12.4k\nC1 a out 22n\nC2 b 0 3.3n\n"
    network = read_deck(deck + "E1 out 0 b out 1e6\n").network
    found = synth.tolerance(network, synth.Spread(0.1, 0.2), [at], samples=10).worst_case
    s = 2j * np.pi * at

    def level(x):
        r1, r2, c1, c2 = nominal * (1 + size * x)
        return -20 * np.log10(np.abs(1 + s * c2 * (r1 + r2) + s**2 * r1 * r2 * c1 * c2))

    starts = [np.array(x) for x in product((-1.0, 0.0, 1.0), repeat=4)]
    for sign, bound in ((-1, found.high_db[0]), (1, found.low_db[0])):
        first = sorted(starts, key=lambda x, sign=sign: sign * level(x))[:12]
        best = min(
            minimize(lambda x, sign=sign: sign * level(x), x, bounds=[(-1, 1)] * 4).fun
            for x in first
        )
        assert sign * bound == pytest.approx(best, abs=2e-4)
    assert found.exact
