"""How parts vary: what may be asked, and what is drawn."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, stats

from synth.catalog import stage
from synth.errors import NumberError
from synth.tolerances.draws import BLOCK, draw
from synth.tolerances.spread import Distribution, Spread, Temperature, ranges, series_tolerance

NETWORK = stage("sallen-key-lowpass-unity").circuit()


@pytest.mark.parametrize("value", [0.0, -0.01, 1.0, 2.0, math.nan, math.inf])
@pytest.mark.parametrize("where", ["resistors", "capacitors", "R1"])
def test_wrong_tolerances(value, where):
    spread = {"parts": {"R1": value}} if where == "R1" else {where: value}
    with pytest.raises(NumberError, match=f"{where}.*above 0 and below 100 %"):
        Spread(**spread)


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"low": math.nan, "high": 50.0}, "range"),
        ({"low": 50.0, "high": 10.0}, "lower end"),
        ({"low": -300.0, "high": 10.0}, "absolute zero"),
        ({"low": 0.0, "high": math.inf}, "range"),
        ({"low": 0.0, "high": 50.0, "resistor_ppm": 1e5}, "resistors"),
        ({"low": 0.0, "high": 50.0, "capacitor_ppm": math.nan}, "capacitors"),
        ({"low": 0.0, "high": 50.0, "resistor_tracking": "both"}, "common"),
    ],
)
def test_wrong_temperatures(change, word):
    with pytest.raises(NumberError, match=word):
        Temperature(**change)


@pytest.mark.parametrize("change", [{"shape": "beta"}, {"sigmas": 0.0}, {"sigmas": math.nan}])
def test_wrong_distributions(change):
    with pytest.raises(NumberError):
        Distribution(**change)


def test_unknown_part_and_series():
    with pytest.raises(NumberError, match="R9"):
        ranges(NETWORK, Spread(parts={"R9": 0.1}))
    with pytest.raises(NumberError, match="E7"):
        series_tolerance("E7")


def test_a_series_and_its_tolerance():
    """E96 goes with 1 %, E24 with 5 % (IEC 60063, remark to the tables)."""
    assert (series_tolerance("E96"), series_tolerance("E24")) == (0.01, 0.05)


def test_each_part_has_its_own():
    found = ranges(NETWORK, Spread(0.02, 0.1, {"r2": 0.001}))
    expected = [0.02 if n[0] == "R" else 0.1 for n in found.names]
    expected[found.names.index("R2")] = 0.001
    assert found.tolerance.tolist() == expected


@pytest.mark.parametrize("sigmas", [0.7, 1.0, 3.0, 6.0])
def test_deviation_of_the_truncated_normal(sigmas):
    """Against quadrature of the density, and scipy's own truncated normal."""
    weight = integrate.quad(stats.norm.pdf, -sigmas, sigmas)[0]
    second = integrate.quad(lambda x: x * x * stats.norm.pdf(x), -sigmas, sigmas)[0] / weight
    found = Distribution("normal", sigmas).deviation
    assert found == pytest.approx(math.sqrt(second) / sigmas, rel=1e-9)
    assert found == pytest.approx(stats.truncnorm(-sigmas, sigmas).std() / sigmas, rel=1e-9)


@pytest.mark.parametrize(
    "distribution", [Distribution(), Distribution("normal"), Distribution("normal", 1.0)]
)
def test_draws_follow_their_distribution(distribution):
    """Kolmogorov-Smirnov at the level 1e-4; no draw leaves the tolerance."""
    given = ranges(NETWORK, Spread(0.01, 0.05, distribution=distribution))
    values = np.vstack([draw(given, 7, k) for k in range(10)])
    units = (values - 1) / given.tolerance
    assert np.abs(units).max() <= 1 + 1e-12
    k = distribution.sigmas
    exact = (
        stats.uniform(-1, 2)
        if distribution.shape == "uniform"
        else stats.truncnorm(-k, k, scale=1 / k)
    )
    for column in units.T:
        assert stats.kstest(column, exact.cdf).pvalue > 1e-4
    correlations = np.corrcoef(units.T) - np.eye(units.shape[1])
    assert np.abs(correlations).max() < 5 / math.sqrt(len(units))


def test_blocks_and_seeds_differ_and_repeat():
    given = ranges(NETWORK, Spread())
    first = draw(given, 1, 0)
    assert first.shape == (BLOCK, 4)
    assert np.array_equal(first, draw(given, 1, 0))
    assert not np.isin(draw(given, 1, 1), first).any()
    assert not np.isin(draw(given, 2, 0), first).any()


def test_halving_a_tolerance_keeps_the_draws():
    """Common random numbers: every other part has the very same values."""
    given = ranges(NETWORK, Spread())
    before, after = draw(given, 3, 0) - 1, draw(given.halved(1), 3, 0) - 1
    assert np.allclose(before[:, 1], 2 * after[:, 1], rtol=0, atol=1e-15)
    assert np.array_equal(np.delete(before, 1, axis=1), np.delete(after, 1, axis=1))


def test_common_drift_moves_a_kind_together():
    """With tiny tolerances: capacitors of -200 ppm/K change alike, resistors by either sign."""
    t = Temperature(-15.0, 65.0, 50.0, -200.0, "independent", "common")
    given = ranges(NETWORK, Spread(1e-9, 1e-9, temperature=t))
    change = draw(given, 0, 0) - 1
    r = [k for k, n in enumerate(given.names) if n[0] == "R"]
    c = [k for k, n in enumerate(given.names) if n[0] == "C"]
    assert np.abs(change[:, c[0]] - change[:, c[1]]).max() < 1e-8
    warmth = change[:, c[0]] / -200e-6
    assert warmth.min() > -40.1
    assert warmth.max() < 40.1
    assert warmth.std() == pytest.approx(80 / math.sqrt(12), rel=0.1)
    assert np.abs(np.abs(change[:, r[0]]) - np.abs(50e-6 * warmth)).max() < 1e-8
    assert 0.4 < (change[:, r[0]] * change[:, r[1]] > 0).mean() < 0.6


def test_box_holds_every_draw_and_is_no_larger():
    t = Temperature(-10.0, 70.0, 100.0, -300.0, "independent", "common")
    given = ranges(NETWORK, Spread(0.01, 0.05, temperature=t))
    low, high = given.box
    values = np.vstack([draw(given, 5, k) for k in range(20)])
    assert (values >= low).all()
    assert (values <= high).all()
    # 100 ppm/K over 45 K is 0.45 %; -300 ppm/K is -1.35 % at 70 and +1.05 % at -10 degrees
    for k, n in enumerate(given.names):
        ends = (0.99 * 0.9955, 1.01 * 1.0045) if n[0] == "R" else (0.95 * 0.9865, 1.05 * 1.0105)
        assert (low[k], high[k]) == pytest.approx(ends, rel=1e-12)
    assert not given.box_is_reached
    assert ranges(NETWORK, Spread(temperature=Temperature(-10, 70))).box_is_reached
