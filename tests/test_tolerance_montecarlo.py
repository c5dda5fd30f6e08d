"""Monte Carlo against independent evaluations, whoever does the work."""

from __future__ import annotations

import math
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from multiprocessing import get_context

import numpy as np
import pytest

from synth.analysis.loop import analyse
from synth.catalog import stage, stages
from synth.errors import NetworkError, NumberError
from synth.masks.limits import Limit
from synth.network.deck_writer import write_deck
from synth.network.model import Branch, Network
from synth.tolerances import corners
from synth.tolerances.draws import BLOCK, draw
from synth.tolerances.grids import default_frequencies
from synth.tolerances.limits import bounds, limit_frequencies
from synth.tolerances.model import model_of
from synth.tolerances.montecarlo import percentiles, ranked, sample
from synth.tolerances.nodal import nodal
from synth.tolerances.sensitivity import decibels_per_cent, variance
from synth.tolerances.spread import Distribution, Spread, Temperature, ranges
from synth.tolerances.study import decibels, tolerance
from synth.transform.cascade import cascade
from synth.transform.drive import Swap
from tests.networks import mna
from tests.simulator import needs_simulator, simulate

STAGES = [s for s in stages() if s.network.branches]
every_stage = pytest.mark.parametrize("one", STAGES, ids=lambda s: s.name)


def circuit(name="sallen-key-lowpass-unity"):
    return stage(name).circuit()


def grid_of(network, points=41):
    # 1.037: no point on the mode of an ideal resonator, where H has no value
    return 1.037 * default_frequencies(network, analyse(network), points)


# -- the evaluation --------------------------------------------------------------------------------


@every_stage
def test_formula_against_equations(one):
    """The factors of the exact analysis, and a linear solution of the nodal equations."""
    network = one.circuit()
    model, loop = model_of(network)
    assert loop is not None
    ratios = draw(ranges(network, Spread(0.05, 0.2)), 11, 0)[:60]
    grid = grid_of(network)
    other = nodal(network)
    want = other.response(other.prepare(ratios), grid)
    size = np.abs(want).max()
    prepared = model.prepare(ratios)
    assert np.abs(model.response(prepared, grid) - want).max() <= 1e-10 * size
    assert np.abs(model.squares(prepared, grid) - np.abs(want) ** 2).max() <= 1e-10 * size**2
    assert np.allclose(model.sensitivities(grid), other.sensitivities(grid), rtol=1e-8, atol=1e-8)


@pytest.mark.parametrize("name", ["sallen-key-highpass-gain", "tow-thomas-bandpass", "twin-t"])
def test_equations_against_modified_nodal_analysis(name):
    """An oracle of the tests that shares no code with the analysis."""
    network = circuit(name)
    model, _ = model_of(network)
    ratios = draw(ranges(network, Spread()), 2, 0)[:5]
    grid = grid_of(network, 7)
    found = model.response(model.prepare(ratios), grid)
    for k, row in enumerate(ratios):
        values = {b.name: float(b.value * r) for b, r in zip(network.branches, row, strict=True)}
        changed = network.with_values(values)
        for i, f in enumerate(grid):
            h = sum(
                x
                for t, x in mna(changed, 2j * math.pi * f).read(changed).items()
                if isinstance(t, tuple) and t in driven(changed)
            )
            assert abs(found[i, k] - h) <= 1e-9 * max(1, abs(h))


def driven(network):
    return {t.key for t in network.terminals if t.at != "ground"}


@pytest.mark.parametrize("swapped", [False, True])
def test_cascades_and_swapped_stages(swapped):
    names = ["sallen-key-lowpass-unity", "fliege-notch", "tow-thomas-bandpass"]
    network = cascade([circuit(n) for n in names]).network
    if swapped:
        network = Swap("1").apply(network)[0]
    model, _ = model_of(network)
    other = nodal(network)
    ratios = draw(ranges(network, Spread()), 1, 0)[:20]
    grid = grid_of(network)
    want = np.abs(other.response(other.prepare(ratios), grid)) ** 2
    assert np.allclose(model.squares(model.prepare(ratios), grid), want, rtol=1e-9, atol=1e-18)


