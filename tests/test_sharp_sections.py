"""Sections of high Q and of more than two poles: how errors count, and values that exist."""

from __future__ import annotations

import numpy as np
import pytest

from synth.catalog import stage
from synth.search.candidates import SectionTarget, derivations
from synth.search.match import CoefficientError, solve
from synth.search.split import section_target, splits
from synth.target.responses import family_target
from synth.values.choose import DEEP, FLOOR
from synth.values.metrics import section_metric
from synth.values.section import SectionFit, fit, pole_q, sharpness, weighed
from synth.values.series import CAPACITORS, RESISTORS

SHELVES = {"R": RESISTORS, "C": CAPACITORS}


def bandpass(q: float) -> SectionTarget:
    return SectionTarget((0.0, 1 / q, 0.0), (1.0, 1 / q, 1.0), 2e4)


@pytest.mark.parametrize("q", [0.5, 5.0, 60.0])
def test_an_error_of_the_pole_frequency_counts_q_times(q) -> None:
    """Against the largest change of |H| beside its peak, over the relative shift of w0."""
    target = bandpass(q)
    assert sharpness(target) == max(1.0, q)
    w = np.linspace(0.3, 3.0, 200_001)
    shift = 1e-5

    def size(w0: float):
        return np.abs((1j * w / q) / (w0**2 - w**2 + 1j * w * w0 / q))

    moved = np.abs(size(1 + shift) - size(1.0)).max() / shift
    if (
        q > 20
    ):  # |H| = 1/sqrt(1 + x^2), x = 2 Q dw/w0: steepest at x^2 = 1/2, slope 2/sqrt(27) * 2 Q
        assert moved == pytest.approx(4 * q / np.sqrt(27), rel=0.05)


def test_the_weight_is_on_the_pole_frequency_alone() -> None:
    """Residuals of a circuit beside exact values, weighed by hand."""
    candidate = derivations(stage("tow-thomas-bandpass"))[0]
    generator = np.random.default_rng(5)
    starts = generator.normal(0, 0.5, size=(40, len(candidate.terms.names)))
    errors = CoefficientError(candidate.terms, SectionTarget((0, -0.025, 0), (1, 0.025, 1), 1.0))
    exact, solved = solve(errors, starts, np.ones(starts.shape[1], dtype=bool))
    assert solved.any()
    logs = exact[solved] + generator.normal(0, 1e-3, size=exact[solved].shape)
    plain = np.abs(errors.evaluate(logs))
    by_hand = plain.copy()
    by_hand[:, -2] *= 40.0  # the rows of D come last: w0**2, then w0/Q
    assert weighed(errors, logs) == pytest.approx(by_hand.max(axis=1))
    assert (weighed(errors, logs) > 3 * plain.max(axis=1)).any()


def test_the_metric_counts_the_pole_frequency_as_often() -> None:
    target = bandpass(20.0)
    plain, sharp = section_metric(target), section_metric(target, 20.0)
    n, d = np.array(target.numerator), np.array(target.denominator)
    moved = np.concatenate([n, d * [1.002, 1.001, 1.0]])[None, :]  # w0 up by 0.1 %, Q the same
    moved[0, 1] *= 1.001
    assert plain.errors(moved)[0] == pytest.approx(np.log(1.001), rel=1e-2)
    assert sharp.errors(moved)[0] == pytest.approx(20 * np.log(1.001), rel=1e-2)


@pytest.mark.parametrize(
    ("name", "kind", "family", "order"),
    [
        ("third-order-lowpass-unity", "lowpass", "butterworth", 3),
        ("third-order-lowpass-unity", "lowpass", "chebyshev", 3),
        ("third-order-highpass-unity", "highpass", "chebyshev", 3),
        ("fourth-order-lowpass-unity", "lowpass", "bessel", 4),
    ],
)
def test_sections_of_more_than_two_poles_get_values_from_the_shelves(
    name, kind, family, order
) -> None:
    h = family_target(kind, family, order, 1000.0).transfer
    (piece,) = next(s.pieces for s in splits(h) if len(s) == 1)
    found = fit(derivations(stage(name))[0], section_target(piece, h.gain), SHELVES, 0, DEEP)
    assert isinstance(found, SectionFit)
    for part, value in found.choice.values.items():
        shelf = SHELVES[part[0]].values
        assert value in shelf, part
    assert found.choice.error < 3 * FLOOR
    from synth.analysis.loop import analyse
    from synth.analysis.numbers import transfer

    loop = analyse(found.candidate.network.with_values(found.choice.values))
    got = transfer(loop, loop.transfer())
    f = np.geomspace(100.0, 1e4, 60)
    assert np.abs(got.response(f) / h.response(f)) == pytest.approx(1.0, abs=0.02)
    assert pole_q(found.target) == pytest.approx(max(abs(p) / (-2 * p.real) for p in h.poles))
