"""Pairing, order and gains of a cascade against exhaustive search with arithmetic of our own."""

from __future__ import annotations

import math
from itertools import permutations, product

import numpy as np
import pytest
import scipy.signal as ss

from synth.errors import TargetError
from synth.search.arrange import PASS_DB, Arranger
from synth.search.partial import factors_of
from synth.search.split import splits
from synth.target.responses import family_target
from synth.transfer.transfer import Transfer


def elliptic(order: int) -> Transfer:
    return Transfer.from_zpk(*ss.ellip(order, 0.3, 50, 1000.0, analog=True, output="zpk"))


def chebyshev_band() -> Transfer:
    return Transfer.from_zpk(*ss.cheby1(3, 1, [900, 1150], "bandpass", True, output="zpk"))


def odd_with_a_real_zero() -> Transfer:
    return Transfer.from_zpk(
        [-3.0, 2j, -2j], [-1.0, -0.2 + 1j, -0.2 - 1j, -0.6 + 1.5j, -0.6 - 1.5j], 1
    )


CASES = {
    "elliptic 5": elliptic(5),
    "elliptic 6": elliptic(6),
    "chebyshev band-pass 6": chebyshev_band(),
    "real zero": odd_with_a_real_zero(),
    "chebyshev 7": Transfer.from_zpk(*ss.cheby1(7, 0.5, 1.0, analog=True, output="zpk")),
}


def units(h: Transfer) -> tuple[list[list[complex]], list[list[complex]]]:
    """Pole groups, and zeros off the origin as conjugate pairs and single real ones."""
    poles = [list(np.roots(s.denominator)) for s in h.sections if s.order]
    zeros = [z for z in h.zeros if z != 0]
    pairs = [[z, z.conjugate()] for z in zeros if z.imag > 0]
    return poles, [*pairs, *([z] for z in zeros if z.imag == 0)]


def every_cascade(h: Transfer):
    """Yield lists of (poles, zeros) in the order of the signal: every pairing in every order."""
    poles, finite = units(h)
    origin, beyond = sum(z == 0 for z in h.zeros), h.excess
    seen = set()
    for owners in product(range(len(poles)), repeat=len(finite)):
        for at_origin in product(*(range(len(p) + 1) for p in poles)):
            if sum(at_origin) != origin:
                continue
            own = [
                [z for k, unit in zip(owners, finite, strict=True) if k == i for z in unit]
                + [0j] * at_origin[i]
                for i in range(len(poles))
            ]
            spare = [len(p) - len(z) for p, z in zip(poles, own, strict=True)]
            if min(spare) < 0 or sum(spare) != beyond or (owners, at_origin) in seen:
                continue
            seen.add((owners, at_origin))
            for order in permutations(range(len(poles))):
                yield [(poles[i], own[i]) for i in order]


def sizes(cascade, w):
    """ln |product of the first sections| after each section, monic, w in rad/s."""
    s = 1j * w
    total = np.zeros(len(w))
    rows = []
    for poles, zeros in cascade:
        for z in zeros:
            total = total + np.log(np.maximum(np.abs(s - z), 1e-20))
        for p in poles:
            total = total - np.log(np.abs(s - p))
        rows.append(total)
    return rows


@pytest.mark.parametrize("name", CASES)
def test_the_least_loss_is_that_of_the_best_of_all_cascades(name) -> None:
    h = CASES[name]
    arranger = Arranger(factors_of(h))
    w = arranger.factors.frequencies
    best, count = math.inf, 0
    for cascade in every_cascade(h):
        rows = sizes(cascade, w)
        inside = rows[-1] >= rows[-1].max() - PASS_DB * math.log(10) / 20
        losses = [float(r.max() - r[inside].min()) for r in rows]
        best = min(best, max(losses))
        count += 1
    assert count >= math.factorial(len(arranger.factors.poles))
    found = arranger.best()
    assert found is not None
    assert found.loss_db == pytest.approx(20 / math.log(10) * best, abs=1e-6)
    assert found.worth[0] == pytest.approx(best, abs=1e-8)


@pytest.mark.parametrize("name", ["elliptic 5", "elliptic 6", "real zero"])
def test_of_the_cascades_of_least_loss_the_sum_is_least(name) -> None:
    h = CASES[name]
    arranger = Arranger(factors_of(h))
    w = arranger.factors.frequencies
    rows = []
    for cascade in every_cascade(h):
        levels = sizes(cascade, w)
        inside = levels[-1] >= levels[-1].max() - PASS_DB * math.log(10) / 20
        losses = [float(r.max() - r[inside].min()) for r in levels]
        rows.append((max(losses), sum(losses)))
    least = min(a for a, _ in rows)
    found = arranger.best()
    assert found is not None
    assert found.worth[1] == pytest.approx(min(b for a, b in rows if a <= least + 1e-8), abs=1e-7)


@pytest.mark.parametrize("name", ["elliptic 5", "chebyshev band-pass 6"])
def test_the_least_noise_is_that_of_the_best_of_all_cascades(name) -> None:
    """White noise of one size added behind every section, gains by equal peaks."""
    h = CASES[name]
    arranger = Arranger(factors_of(h))
    f = arranger.factors
    w = f.frequencies
    width = np.concatenate([[0.0], np.gradient(w[1:-1]) / f.scale, [0.0]])
    size = np.abs(h.response(w / (2 * math.pi)))
    passing = w[size >= size.max() * 10 ** (-PASS_DB / 20)]
    width[w > 2 * passing.max()] = 0.0
    if "band" in name:
        width[w < passing.min() / 2] = 0.0
    best = math.inf
    for cascade in every_cascade(h):
        rows = sizes(cascade, w)
        whole = rows[-1]
        total = 0.0
        for r in rows:
            gain = math.exp(whole.max() - r.max())  # brings the peak of r to that of the whole
            total += float((np.exp(whole - r) / gain) ** 2 @ width)
        best = min(best, total)
    found = arranger.best("noise")
    assert found is not None
    assert found.worth[0] == pytest.approx(best, rel=1e-6)