def test_high_q_loses_no_more_than_stated():
    """Q = 1000: the error of |H|**2 stays within some 2**-53 * Q**2."""
    q, r, c = 1000.0, 10e3, 10e-9
    network = circuit("tow-thomas-bandpass").with_values(
        {"R1": q * r, "R2": r, "R3": r, "R4": r, "R5": r, "R6": r, "C1": c, "C2": c}
    )
    model, _ = model_of(network)
    other = nodal(network)
    one = np.ones((1, 8))
    f0 = 1 / (2 * math.pi * r * c)
    grid = f0 * (1 + np.linspace(-1, 1, 101) / q)
    want = np.abs(other.response(other.prepare(one), grid)) ** 2
    got = model.squares(model.prepare(one), grid)
    assert np.abs(got / want - 1).max() < 40 * 2.0**-53 * q**2


def ladder(nodes):
    branches = []
    for k in range(nodes):
        here = f"n{k + 1}" if k + 1 < nodes else "out"
        before = f"n{k}" if k else "in"
        branches.append(Branch(f"R{k + 1}", 0, (before, here), 1e3))
        branches.append(Branch(f"C{k + 1}", 1, (here, "0"), 1e-9))
    return Network(tuple(branches))


def test_a_circuit_without_a_formula_is_computed_from_its_equations():
    long = ladder(16)
    with pytest.raises(NetworkError, match="terms"):
        analyse(long)
    result = tolerance(long, samples=50, frequencies=np.geomspace(10, 1e5, 12))
    assert result.worst_case is None
    assert "too many terms" in result.notes[0]
    assert (np.diff(result.percentiles, axis=0) >= 0).all()
    # at DC nothing matters; far up each resistor and capacitor lowers |H| by the same share
    assert abs(result.nominal_db[0]) < 0.01
    parts = np.array([p.db_per_percent for p in result.sensitivities])
    r, c = parts[0::2].sum(axis=0), parts[1::2].sum(axis=0)
    assert np.allclose(r, c, rtol=1e-6, atol=1e-12)  # R to k*R and C to C/k leave H alone


def test_no_parts_and_no_values():
    with pytest.raises(NetworkError, match="no parts"):
        tolerance(stage("voltage-follower").circuit())
    with pytest.raises(NetworkError, match="no value"):
        tolerance(stage("rc-lowpass").network)


# -- percentiles -----------------------------------------------------------------------------------


def test_percentiles_against_numpy():
    values = np.random.default_rng(4).normal(size=(5, 1237))
    percents = (0.0, 2.5, 50.0, 97.3, 100.0)
    want = np.percentile(values, percents, axis=1)
    assert np.allclose(ranked(values.copy(), percents), want, rtol=1e-12)


def test_percentiles_are_those_of_the_responses():
    network = circuit("multiple-feedback-bandpass")
    model, _ = model_of(network)
    given, grid = ranges(network, Spread()), grid_of(network)
    drawn = sample(model, given, samples=1500, seed=9)
    found = percentiles(model, drawn, grid, (5.0, 50.0, 95.0), phase=True)
    ratios = np.vstack([draw(given, 9, k) for k in range(2)])[:1500]
    other = nodal(network)
    h = other.response(other.prepare(ratios), grid)
    nominal = other.response(other.prepare(np.ones((1, 5))), grid)
    assert np.allclose(found.squares, np.percentile(np.abs(h) ** 2, (5, 50, 95), axis=1))
    turned = np.angle(h / nominal, deg=True)
    assert np.allclose(found.phases, np.percentile(turned, (5, 50, 95), axis=1), atol=1e-6)


def test_phase_of_an_allpass():
    """First order: phase -2*atan(w*R*C), so 5 % of C move it by the closed form."""
    network = circuit("allpass-first-order-lag")
    parts = dict.fromkeys(network.values, 1e-06) | {"C1": 0.05}
    result = tolerance(
        network, Spread(parts=parts), phase=True, percents=(0.0, 100.0), samples=20000
    )
    values = network.values
    resistors = [b for b in network.branches if b.power == 0]
    c1 = network.branch("C1")
    r = next(b for b in resistors if set(b.nodes) & set(c1.nodes) - {"0", "in"})
    wrc = 2 * np.pi * result.frequencies * values[r.name] * values["C1"]
    swing = np.degrees(2 * np.arctan(1.05 * wrc) - 2 * np.arctan(wrc))
    assert np.allclose(-result.phases[0], swing, atol=0.02)
    # the magnitude is one whatever C is
    assert np.abs(result.percentiles).max() < 1e-4


