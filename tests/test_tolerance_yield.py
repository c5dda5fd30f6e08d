"""Yield in closed form, its interval, and the text of masks."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, stats

from synth.catalog import stage
from synth.errors import NumberError
from synth.masks.limits import Limit, limit_from_text, mask_from_text, read_mask
from synth.target import response_target
from synth.tolerances.limits import bounds, limit_frequencies
from synth.tolerances.passband import limit_within
from synth.tolerances.remarks import share_text
from synth.tolerances.roots import has_growing_root
from synth.tolerances.spread import Spread
from synth.tolerances.study import tolerance
from synth.tolerances.yields import wilson

RC = stage("rc-lowpass").circuit()
CORNER = 1 / (2 * math.pi * math.prod(RC.values.values()))


def product_below(k, t_r, t_c):
    """P((1 + t_r u)(1 + t_c v) <= k) for u, v uniform in [-1, 1], by quadrature over u."""

    def inner(u):
        return min(max(((k / (1 + t_r * u) - 1) / t_c + 1) / 2, 0.0), 1.0)

    return integrate.quad(inner, -1, 1, limit=200)[0] / 2


@pytest.mark.parametrize("level", [-2.6, -2.9, -3.0, -3.1, -3.3])
def test_yield_of_one_pole(level):
    """|H| >= level at the corner is R*C <= k: a double integral of uniform densities."""
    k = math.sqrt(10 ** (-level / 10) - 1)
    exact = product_below(k, 0.05, 0.1)
    result = tolerance(
        RC,
        Spread(0.05, 0.1),
        limits=[Limit(CORNER, CORNER, ">=", level)],
        samples=40_000,
        seed=1,
    )
    found = result.yield_
    assert abs(found.value - exact) < 4 * math.sqrt(exact * (1 - exact) / 40_000) + 1e-4
    assert found.low <= found.value <= found.high


def test_two_sided_limits_and_the_yield_with_a_tolerance_halved():
    level = 0.25
    result = tolerance(
        RC, Spread(0.05, 0.1), limits=[Limit(CORNER, CORNER, "within", level)], samples=40_000
    )

    def exact(t_r, t_c):
        ends = [math.sqrt(2 * 10 ** (d / 10) - 1) for d in (-level, level)]
        return product_below(ends[1], t_r, t_c) - product_below(ends[0], t_r, t_c)

    assert result.yield_.value == pytest.approx(exact(0.05, 0.1), abs=0.01)
    halved = {p.name: p.yield_if_halved.value for p in result.sensitivities}
    assert halved["R1"] == pytest.approx(exact(0.025, 0.1), abs=0.01)
    assert halved["C1"] == pytest.approx(exact(0.05, 0.05), abs=0.01)
    assert result.by_share[0].name == "C1"


def test_a_mask_is_kept_by_circuits_that_keep_each_limit():
    limits = mask_from_text(f"1 {CORNER} >= -3.2\n{10 * CORNER} {100 * CORNER} <= -19.8 dB").limits
    result = tolerance(RC, Spread(0.05, 0.1), limits=limits, samples=20_000)
    each = [x.result.value for x in result.limits]
    assert max(0, sum(each) - 1) <= result.yield_.value <= min(each)
    assert all(0 < x < 1 for x in each)


def test_reference_is_the_target_where_one_is_given():
    """Against a target twice as far up hardly any circuit stays within a decibel."""
    limit = Limit(CORNER, CORNER, "within", 0.5)
    near = response_target("lowpass", CORNER, order=1).transfer
    far = response_target("lowpass", 2 * CORNER, order=1).transfer
    assert tolerance(RC, limits=[limit], reference=near, samples=1000).yield_.value > 0.9
    assert tolerance(RC, limits=[limit], reference=far, samples=1000).yield_.value == 0


def test_pass_band_by_default_ends_at_three_decibels():
    limit = limit_within(RC, 0.3)
    assert limit.high_hz == pytest.approx(CORNER, rel=0.05)
    assert limit_within(RC, 0.3, (1.0, 2.0)) == Limit(1.0, 2.0, "within", 0.3)


def test_wilson_against_scipy():
    """scipy.stats.binomtest(...).proportion_ci(method='wilson') is an independent program."""
    for passed, drawn in ((0, 10), (1, 10), (50, 100), (9999, 10000), (10, 10)):
        found = wilson(passed, drawn)
        want = stats.binomtest(passed, drawn).proportion_ci(0.95, method="wilson")
        assert (found.low, found.high) == pytest.approx((want.low, want.high), abs=1e-12)


def test_wilson_covers_the_truth_about_as_often_as_it_says():
    """Exact coverage from the binomial distribution, averaged over p: 95 % within 1 %."""
    n = 60
    covered = []
    for p in np.linspace(0.05, 0.95, 91):
        inside = [k for k in range(n + 1) if wilson(k, n).low <= p <= wilson(k, n).high]
        covered.append(stats.binom.pmf(inside, n, p).sum())
    assert abs(np.mean(covered) - 0.95) < 0.01


# -- text ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "limit"),
    [
        ("1k 2k >= -3 dB", Limit(1e3, 2e3, ">=", -3)),
        ("50Hz 60Hz <= -40dB", Limit(50, 60, "<=", -40)),
        ("  10 1.5kHz   within 0.5  ", Limit(10, 1.5e3, "within", 0.5)),
    ],
)
def test_limits_are_read(text, limit):
    assert limit_from_text(text) == limit


def test_a_mask_with_comments_and_empty_lines():
    text = "# wave sensor\n\n1 10 within 0.5 dB # hum\n 1 20 >= -3 dB\n"
    assert mask_from_text(text).limits == (Limit(1, 10, "within", 0.5), Limit(1, 20, ">=", -3))


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("", "no limits"),
        ("# nothing", "no limits"),
        ("1k 2k > -3 dB", "FROM TO OP LEVEL"),
        ("1k 2k >=", "FROM TO OP LEVEL"),
        ("1k 2k >= -3 dB or so", "FROM TO OP LEVEL"),
        ("1k >= -3 dB", "FROM TO OP LEVEL"),
        ("2k 1k >= -3 dB", "lower end"),
        ("0 0 >= -3 dB", "positive"),
        ("1k 2k >= nan", "nan"),
        ("1k 2k >= 1e9", "out of range"),
        ("1k 2k within 0", "no room"),
        ("1k 2k within -1 dB", "no room"),
        ("1k 2k >= __import__('os')", "not a number"),
        ("1F 2F >= -3", "Hz"),
        ("1 2 >= -3\n1 2 >= x", "line 2"),
        ("1 2 >= -3\n" * 1001, "lines"),
    ],
)
def test_masks_that_cannot_be_read(text, word):
    with pytest.raises(NumberError, match=word) as caught:
        mask_from_text(text)
    assert "\n" not in str(caught.value)


def test_mask_files(tmp_path):
    good = tmp_path / "mask.txt"
    good.write_text("\ufeff1 10 >= -3 dB\n", encoding="utf-8")
    assert read_mask(good).limits == (Limit(1, 10, ">=", -3),)
    (tmp_path / "binary").write_bytes(b"\xff\xfe\x00")
    (tmp_path / "large").write_bytes(b"#" * 300_000)
    for name, word in (
        ("binary", "UTF-8"),
        ("large", "larger"),
        ("absent", "cannot be read"),
        (".", "cannot be read"),
        ("a\0b", "cannot be read"),
    ):
        with pytest.raises(NumberError, match=word):
            read_mask(tmp_path / name)


def test_limits_are_looked_at_at_their_ends_and_beside_poles():
    limit = Limit(10, 1000, ">=", -3)
    grid = limit_frequencies(limit, [123.456, 5000.0])
    assert (grid[0], grid[-1]) == (10, 1000)
    assert 123.456 in grid
    found = bounds(limit, grid, np.ones(len(grid)))
    assert np.allclose(found.least, 10**-0.3)
    assert np.isinf(found.most).all()


# -- what grows, the order of the parts, digits ----------------------------------------------------


@pytest.mark.parametrize("degree", [1, 2, 3, 5])
def test_roots_in_the_right_half_plane_against_numpy(degree):
    generator = np.random.default_rng(degree)
    c = generator.normal(size=(degree + 1, 400)) + 1.5
    want = [bool((np.roots(x[::-1]).real > 0).any()) for x in c.T]
    assert 0 < sum(want) < 400
    assert has_growing_root(c).tolist() == want


def test_a_resonator_on_the_axis_does_not_grow():
    assert not has_growing_root(np.array([[1.0], [0.0], [1.0]]))[0]


def test_parts_whose_yields_are_alike_come_by_share():
    """All circuits pass a wide limit, whichever tolerance is halved: only shares tell parts apart.

    A passive limit at the corner: both parts act alike, so the share goes as the tolerance squared.
    """
    for spread, first in ((Spread(0.05, 0.04), "R1"), (Spread(0.04, 0.05), "C1")):
        limits = [Limit(CORNER, CORNER, "within", 0.35)]
        result = tolerance(RC, spread, limits=limits, samples=300)
        assert result.by_share[0].name == first
        shares = [p.share for p in result.by_share]
        assert shares == sorted(shares, reverse=True)


@pytest.mark.parametrize(
    ("share", "text"),
    [(1.0, "100 %"), (0.99962, "99.96 %"), (0.999996, "99.9996 %"), (0.5, "50 %"), (0.0, "0 %")],
)
def test_only_all_circuits_are_100_per_cent(share, text):
    assert share_text(share) == text