@pytest.mark.parametrize("name", CASES)
def test_the_shares_bring_every_partial_product_to_one_peak(name) -> None:
    h = CASES[name]
    arranger = Arranger(factors_of(h))
    found = arranger.best()
    assert found is not None
    f = arranger.factors
    w = f.frequencies
    product_, peaks = np.ones(len(w), dtype=complex), []
    for choice, share in zip(found.choices, found.shares, strict=True):
        s = 1j * w / f.scale
        n = np.poly1d(np.concatenate([[1.0], np.zeros(choice.origin)]))
        for j in choice.zeros:
            n = n * np.poly1d(np.array(f.zeros[j][::-1]) / f.scale ** np.arange(len(f.zeros[j])))
        p = f.poles[choice.pole]
        d = np.poly1d(np.array(p[::-1]) / f.scale ** np.arange(len(p)))
        product_ = product_ * share * n(s) / d(s)
        peaks.append(float(np.abs(product_).max()))
    assert peaks == pytest.approx([peaks[-1]] * len(peaks), rel=1e-6)
    assert math.prod(found.shares) == pytest.approx(1.0)


def test_sections_that_must_not_occur_do_not_and_cost_something() -> None:
    arranger = Arranger(factors_of(CASES["elliptic 6"]))
    first = arranger.best()
    assert first is not None
    for section in first.choices:
        other = arranger.best(without=(section,))
        assert other is not None
        assert section not in other.pairing
        assert other.worth >= first.worth
    only = arranger.best(only=first.pairing)
    assert only is not None
    assert only.choices == first.choices


def test_unit_gains_are_ordered_for_the_least_peak() -> None:
    """Against all orders, with gains of 1 at DC."""
    h = CASES["chebyshev 7"]
    arranger = Arranger(factors_of(h))
    found = arranger.best()
    assert found is not None
    gains = arranger.unit_gains(found.choices)
    w = arranger.factors.frequencies
    poles = [np.roots(p[::-1]) for p in arranger.factors.poles]

    def loudest(order) -> float:
        total, worst = np.zeros(len(w)), 0.0
        for i in order:
            total = total + sum(np.log(np.abs(p)) - np.log(np.abs(1j * w - p)) for p in poles[i])
            worst = max(worst, float(total.max()))
        return worst

    least = min(loudest(order) for order in permutations(range(len(poles))))
    ordered = [c.pole for c in arranger.in_order(gains)]
    assert loudest(ordered) == pytest.approx(least, abs=1e-6)
    assert loudest(sorted(range(len(poles)), reverse=True)) > least + 0.1


def test_ten_sections_have_the_number_of_sets_that_theory_says() -> None:
    """sum_k C(10, k)**2 = C(20, 10), A. T. Vandermonde's identity; zeros all finite pairs."""
    h = Transfer.from_zpk(*ss.ellip(20, 0.5, 60, 1.0, analog=True, output="zpk"))
    arranger = Arranger(factors_of(h))
    assert sum(map(len, arranger.sets.levels)) == math.comb(20, 10) == 184_756
    found = arranger.best()
    assert found is not None
    assert len(found.choices) == 10
    customary = [c for c in arranger.sets.choices if c.zeros == (c.pole,)]
    nearest = arranger.best(only=customary)
    assert nearest is None or nearest.worth >= found.worth


def test_more_sections_than_can_be_arranged_are_refused() -> None:
    h = Transfer.from_zpk([], [-1.0 - k / 10 for k in range(22)], 1.0)
    with pytest.raises(TargetError, match="at most 10"):
        factors_of(h)


def test_equal_peaks_win_much_on_a_narrow_band_pass() -> None:
    """Unit gains at the centres of staggered sections lose more than 40 dB there; here 13."""
    target = family_target("bandpass", "chebyshev", 10, 8000.0, width_hz=1000.0)
    best = splits(target.transfer)[0]
    assert best.constants is not None
    assert best.loss_db < 14
    sections = [
        (c, np.roots(p.denominator[::-1]), sum(x == 0 for x in p.numerator[:2]))
        for c, p in zip(best.constants, best.pieces, strict=True)
    ]
    w = target.grid
    total, peaks = np.ones(len(w)), []
    for c, poles, origin in sections:
        total = total * c * w**origin / np.prod([np.abs(1j * w - p) for p in poles], axis=0)
        peaks.append(float(total.max()))
    assert max(peaks) == pytest.approx(1.0, rel=0.1)
    assert min(peaks) == pytest.approx(1.0, rel=0.1)


@pytest.mark.parametrize("order", [3, 5, 7])
def test_odd_orders_offer_the_real_pole_joined_to_a_pair(order) -> None:
    h = family_target("lowpass", "butterworth", order, 1000.0).transfer
    found = splits(h)
    assert any(max(p.order for p in s.pieces) == 3 and len(s) == order // 2 for s in found)
    s = 1j * np.array([1e3, 5e3, 8e3])
    for split in found:
        product_ = np.ones(3, dtype=complex)
        for p in split.pieces:
            product_ *= np.polyval(p.numerator[::-1], s) / np.polyval(p.denominator[::-1], s)
        assert product_ * h.gain == pytest.approx(h(s))
