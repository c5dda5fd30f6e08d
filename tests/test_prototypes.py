"""Prototypes against published tables, high-precision arithmetic, and what defines them."""

import json
import math
from itertools import pairwise
from pathlib import Path

import mpmath
import numpy as np
import pytest

from synth.errors import TargetError
from synth.prototypes import closed, equal_ripple, spectral
from synth.prototypes.elliptic import elliptic, selectivity
from synth.target import FAMILIES, family_target, prototype
from synth.transfer.critical import group_delay

TABLES = json.loads(
    (Path(__file__).parent / "published" / "published_tables.json").read_text(encoding="utf-8")
)
PAPOULIS = TABLES["papoulis"]["poles_real_and_complex"]


def upper(poles):
    return sorted((p for p in poles if p.imag >= 0), key=lambda p: (p.imag, p.real))


def magnitude(roots, w):
    s = 1j * np.asarray(w)[:, None]
    top = np.prod(s - np.array(roots.zeros, dtype=complex), axis=1)
    return np.abs(roots.gain * top / np.prod(s - np.array(roots.poles), axis=1))


@pytest.mark.parametrize("order", PAPOULIS)
def test_legendre_poles_of_papoulis(order):
    """A. Papoulis, Proc. IRE 46 (1958) 606-609 and 47 (1959) 332-333 (see the file)."""
    wanted = [complex(p, 0) if isinstance(p, float) else complex(*p) for p in PAPOULIS[order]]
    found = upper(prototype("legendre", int(order)).poles)
    assert found == pytest.approx(upper(wanted), abs=8e-8)


#: A. I. Zverev, Handbook of filter synthesis (1967), linear phase with equiripple error, half power
#: at 1 (from memory): ripple in degrees -> order -> -Re and Im of the poles.
ZVEREV = {
    0.05: {
        2: [(1.0087, 0.6680)],
        3: [(1.0459, 0), (0.8541, 1.0725)],
        4: [(0.9648, 0.4748), (0.7448, 1.4008)],
        5: [(0.9429, 0), (0.8915, 0.8733), (0.6731, 1.7085)],
    },
    0.5: {
        2: [(0.8590, 0.6981)],
        3: [(0.8257, 0), (0.6969, 1.1318)],
        4: [(0.7448, 0.5133), (0.6037, 1.4983)],
        5: [(0.7056, 0), (0.6775, 0.9401), (0.5412, 1.8256)],
    },
}


@pytest.mark.parametrize("order", [2, 3, 4, 5])
@pytest.mark.parametrize("degrees", ZVEREV)
def test_linear_phase_poles_of_zverev(degrees, order):
    found = upper(prototype("linear-phase", order, phase_degrees=degrees).poles)
    wanted = [complex(-a, b) for a, b in ZVEREV[degrees][order]]
    assert found == pytest.approx(wanted, abs=1.1e-4)


def alternations(error, ripple):
    """Signs of the stretches in which the error comes within 1e-6 of its ripple."""
    peaks = [math.copysign(1, e) for e in error if abs(e) > ripple * (1 - 1e-5)]
    return 1 + sum(a != b for a, b in pairwise(peaks)) if peaks else 0


@pytest.mark.parametrize("order", [1, 2, 3, 6, 11, 14, 19, 20])
@pytest.mark.parametrize("kind", ["linear-phase", "equal-delay"])
def test_equal_ripple_alternates_once_more_than_it_has_poles(kind, order):
    """The theorem of alternation: n poles, the delay held at 1, n + 1 equal errors."""
    if kind == "linear-phase":
        ripple = math.radians(0.1)
        poles = np.array(equal_ripple.linear_phase(order, 0.1).poles)
        band = equal_ripple._designed(order, ripple, True)[2]
        w = band * np.sin(np.linspace(1e-9, math.pi / 2, 40_001))
        phase = np.sum(np.arctan2(w[:, None] - poles.imag, -poles.real), axis=1)
        error = phase - w
    else:
        ripple = 0.02
        poles = np.array(equal_ripple.equal_delay(order, ripple).poles)
        band = equal_ripple._designed(order, ripple, False)[2]
        w = band * np.sin(np.linspace(0, math.pi / 2, 40_001))
        error = group_delay([], poles, w) - 1
    assert np.abs(error).max() == pytest.approx(ripple, rel=1e-6)
    assert alternations(error, ripple) == order + 1
    assert np.all(poles.real < 0)


