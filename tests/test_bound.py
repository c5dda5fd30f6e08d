"""The most margin that any filter of an order can have: closed forms, and random masks."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import signal
from scipy.special import ellipk

from synth.masks.bound import most_margin
from synth.masks.limits import Limit
from synth.masks.verify import margin_db
from synth.transfer.transfer import Transfer

#: The bound is sought to so many dB.
NEAR = 2e-3
INF = math.inf
SPARE = 0.1


def response(z, p, k, hertz: float = 1.0) -> Transfer:
    return Transfer.from_zpk(z, p, k).scaled_frequency(2 * math.pi * hertz)


def lowpass_mask(ripple: float, edge: float, level: float) -> tuple[Limit, ...]:
    """A pass band up to 1 Hz and a stop band, `SPARE` dB wider than a response."""
    return (
        Limit(0, 1, ">=", -ripple - SPARE),
        Limit(0, 1, "<=", SPARE),
        Limit(edge, INF, "<=", level + SPARE),
    )


def elliptic_attenuation(order: int, ripple: float, edge: float) -> float:
    """Attenuation of the elliptic filter, by the degree equation K'/K(k1) = n K'/K(k).

    Its discrimination k1 = sqrt((10^(r/10) - 1)/(10^(a/10) - 1)), its selectivity k = 1/edge
    (W. Cauer 1931; A. Antoniou, "Digital Filters", 1993, on elliptic approximations; from memory).
    """
    k = 1 / edge
    wanted = order * ellipk(1 - k * k) / ellipk(k * k)  # K'/K, of k1
    low, high = -60.0, -1e-9  # log10 of k1
    for _ in range(200):
        middle = (low + high) / 2
        m = 10 ** (2 * middle)
        # K'(k1): near 1 the argument rounds, and K' = ln(4/k1) to all digits
        other = math.log(4) - middle * math.log(10) if m < 1e-14 else float(ellipk(1 - m))
        low, high = (middle, high) if other / ellipk(m) > wanted else (low, middle)
    e = 10 ** (ripple / 10) - 1
    return 10 * math.log10(1 + e / 10 ** (2 * low))


@pytest.mark.parametrize("order", [2, 3, 4, 5, 6, 8, 10])
def test_no_low_pass_beats_the_elliptic_one(order: int) -> None:
    """With one ripple and one stop band the elliptic filter is optimal for odd orders (Zolotarev,
    Cauer), and for even ones with zeros anywhere: its margin is the bound, by its closed form."""
    ripple, edge = 0.5, 1.4
    a = elliptic_attenuation(order, ripple, edge)
    mask = lowpass_mask(ripple, edge, -a)
    near = response(*signal.ellip(order, ripple, a, 1.0, analog=True, output="zpk"))
    assert margin_db(mask, near, near) == pytest.approx(SPARE, abs=1e-4)
    bound = most_margin(mask, near, order)
    assert bound is not None
    assert SPARE - 1e-4 <= bound <= SPARE + NEAR


@pytest.mark.parametrize("order", [2, 3, 5, 8])
def test_without_zeros_none_beats_the_chebyshev_one(order: int) -> None:
    """All poles: the Chebyshev polynomial grows fastest outside (P. L. Chebyshev)."""
    ripple, edge = 0.3, 2.0
    e = 10 ** (ripple / 10) - 1
    level = -10 * math.log10(1 + e * math.cosh(order * math.acosh(edge)) ** 2)
    near = response(*signal.cheby1(order, ripple, 1.0, analog=True, output="zpk"))
    bound = most_margin(lowpass_mask(ripple, edge, level), near, 0)
    assert bound is not None
    assert SPARE - 1e-9 <= bound <= SPARE + NEAR


@pytest.mark.parametrize("q", [2.0, 30.0, 300.0])
def test_narrow_bands_are_no_matter(q: float) -> None:
    """A band-pass of two pairs of poles from a Chebyshev low-pass, in w - 1/w."""
    z, p, k = signal.cheby1(2, 0.5, 1.0, analog=True, output="zpk")
    near = response(*signal.lp2bp_zpk(z, p, k, 1.0, 1 / q))
    far = 3 / q / 2
    edges = [math.sqrt(1 + (x / q / 2) ** 2) + x / q / 2 for x in (-3, -1, 1, 3)]
    assert edges[3] - edges[0] == pytest.approx(2 * far)
    level = 20 * math.log10(abs(near(2j * math.pi * edges[3])))
    mask = (
        Limit(edges[1], edges[2], ">=", -0.5 - SPARE),
        Limit(edges[1], edges[2], "<=", SPARE),
        Limit(0, edges[0], "<=", level + SPARE),
        Limit(edges[3], INF, "<=", level + SPARE),
    )
    bound = most_margin(mask, near, 2)
    assert bound is not None
    assert SPARE - 1e-6 <= bound <= SPARE + NEAR


def test_a_start_far_away_gives_the_same_bound() -> None:
    a = elliptic_attenuation(5, 0.5, 1.4)
    mask = lowpass_mask(0.5, 1.4, -a)
    far = response(*signal.cheby2(5, 40, 1.6, analog=True, output="zpk"))
    bound = most_margin(mask, far, 5)
    assert bound is not None
    assert SPARE - 1e-4 <= bound <= SPARE + NEAR


def test_a_mask_that_no_filter_of_the_order_keeps_has_a_negative_bound() -> None:
    near = response(*signal.ellip(3, 0.5, 40, 1.0, analog=True, output="zpk"))
    a = elliptic_attenuation(3, 0.5, 1.2)
    mask = (Limit(0, 1, ">=", -0.5), Limit(0, 1, "<=", 0.0), Limit(1.2, INF, "<=", -a - 6))
    bound = most_margin(mask, near, 3)
    assert bound is not None
    assert -6 < bound < 0


def test_the_same_gain_on_mask_and_filter_changes_nothing() -> None:
    near = response(*signal.cheby1(4, 0.3, 1.0, analog=True, output="zpk"))
    mask = lowpass_mask(0.3, 2.0, -40.0)
    loud = tuple(Limit(x.low_hz, x.high_hz, x.operation, x.level_db + 20) for x in mask)
    one = most_margin(mask, near, 4)
    other = most_margin(loud, Transfer.from_zpk(near.zeros, near.poles, near.gain * 10), 4)
    assert one is not None
    assert other == pytest.approx(one, abs=NEAR)


def test_within_a_reference_none_has_more_than_all_of_it() -> None:
    near = response(*signal.butter(3, 1.0, analog=True, output="zpk"))
    mask = (Limit(0.01, 2.0, "within", 0.4),)
    assert margin_db(mask, near, near) == pytest.approx(0.4)
    assert most_margin(mask, near, 0) == pytest.approx(0.4, abs=NEAR)


def test_limits_at_few_frequencies_bound_nothing() -> None:
    near = response(*signal.butter(3, 1.0, analog=True, output="zpk"))
    assert most_margin((Limit(0.5, 0.5, "<=", 1.0),), near, 0) is None
    assert most_margin((Limit(0.1, 0.5, ">=", -1.0),), near, 0) is None


@pytest.mark.parametrize("seed", range(10))
def test_random_masks_and_filters(seed: int) -> None:
    """Whatever the filter, its exact margin is not above the bound, even after a climb."""
    rng = np.random.default_rng(seed)
    order = int(rng.integers(2, 7))
    ripple, a = rng.uniform(0.2, 2.0), rng.uniform(20, 50)
    near = response(*signal.ellip(order, ripple, a, 1.0, analog=True, output="zpk"))
    edge, inner = rng.uniform(1.3, 3.0), rng.uniform(0.3, 0.8)
    mask = (
        Limit(0, inner, ">=", -ripple - rng.uniform(-0.1, 0.3)),
        Limit(inner, 1, ">=", -ripple - rng.uniform(0.0, 1.0)),
        Limit(0, 1, "<=", rng.uniform(0.0, 0.5)),
        Limit(edge, 2 * edge, "<=", -a + rng.uniform(-10, 10)),
        Limit(2 * edge, INF, "<=", -a + rng.uniform(-5, 5)),
    )
    bound = most_margin(mask, near, order)
    assert bound is not None
    best, most = near, margin_db(mask, near, near)
    for k in range(150):
        size = 0.1 * 0.97**k
        zeros = [z * (1 + size * rng.normal()) for z in best.zeros if z.imag > 0]
        poles = [p * np.exp(size * rng.normal(size=2) @ [1, 1j]) for p in best.poles if p.imag > 0]
        real = [p * (1 + size * rng.normal()) for p in best.poles if p.imag == 0]
        poles = [complex(min(p.real, -1e-3 * abs(p)), p.imag) for p in poles]
        other = Transfer.from_zpk(
            [*zeros, *np.conj(zeros)],
            [*poles, *np.conj(poles), *real],
            best.gain * 10 ** (0.05 * size * rng.normal()),
        )
        found = margin_db(mask, other, other)
        assert found <= bound
        if found > most:
            best, most = other, found