# -- reproducible ----------------------------------------------------------------------------------


def run(network, tests, **how):
    model, _ = model_of(network)
    temperature = Temperature(-10, 50)
    given = ranges(network, Spread(distribution=Distribution("normal"), temperature=temperature))
    drawn = sample(model, given, tests, samples=5300, seed=21, **how)
    how.pop("chunk", None)
    found = percentiles(model, drawn, grid_of(network), (5.0, 50.0, 95.0), **how)
    return drawn.prepared, drawn.passed, found.squares


def test_the_same_to_the_last_bit_whoever_does_it():
    network = circuit("state-variable-notch")
    model, _ = model_of(network)
    limit = Limit(100, 800, "within", 0.2)
    at = limit_frequencies(limit)
    nominal = model.squares(model.prepare(np.ones((1, len(model.names)))), at)[:, 0]
    tests = [bounds(limit, at, nominal)]
    want = run(network, tests)
    assert 0 < want[1].mean() < 1
    for chunk in (1, BLOCK, 3 * BLOCK + 5, 100_000):
        for a, b in zip(want, run(network, tests, chunk=chunk), strict=True):
            assert np.array_equal(a, b)
    pools = [
        ThreadPoolExecutor(3),
        ProcessPoolExecutor(2, mp_context=get_context("spawn")),
    ]
    for pool in pools:
        with pool:
            for a, b in zip(want, run(network, tests, chunk=BLOCK, executor=pool), strict=True):
                assert np.array_equal(a, b)


def test_more_circuits_begin_with_the_same_ones():
    network = circuit()
    model, _ = model_of(network)
    given = ranges(network, Spread())
    few = sample(model, given, samples=700, seed=3).prepared
    many = sample(model, given, samples=4000, seed=3).prepared
    assert np.array_equal(few, many[:, :700])
    assert not np.array_equal(few, sample(model, given, samples=700, seed=4).prepared)


def test_a_result_repeats_and_follows_its_seed():
    a, b, c = (tolerance(circuit(), samples=1000, seed=k) for k in (5, 5, 6))
    assert np.array_equal(a.percentiles, b.percentiles)
    assert not np.array_equal(a.percentiles, c.percentiles)


def test_progress_counts_to_its_end():
    seen = []
    tolerance(
        circuit(),
        samples=40_000,
        limits=[Limit(1, 500, "within", 0.5)],
        progress=lambda done, total: seen.append((done, total)),
    )
    assert [d for d, _ in seen] == list(range(1, seen[-1][1] + 1))
    assert len({t for _, t in seen}) == 1


@pytest.mark.parametrize("stop", [1, 2])
def test_interruption_keeps_what_is_done(stop):
    network = circuit()

    def progress(done, total):
        if done == stop:
            raise KeyboardInterrupt

    result = tolerance(network, samples=40_000, progress=progress)
    assert not result.complete
    assert result.samples == stop * 16_000
    whole = tolerance(network, samples=stop * 16_000)
    assert np.array_equal(result.percentiles, whole.percentiles)


def test_interruption_while_percentiles_are_taken_keeps_the_first_frequencies():
    def progress(done, total):
        if done == total - 1:
            raise KeyboardInterrupt

    result = tolerance(circuit(), samples=40_000, progress=progress)
    assert not result.complete
    assert result.samples == 40_000
    assert 0 < len(result.frequencies) < 200
    assert result.percentiles.shape == (3, len(result.frequencies))
    assert result.worst_case is None


def test_interruption_later_still_keeps_the_rest():
    """While tolerances are halved: the yield and the parts done stay, the worst case is left."""
    network = circuit()

    def progress(done, total):
        if done == total - 2:
            raise KeyboardInterrupt

    limits = [Limit(1, 500, "within", 0.1)]
    result = tolerance(network, limits=limits, samples=1000, band=(1, 500), progress=progress)
    assert not result.complete
    assert result.yield_ == tolerance(network, limits=limits, samples=1000).yield_
    halved = [p.yield_if_halved is not None for p in result.sensitivities]
    assert halved == [True, False, False, False]
    assert result.worst_case is None
    assert result.notes == ()