def test_equal_ripple_tends_to_bessel():
    """As the ripple vanishes the delay becomes maximally flat (Thomson 1949)."""
    found = np.sort_complex(np.array(equal_ripple.equal_delay(3, 4e-5).poles))
    bessel = np.sort_complex(np.array(spectral.bessel(3).poles))
    wide = np.sort_complex(np.array(equal_ripple.equal_delay(3, 4e-2).poles))
    assert np.abs(found - bessel).max() < 0.4 * np.abs(wide - bessel).max()


@pytest.mark.parametrize("order", [1, 2, 5, 12, 20])
def test_gaussian_is_the_cut_series_of_the_exponential(order):
    """M. Dishal, Electrical Communication 36 (1959) 3-26: |H|^-2 = sum of (g w^2)^k/k!."""
    p = prototype("gaussian", order)
    with mpmath.workdps(30):
        series = [1 / mpmath.factorial(k) for k in range(order + 1)]
        g = mpmath.findroot(lambda x: mpmath.polyval(series[::-1], x) - 2, mpmath.log(2))
        w = np.linspace(0.1, 3, 12)
        wanted = [float(mpmath.polyval(series[::-1], g * x * x) ** -0.5) for x in w]
    assert np.abs(p.transfer(1j * w)) == pytest.approx(wanted, rel=2e-13)


def test_gaussian_of_order_two_by_hand():
    """s^2 = (1 +- j)/g with g + g^2/2 = 1."""
    g = math.sqrt(3) - 1
    assert prototype("gaussian", 2).poles[0] == pytest.approx(-(((1 - 1j) / g) ** 0.5), rel=1e-14)


@pytest.mark.parametrize("order", [1, 7, 20])
def test_synchronous(order):
    p = prototype("synchronous", order)
    assert len(set(p.poles)) == 1
    assert p.poles[0] == pytest.approx(-1 / math.sqrt(2 ** (1 / order) - 1), rel=1e-12)
    assert abs(p.transfer(1j)) == pytest.approx(math.sqrt(0.5), rel=1e-13)


