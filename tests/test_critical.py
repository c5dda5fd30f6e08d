"""Extremes of magnitude and delay against exact polynomials and differences of the phase."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from synth.target import family_target
from synth.transfer import polynomial as poly
from synth.transfer.critical import delay_extrema, group_delay, magnitude_extrema
from synth.transfer.transfer import Transfer


def exact_extrema(transfer):
    """Positive roots of the slope of |H|^2, by exact arithmetic."""

    def square(p):
        even = poly.strip(c * (-1) ** k for k, c in enumerate(p[::2]))
        odd = poly.strip(c * (-1) ** k for k, c in enumerate(p[1::2]))
        return poly.add(poly.mul(even, even), poly.mul(poly.S, poly.mul(odd, odd)))

    n, d = square(transfer.exact_numerator), square(transfer.exact_denominator)
    slope = poly.subtract(poly.mul(poly.derivative(n), d), poly.mul(n, poly.derivative(d)))
    return sorted({math.sqrt(x.real) for x in poly.roots(slope) if not x.imag and x.real > 0})


@pytest.mark.parametrize(
    "target",
    [
        family_target("lowpass", "elliptic", 7, 1.0),
        family_target("lowpass", "chebyshev", 10, 1.0, ripple_db=0.01),
        family_target("bandpass", "elliptic", 8, 1.0, q=50),
        family_target("bandstop", "chebyshev", 6, 1.0, q=3),
        family_target("highpass", "elliptic", 5, 1e5),
    ],
    ids=lambda t: t.description,
)
def test_all_extremes_of_ripples_are_found(target):
    H = target.transfer
    assert magnitude_extrema(H.zeros, H.poles) == pytest.approx(exact_extrema(H), rel=1e-9)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.floats(0.2, 5), st.floats(0.3, 200)), min_size=1, max_size=5),
    st.lists(st.tuples(st.floats(0.2, 5), st.floats(0.3, 200)), max_size=2),
)
def test_no_extreme_of_random_functions_is_missed(poles, zeros):
    """On a dense grid |H| is never above the largest of the extremes and ends, nor below."""

    def roots(pairs):
        return [
            complex(-w / (2 * q), s * w * math.sqrt(abs(1 - 1 / (4 * q * q))))
            if q > 0.5
            else complex(-w, 0)
            for w, q in pairs
            for s in ((1, -1) if q > 0.5 else (1,))
        ]

    p, z = roots(poles), roots(zeros)
    H = Transfer.from_zpk(z, p, 1.0)
    peaks = np.unique(np.abs([x.imag for x in (*p, *z)]))
    w = np.unique(np.concatenate([np.geomspace(0.03, 30, 3001), peaks[peaks > 0.03]]))
    at = magnitude_extrema(H.zeros, H.poles)
    at = np.concatenate([[0.03], at[(at > 0.03) & (at < 30)], [30.0]])
    values, critical = np.abs(H(1j * w)), np.abs(H(1j * at))
    assert values.max() <= critical.max() * (1 + 1e-9)
    assert values.min() >= critical.min() * (1 - 1e-9)


def test_zeros_on_the_axis_are_among_the_extremes():
    H = Transfer.from_tf([1, 0, 4.0], [1, 0.1, 1])
    at = magnitude_extrema(H.zeros, H.poles)
    assert 2.0 in at
    assert len(at) == 2


@pytest.mark.parametrize("kind", ["lowpass", "allpass", "highpass"])
def test_delay_is_the_slope_of_the_phase(kind):
    H = family_target(kind, "elliptic", 5, 1.0).transfer
    w = np.linspace(0.5, 20, 400)
    step = 1e-5
    turned = np.angle(H(1j * (w + step)) / H(1j * (w - step)))
    near_zero = [abs(w - z.imag) < 0.05 for z in H.zeros]
    clear = ~np.any(near_zero, axis=0)
    found = group_delay(H.zeros, H.poles, w)
    assert found[clear] == pytest.approx(-turned[clear] / (2 * step), rel=1e-4, abs=1e-6)


@pytest.mark.parametrize("order", [3, 6, 9])
def test_delay_extremes_against_a_grid(order):
    H = family_target("lowpass", "chebyshev", order, 1.0, ripple_db=1).transfer
    edge = 2 * math.pi
    at = np.concatenate([[0], delay_extrema(H.zeros, H.poles, 0, edge), [edge]])
    critical = group_delay(H.zeros, H.poles, at)
    grid = group_delay(H.zeros, H.poles, np.linspace(0, edge, 100_001))
    assert critical.max() == pytest.approx(grid.max(), rel=1e-8)
    assert critical.min() == pytest.approx(grid.min(), rel=1e-8)
    assert critical.max() >= grid.max()
