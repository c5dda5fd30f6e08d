"""Exact polynomials and transfer functions: laws, scipy as the oracle, classical hard cases."""

import cmath
import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from synth.errors import TargetError
from synth.transfer import polynomial as poly
from synth.transfer.section import Section, section_figures
from synth.transfer.transfer import Transfer

# -- polynomials ---------------------------------------------------------------------------------

whole = st.integers(-9, 9)
polys = st.lists(whole, min_size=1, max_size=6).map(poly.from_floats)
nonzero = polys.filter(bool)


def multiset_distance(found, wanted):
    """Largest distance of matched roots; every match is consumed."""
    left = list(wanted)
    assert len(found) == len(left)
    worst = 0.0
    for z in found:
        match = min(left, key=lambda w: abs(w - z))
        worst = max(worst, abs(match - z))
        left.remove(match)
    return worst


@settings(deadline=None)
@given(polys, polys, polys)
def test_ring_laws(p, q, r):
    assert poly.mul(p, poly.add(q, r)) == poly.add(poly.mul(p, q), poly.mul(p, r))
    assert poly.subtract(poly.add(p, q), q) == p
    assert poly.derivative(poly.mul(p, q)) == poly.add(
        poly.mul(poly.derivative(p), q), poly.mul(p, poly.derivative(q))
    )


@settings(deadline=None)
@given(polys, nonzero)
def test_division_leaves_a_smaller_remainder(p, q):
    quotient, rest = poly.divide(p, q)
    assert poly.add(poly.mul(quotient, q), rest) == p
    assert poly.degree(rest) < poly.degree(q)


@settings(deadline=None)
@given(nonzero, nonzero, nonzero)
def test_gcd_divides_both_and_holds_the_common_factor(p, q, common):
    a, b = poly.mul(p, common), poly.mul(q, common)
    shared = poly.gcd(a, b)
    for x in (a, b):
        assert not poly.divide(x, shared)[1]
    assert not poly.divide(shared, common)[1]
    assert poly.degree(poly.gcd(poly.divide(a, shared)[0], poly.divide(b, shared)[0])) == 0


@settings(deadline=None)
@given(st.lists(st.integers(-20, 20), min_size=1, max_size=8))
def test_whole_roots_come_back_exactly_with_their_multiplicities(wanted):
    p = poly.product(poly.from_floats([1, -z]) for z in wanted)
    found = poly.roots(p)
    assert sorted(z.real for z in found) == sorted(wanted)
    assert all(z.imag == 0 for z in found)


@settings(deadline=None)
@given(st.lists(st.tuples(st.integers(-30, -1), st.integers(1, 30)), min_size=1, max_size=4))
def test_repeated_complex_pairs_come_back_exactly(pairs):
    p = poly.product(poly.from_floats([1, -2 * a, a * a + b * b]) for a, b in pairs)
    found = poly.roots(poly.mul(p, p))
    wanted = [complex(a, sign * b) for a, b in pairs for sign in (1, -1)] * 2
    assert multiset_distance(found, wanted) < 1e-14 * 45
    assert sorted(found, key=str) == sorted((z.conjugate() for z in found), key=str)


@settings(max_examples=50, deadline=None)
@given(st.lists(st.floats(-100, 100).filter(lambda x: abs(x) > 0.01), min_size=4, max_size=9))
def test_random_roots_have_a_residual_at_the_rounding_of_the_root(coefficients):
    p = poly.from_floats(coefficients)
    for z in poly.roots(p):
        re, im = Fraction(z.real), Fraction(z.imag)
        x, y, u, v = p[-1], Fraction(0), Fraction(0), Fraction(0)
        for c in reversed(p[:-1]):
            u, v = u * re - v * im + x, u * im + v * re + y
            x, y = x * re - y * im + c, x * im + y * re
        if not (u or v):
            continue  # a repeated root
        error = complex(x, y) / complex(u, v)
        assert abs(error) <= 1e-15 * max(abs(z), 1e-300)


def test_wilkinson_polynomial():
    """J. H. Wilkinson, Numer. Math. 1 (1959) 150-166: roots 1 to 20; doubles alone lose most."""
    p = poly.product(poly.from_floats([1, -k]) for k in range(1, 21))
    assert [z.real for z in poly.roots(p)] == list(range(1, 21))


def test_expanded_narrow_band_pass_of_twenty_poles_keeps_them():
    """Expanded in doubles these poles move by a good part of |Re p|; exactly, they do not."""
    upper = []
    for k in range(10):
        low = cmath.exp(1j * math.pi * (0.5 + (2 * k + 1) / 20)) / 200
        upper += [
            z
            for z in (low + 1j * cmath.sqrt(1 - low**2), low - 1j * cmath.sqrt(1 - low**2))
            if z.imag > 0
        ]
    assert len(upper) == 10
    p = poly.product(poly.from_root(z) for z in upper)
    found = poly.roots(p)
    for z in upper:
        nearest = min(found, key=lambda w, z=z: abs(w - z))
        assert abs(nearest - z) <= 1e-12 * abs(z.real)
    naive = np.roots(poly.to_floats(p))
    assert max(min(abs(naive - z)) / abs(z.real) for z in upper) > 1e-3