@pytest.mark.parametrize("order", [2, 3, 8, 13, 20])
def test_closed_forms_at_thirty_digits(order):
    with mpmath.workdps(30):
        for roots, ripple in (
            (closed.butterworth(order), None),
            (closed.chebyshev(order, 0.1), mpmath.mpf("0.1")),
        ):
            a = 0 if ripple is None else mpmath.asinh(1 / mpmath.sqrt(10 ** (ripple / 10) - 1))
            sinh, cosh = (
                (1, 1) if ripple is None else (f(a / order) for f in (mpmath.sinh, mpmath.cosh))
            )
            angles = [mpmath.pi * (2 * i + 1) / (2 * order) for i in range((order + 1) // 2)]
            wanted = [complex(-sinh * mpmath.sin(t), cosh * mpmath.cos(t)) for t in angles]
            for p, q in zip(upper(roots.poles), upper(wanted), strict=True):
                assert abs(p - q) < 1e-15 * max(1, abs(q))


@pytest.mark.parametrize("order", [10, 15, 20])
def test_bessel_poles_at_sixty_digits(order):
    with mpmath.workdps(60):
        coefficients = [
            mpmath.factorial(2 * order - k)
            / (2 ** (order - k) * mpmath.factorial(k) * mpmath.factorial(order - k))
            for k in range(order, -1, -1)
        ]
        wanted = [complex(z) for z in mpmath.polyroots(coefficients, maxsteps=500, extraprec=500)]
    found = sorted(spectral.bessel(order).poles, key=lambda z: (round(z.imag, 9), z.real))
    wanted.sort(key=lambda z: (round(z.imag, 9), z.real))
    assert max(abs(a - b) / abs(b) for a, b in zip(found, wanted, strict=True)) < 4e-16


@pytest.mark.parametrize(("ripple", "stop"), [(0.01, 30), (0.5, 60), (1, 150), (3, 40)])
@pytest.mark.parametrize("order", [1, 2, 5, 9, 14, 20])
def test_elliptic_against_jacobi_functions_at_thirty_digits(order, ripple, stop):
    """Zeros j/(k cd(uK)), poles j cd((u - jv)K), by another library's functions."""
    found = elliptic(order, ripple, stop)
    with mpmath.workdps(40):
        e1, e2 = (mpmath.sqrt(mpmath.mpf(10) ** (mpmath.mpf(x) / 10) - 1) for x in (ripple, stop))
        m1 = (e1 / e2) ** 2
        q = mpmath.qfrom(m=m1) ** (mpmath.mpf(1) / order)
        m = mpmath.mfrom(q=q)
        k_whole = mpmath.ellipk(m)
        v = mpmath.ellipf(mpmath.atan(1 / e1), 1 - m1) / (order * mpmath.ellipk(m1))
        cd = mpmath.ellipfun("cd")
        us = [mpmath.mpf(2 * i + 1) / order for i in range((order + 1) // 2)]
        zeros = [
            complex(0, 1 / (mpmath.sqrt(m) * cd(u * k_whole, m=m).real)) for u in us[: order // 2]
        ]
        poles = [complex(1j * cd((u - 1j * v) * k_whole, m=m)) for u in us]
    poles = [complex(-abs(p.real), abs(p.imag)) for p in poles]
    for mine, wanted in ((found.zeros, zeros), (found.poles, poles)):
        for z in wanted:
            nearest = min((x for x in mine if x.imag >= 0), key=lambda x: abs(x - z))
            assert abs(nearest - z) < 2e-11 * abs(z)
    assert selectivity(order, float(e1 / e2)) == pytest.approx(float(mpmath.sqrt(m)), rel=1e-12)


@pytest.mark.parametrize("order", [3, 8, 13, 20])
def test_elliptic_ripples_are_equal(order):
    """Both bands touch their limits, as often as the order says, and never leave them."""
    roots = elliptic(order, 0.2, 70)
    inside = magnitude(roots, np.sin(np.linspace(0, math.pi / 2, 200_001)))
    assert inside.min() == pytest.approx(10 ** (-0.2 / 20), rel=1e-10)
    assert inside.max() <= 1 + 1e-12
    turns = np.count_nonzero(np.diff(np.sign(np.diff(inside))))
    assert turns == order - 1
    edge = 1 / selectivity(order, closed.ripple_factor(0.2) / closed.ripple_factor(70))
    beyond = magnitude(roots, edge / np.sin(np.linspace(1e-6, math.pi / 2, 200_001)))
    assert beyond.max() == pytest.approx(10 ** (-70 / 20), rel=1e-9)


@pytest.mark.parametrize("kind", ["lowpass", "highpass", "bandpass", "bandstop"])
@pytest.mark.parametrize("family", FAMILIES)
def test_order_twenty_in_every_kind_is_stable_and_has_its_gain(family, kind):
    width = {"q": 5.0} if kind.startswith("band") else {}
    t = family_target(kind, family, 20, 1e3, gain=-3.0, **width)
    assert t.transfer.order == 20
    assert all(p.real < 0 for p in t.transfer.poles)
    assert t.scale == pytest.approx(3, rel=1e-9)


def test_refusals():
    for ask, word in (
        (lambda: prototype("gaussian", 3, phase_degrees=0.1), "no phase ripple"),
        (lambda: prototype("linear-phase", 3, phase_degrees=50), "out of range"),
        (lambda: prototype("equal-delay", 3, delay_ripple=math.nan), "out of range"),
        (lambda: prototype("legendre", 3, edge="delay"), "bessel, linear-phase, equal-delay"),
        (lambda: prototype("synchronous", 21), "choose 1 to 20"),
    ):
        with pytest.raises(TargetError, match=word) as caught:
            ask()
        assert "\n" not in str(caught.value)