def test_a_large_loop_has_a_bound_and_says_so(monkeypatch):
    result = tolerance(ladder(8), samples=100)
    assert result.worst_case is not None
    assert not result.worst_case.exact
    monkeypatch.setattr(corners, "MOST_BOUNDED", 15)
    result = tolerance(ladder(8), samples=100)
    assert result.worst_case is None
    assert "act together" in result.notes[0]
    assert len(result.sections) == 8


@pytest.mark.parametrize(
    ("how", "word"),
    [
        ({"samples": 0}, "0 circuits"),
        ({"samples": 10**9}, "circuits"),
        ({"seed": -1}, "seed"),
        ({"frequencies": []}, "frequencies"),
        ({"frequencies": [1.0, math.nan]}, "frequencies"),
        ({"frequencies": [0.0]}, "positive"),
        ({"percents": ()}, "none"),
        ({"percents": (101,)}, "101"),
        ({"band": (10.0, 1.0)}, "lower end"),
    ],
)
def test_wrong_numbers(how, word):
    with pytest.raises(NumberError, match=word):
        tolerance(circuit(), **how)


# -- statistics ------------------------------------------------------------------------------------


@every_stage
def test_small_tolerances_have_the_predicted_variance(one):
    """20000 circuits of 0.02 % parts: the standard deviation of a sample is known to 5/sqrt(2n).

    Only where the response is within 60 dB of its largest: beside a deep notch a small change is
    no small change in decibels.
    """
    network = one.circuit()
    model, _ = model_of(network)
    given = ranges(network, Spread(2e-4, 2e-4))
    grid = grid_of(network, 25)
    predicted = variance(decibels_per_cent(model, grid), given).deviation_db
    ratios = np.vstack([draw(given, 17, k) for k in range(20)])
    db = decibels(model.squares(model.prepare(ratios), grid))
    found = db.std(axis=1)
    nominal = decibels(model.squares(model.prepare(np.ones((1, len(model.names)))), grid))[:, 0]
    # second-order terms: one of relative size sigma_dB/8.7 at most counts
    near = (nominal > nominal.max() - 60) & (predicted < 0.02) & (predicted > 1e-7)
    assert near.any()
    bound = 5 / math.sqrt(2 * len(ratios)) + 0.01
    assert np.abs(found[near] / predicted[near] - 1).max() < bound


def test_drift_has_the_predicted_variance():
    """Common and independent drift, from -15 to 65 degrees about 25; as above."""
    network = circuit("multiple-feedback-lowpass")
    model, _ = model_of(network)
    grid = grid_of(network, 9)
    for tracking in ("common", "independent"):
        t = Temperature(-15, 65, 40.0, -90.0, tracking, tracking)
        given = ranges(network, Spread(1e-5, 1e-5, temperature=t))
        predicted = variance(decibels_per_cent(model, grid), given).deviation_db
        ratios = np.vstack([draw(given, 8, k) for k in range(20)])
        found = decibels(model.squares(model.prepare(ratios), grid)).std(axis=1)
        near = predicted > 1e-4
        assert near.any()
        assert np.abs(found[near] / predicted[near] - 1).max() < 0.04


# -- the simulator ---------------------------------------------------------------------------------

SIMULATED = [
    "sallen-key-lowpass-unity",
    "multiple-feedback-bandpass",
    "state-variable-notch",
    "fliege-allpass",
]


@needs_simulator
@pytest.mark.parametrize("name", SIMULATED)
def test_simulator_has_the_same_response_for_the_same_values(name):
    """Five drawn circuits of four stages: 1e-3*|H| + 1e-5*max|H|, as in test_simulator."""
    network = circuit(name)
    model, loop = model_of(network)
    usual = default_frequencies(network, loop, 2)
    ratios = draw(ranges(network, Spread()), 77, 0)[:5]
    prepared = model.prepare(ratios)
    for k, row in enumerate(ratios):
        values = {b.name: float(b.value * r) for b, r in zip(network.branches, row, strict=True)}
        deck = write_deck(
            network.with_values(values),
            amplifier="ideal",
            frequencies=(float(usual[0]), float(usual[-1])),
            points=15,
        )
        answer = simulate(deck)
        want = np.abs(answer.node(network.output))
        got = np.sqrt(model.squares(prepared[:, k : k + 1], answer.frequencies)[:, 0])
        assert (np.abs(got - want) <= 1e-3 * want + 1e-5 * want.max()).all()
