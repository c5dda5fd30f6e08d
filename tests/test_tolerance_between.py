"""Between the points of a grid: limits, and a worst case of many parts; modes without a formula."""

from __future__ import annotations

import numpy as np
import pytest

import synth
from synth.analysis.loop import analyse
from synth.analysis.numbers import modes
from synth.catalog import stage, stages
from synth.tolerances import corners
from synth.tolerances.corners import worst_case
from synth.tolerances.limits import Limit, bounds
from synth.tolerances.model import model_of
from synth.tolerances.nodal import nodal
from synth.tolerances.spread import Spread, ranges
from synth.tolerances.study import tolerance
from synth.tolerances.yields import passes
from tests.test_tolerance_montecarlo import ladder


def test_a_peak_between_two_frequencies_breaks_a_limit():
    """A resonance of Q 10 between 100 Hz and 10 kHz, where the grid is only its two ends."""
    network = stage("sallen-key-lowpass-unity").circuit()
    model, _ = model_of(network)
    generator = np.random.default_rng(1)
    ratios = np.exp(generator.uniform(-1.5, 1.5, (400, len(model.names))))
    prepared = model.prepare(ratios)
    limit = Limit(100.0, 1e4, "<=", 1.0)
    few = np.array([100.0, 1e4])
    found = passes(model, prepared, [bounds(limit, few, np.ones(2))])[0]
    fine = np.geomspace(100.0, 1e4, 20_000)
    truth = (model.squares(prepared, fine) <= 10**0.1).all(axis=0)
    assert (found == truth).all()
    grid_only = (model.squares(prepared, few) <= 10**0.1).all(axis=0)
    assert (grid_only & ~truth).sum() > 20


@pytest.mark.parametrize(
    ("name", "operation", "level"),
    [("state-variable-notch", ">=", -30.0), ("tow-thomas-bandpass", "within", 1.0)],
)
def test_a_dip_between_frequencies_breaks_a_limit(name, operation, level):
    network = stage(name).circuit()
    model, loop = model_of(network)
    f0 = abs(modes(loop)[0]) / (2 * np.pi)
    limit = Limit(f0 / 1.5, f0 * 1.5, operation, level)
    generator = np.random.default_rng(2)
    prepared = model.prepare(1 + 0.02 * generator.uniform(-1, 1, (300, len(model.names))))
    few = np.geomspace(f0 / 1.5, f0 * 1.5, 6)
    nominal = model.prepare(np.ones((1, len(model.names))))
    found = passes(model, prepared, [bounds(limit, few, model.squares(nominal, few)[:, 0])])[0]
    fine = np.geomspace(f0 / 1.5, f0 * 1.5, 8000)
    b = bounds(limit, fine, model.squares(nominal, fine)[:, 0])
    squares = model.squares(prepared, fine)
    truth = ((squares >= b.least[:, None]) & (squares <= b.most[:, None])).all(axis=0)
    assert (found <= truth).all()  # what the fine grid breaks is found broken
    assert (found == truth).mean() > 0.99


@pytest.mark.parametrize("sections", [8, 10])
def test_no_circuit_is_beyond_the_bound_of_many_parts(sections):
    network = ladder(sections)
    model, loop = model_of(network)
    given = ranges(network, Spread())
    grid = np.geomspace(1e3, 3e5, 25)
    found = worst_case(loop, given, grid)
    assert found is not None
    low, high = given.box
    generator = np.random.default_rng(0)
    corner = np.where(generator.random((4000, len(low))) < 0.5, low, high)
    inside = 10 * np.log10(model.squares(model.prepare(corner), grid))
    assert (inside <= found.high_db[:, None] + 1e-9).all()
    assert (inside >= found.low_db[:, None] - 1e-9).all()
    assert not found.exact
    # all resistors and capacitors at one end is the worst of a ladder; the bound is near it
    ends = model.squares(model.prepare(np.array([low, high])), grid)
    assert (found.high_db - 10 * np.log10(ends.max(axis=1)) < 2.0).all()
    result = tolerance(network, samples=100, frequencies=grid)
    assert result.worst_case is not None
    assert result.notes == ()


@pytest.mark.parametrize("name", ["tow-thomas-bandpass", "sallen-key-lowpass-gain"])
def test_the_bound_is_no_tighter_than_the_exact_worst_case(name, monkeypatch):
    network = stage(name).circuit()
    _, loop = model_of(network)
    grid = np.geomspace(50, 5e3, 20)
    given = ranges(network, Spread())
    exact = worst_case(loop, given, grid)
    monkeypatch.setattr(corners, "MOST_PARTS", 1)
    bound = worst_case(loop, given, grid)
    assert (bound.high_db >= exact.high_db - 1e-9).all()
    assert (bound.low_db <= exact.low_db + 1e-9).all()
    assert (bound.high_db - exact.high_db).max() < 1.5


@pytest.mark.parametrize(
    "one",
    [s for s in stages() if s.order and s.name != "twin-t-notch-follower"],
    ids=lambda s: s.name,
)
def test_modes_of_the_equations_are_those_of_the_formula(one):
    """Of a triple root (the twin-T) both are off by the third root of rounding."""
    network = one.circuit()
    model = nodal(network)
    found = model.modes(model.prepare(np.ones((1, len(model.names)))))[0]
    found = found[~np.isnan(found)]
    wanted = modes(analyse(network))
    scale = max(abs(p) for p in wanted)
    for p in wanted:
        assert np.abs(found - p).min() <= 1e-5 * max(abs(p), 1e-6 * scale, 1e-3)


def test_large_circuits_that_oscillate_are_found(monkeypatch):
    """Without its formula, a Sallen-Key of gain 3.5 oscillates for every draw; of 1.5 for none."""
    for r4, share in ((25e3, 1.0), (5e3, 0.0)):
        deck = f"""* gain
VIN in 0 AC 1
R1 in a 10k
R2 a b 10k
C1 a out 10n
C2 b 0 10n
R3 c 0 10k
R4 out c {r4}
XU1 b c out AMP
.end"""
        model = nodal(synth.read(deck))
        generator = np.random.default_rng(0)
        prepared = model.prepare(1 + 0.02 * generator.uniform(-1, 1, (200, 6)))
        assert model.grows(prepared).mean() == share