def test_spread_of_eighteen_decades():
    wanted = [-1e-9, -1.0, -1e3, -1e9]
    p = poly.product(poly.from_floats([1, -z]) for z in wanted)
    assert sorted(z.real for z in poly.roots(p)) == sorted(wanted)


def test_zero_polynomial_has_no_roots_to_give():
    with pytest.raises(ValueError, match="zero polynomial"):
        poly.roots(poly.ZERO)


# -- transfer functions --------------------------------------------------------------------------

left = st.one_of(
    st.floats(0.1, 10).map(lambda a: (1.0, a)),
    st.tuples(st.floats(0.1, 10), st.floats(0.1, 20)).map(lambda t: (1.0, t[0] / t[1], t[0] ** 2)),
)


@st.composite
def transfers(draw):
    """Stable proper functions of order 1 to 8."""
    dens = [poly.from_floats(d) for d in draw(st.lists(left, min_size=1, max_size=4))]
    room = sum(len(d) - 1 for d in dens)
    nums = []
    for n in draw(st.lists(left, max_size=3)):
        if len(n) - 1 <= room:
            room -= len(n) - 1
            nums.append(poly.from_floats(n))
    zeros = draw(st.integers(0, room))
    gain = draw(st.floats(-5, 5).filter(lambda g: abs(g) > 0.01))
    return Transfer.from_factors([*nums, *[poly.S] * zeros], dens, gain)


POINTS = np.array([0.03j, 0.3j, 1j, 3.3j, 30j, 0.5 + 0.7j])


@settings(deadline=None)
@given(transfers())
def test_function_plus_complement_is_one(H):
    C = H.complement()
    assert np.allclose(H(POINTS) + C(POINTS), 1, rtol=0, atol=1e-9 * (1 + np.abs(H(POINTS))))
    assert C.denominator == H.denominator or C.cancelled


@settings(deadline=None)
@given(transfers())
def test_complement_twice_is_the_function(H):
    twice = H.complement().complement()
    assert np.allclose(twice(POINTS), H(POINTS), rtol=1e-9, atol=1e-9)
    assert multiset_distance(twice.modes, H.modes) < 1e-8 * max(abs(p) for p in H.modes)


@settings(deadline=None)
@given(transfers())
def test_round_trip_through_scipy_forms(H):
    for back in (
        Transfer.from_zpk(*H.zpk()),
        Transfer.from_tf(*H.tf()),
        Transfer.from_sos(H.sos()),
    ):
        assert np.allclose(back(POINTS), H(POINTS), rtol=1e-8)
    assert len(H.sos()) == max(len(H.sections), 1)


@settings(deadline=None)
@given(transfers())
def test_values_agree_with_scipy(H):
    w = np.array([0.01, 0.2, 1.0, 5.0, 70.0])
    _, wanted = signal.freqs_zpk(*H.zpk(), worN=w)
    assert np.allclose(H(1j * w), wanted, rtol=1e-9)
    assert np.allclose(H.response(w / (2 * math.pi)), wanted, rtol=1e-9)


@settings(deadline=None)
@given(transfers(), st.floats(0.1, 10))
def test_mirror_and_scaling_by_definition(H, k):
    assert np.allclose(H.mirrored(k)(POINTS), H(k * k / POINTS), rtol=1e-7)
    assert np.allclose(H.mirrored(k).mirrored(k)(POINTS), H(POINTS), rtol=1e-7)
    assert np.allclose(H.scaled_frequency(k)(POINTS), H(POINTS / k), rtol=1e-9)


@settings(deadline=None)
@given(transfers(), transfers())
def test_products(G, H):
    assert np.allclose((G * H)(POINTS), G(POINTS) * H(POINTS), rtol=1e-8)
    assert np.allclose((-H)(POINTS), -H(POINTS))
    assert np.allclose((2.5 * H)(POINTS), 2.5 * H(POINTS))


@settings(deadline=None)
@given(transfers())
def test_derived_polynomials_are_the_function(H):
    num, den = np.polyval(H.numerator, POINTS), np.polyval(H.denominator, POINTS)
    assert H.denominator[0] == 1
    assert np.allclose(num / den, H(POINTS), rtol=1e-9)


@pytest.mark.parametrize("order", range(1, 11))
@pytest.mark.parametrize("w0", [1.0, 2 * math.pi * 997.3])
def test_complement_of_a_low_pass_has_exactly_one_zero_at_the_origin(order, w0):
    H = Transfer.from_zpk(*signal.butter(order, w0, analog=True, output="zpk"))
    assert H.complement().zeros.count(0j) == 1


def test_gain_other_than_one_leaves_a_constant_in_the_complement():
    H = Transfer.from_tf([0.9], [1, 1])
    assert H.complement()(0j) == pytest.approx(0.1)


def test_matches_are_consumed_one_by_one():
    """Two zeros at -1 against poles at -1 and -2 cancel once, exactly and nearly."""
    for b in ([1, 2, 1], np.poly([-1 - 1e-12, -1 + 1e-12])):
        H = Transfer.from_tf(b, [1, 3, 2])
        assert len(H.cancelled) == 1
        assert H.cancelled[0] == pytest.approx(-1)
        assert H.poles == pytest.approx((-2,))
        assert H.zeros == pytest.approx((-1,))
        assert len(H.modes) == 2


def test_a_complex_pair_cancels_and_is_kept_among_the_modes():
    quad = poly.from_floats([1, 0.2, 1])
    H = Transfer.from_factors([quad], [quad, poly.from_floats([1, 3])], 4)
    assert str(H) == "4 / (s + 3)"
    assert multiset_distance(H.modes, [-3, *poly.roots(quad)]) == 0


def test_zero_function_keeps_its_modes():
    H = Transfer.from_tf([0], [1, 3, 2])
    assert H.gain == 0
    assert H(1j) == 0
    assert sorted(z.real for z in H.modes) == [-2, -1]
    assert H.complement()(1j) == 1


def test_improper_and_integrating_functions_are_allowed():
    assert Transfer.from_tf([-1, 0], [1])(2j) == -2j
    integrator = Transfer.from_tf([-1], [1, 0])
    assert integrator.poles == (0j,)
    assert not np.isfinite(integrator(0j))


def test_high_q_poles_take_the_nearest_zeros():
    """Common practice in cascades; the elliptic low-pass is the usual example."""
    z, p, k = signal.ellipap(5, 0.5, 40)
    sections = Transfer.from_zpk(z, p, k).sections
    assert [s.order for s in sections] == [1, 2, 2]
    qs = [section_figures(s).q for s in sections[1:]]
    assert qs == sorted(qs)
    notches = [math.sqrt(s.numerator[2]) for s in sections[1:]]
    assert notches == sorted(notches, reverse=True)
    assert len(sections[0].numerator) == 1


def test_zeros_at_the_origin_are_spread():
    z, p, k = signal.butter(2, [0.9, 1.1], "bandpass", analog=True, output="zpk")
    assert [len(s.numerator) for s in Transfer.from_zpk(z, p, k).sections] == [2, 2]
    z, p, k = signal.butter(5, 1, "highpass", analog=True, output="zpk")
    assert [len(s.numerator) for s in Transfer.from_zpk(z, p, k).sections] == [2, 3, 3]


def test_all_pass_zeros_stay_with_their_mirrored_poles():
    _, p, _ = signal.besselap(5)
    H = Transfer.from_zpk(-p.conj(), p, 1.0)
    for s in H.sections:
        assert np.allclose(np.abs(s.numerator), np.abs(s.denominator), rtol=1e-12)


def test_section_figures():
    assert section_figures(Section((1.0,), (1.0, 0.2, 4.0))) == pytest.approx((2, 10))
    assert section_figures(Section((1.0,), (1.0, 7.0))) == (7.0, None)
    assert section_figures(Section((1.0,), (1.0, 0.0, 4.0))) == (2.0, math.inf)
    assert section_figures(Section((1.0,), (1.0, -0.2, 4.0))).q < 0


@pytest.mark.parametrize(
    ("build", "sentence"),
    [
        (lambda: Transfer.from_zpk([], [-1 + 1j], 1), "without its conjugate"),
        (lambda: Transfer.from_zpk([], [-1 + 1j, -1 + 1j, -1 - 1j], 1), "without its conjugate"),
        (lambda: Transfer.from_zpk([math.inf], [-1], 1), "not all finite"),
        (lambda: Transfer.from_tf([1], [0]), "denominator is zero"),
        (lambda: Transfer.from_tf([1j], [1, 1]), "complex coefficients"),
        (lambda: Transfer.from_tf([math.nan], [1, 1]), "finite coefficients"),
        (lambda: Transfer.from_sos([[1, 2, 3]]), "rows of six"),
        (lambda: Transfer.from_tf([1], [1, 1]).mirrored(0), "positive"),
        (lambda: Transfer.from_tf([1e300], [1e-300, 1]), "beyond the range"),
        (lambda: Section((2.0,), (1.0, 1.0)), "monic"),
        (lambda: Transfer(math.inf), "not a finite number"),
    ],
)
def test_refusals_are_sentences(build, sentence):
    with pytest.raises(TargetError, match=sentence):
        build()


def test_text():
    H = Transfer.from_factors(
        [poly.from_floats([1, 0, 4])],
        [poly.from_floats([1, 1, 1]), poly.from_floats([1, 0.5, 2])],
        -2,
    )
    assert str(H) == "-2 (s^2 + 4) / ((s^2 + s + 1) (s^2 + 0.5 s + 2))"
    assert str(Transfer(3.0)) == "3"
