"""Masks: reading, sorting, verifying, the lowest orders, equalisers, direct fits."""

import math

import numpy as np
import pytest
from scipy import signal

from synth.errors import NumberError, TargetError
from synth.masks.compare import FITTED, compare
from synth.masks.direct import _level, _Structure, direct_fit
from synth.masks.equaliser import equalised, equaliser, fewest
from synth.masks.figures import largest_q, overshoot
from synth.masks.limits import DelayLimit, Limit, limit_from_text, mask_from_text
from synth.masks.orders import fit_order, lowest_order
from synth.masks.reach import room
from synth.masks.shape import Band, Shape, shape_of
from synth.masks.verify import keeps, verified
from synth.target import family_target
from synth.transfer.transfer import Transfer

LOWPASS = "0 1k within 0.25 dB\n2k inf <= -50 dB\n"


def fit(text, family):
    mask = mask_from_text(text)
    return lowest_order(mask, shape_of(mask), family)


# -- the text --------------------------------------------------------------------------------------


def test_gain_open_bands_and_delays():
    mask = mask_from_text(
        "gain 6 dB\n0 1k >= -1 dB # pass\n2k inf <= -40\n0 900 delay 5 %\n1 2 delay 20us"
    )
    assert mask.gain == pytest.approx(10**0.3)
    assert [x.level_db for x in mask.limits] == pytest.approx([5, -34])
    assert mask.limits[1].high_hz == math.inf
    assert mask.delays == (DelayLimit(0, 900, 0.05), DelayLimit(1, 2, 20e-6, True))
    assert mask_from_text("gain -2\n0 1k within 1").gain == -2
    assert mask_from_text("gain -2\n0 1k within 1").limits == (Limit(0, 1e3, "within", 1),)


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("gain 0\n0 1k >= -1", "not zero"),
        ("gain 500 dB\n0 1k >= -1", "out of range"),
        ("gain 1\ngain 2\n0 1k >= -1", "line 2.*twice"),
        ("gain\n0 1k >= -1", "line 1"),
        ("0 1k delay 5", "percent"),
        ("0 1k delay 120 %", "between 0 and 100"),
        ("0 1k delay -1us", "positive"),
        ("0 inf delay 5%", "ends"),
        ("1k 1k delay 5%", "width"),
        ("inf inf >= -3", "none"),
        ("-1 1k >= -3", "none"),
        ("0 1k = -3", "FROM TO OP LEVEL"),
    ],
)
def test_masks_that_cannot_be_read(text, word):
    with pytest.raises(NumberError, match=word) as caught:
        mask_from_text(text)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        (LOWPASS, "lowpass"),
        ("2k inf >= -1\n0 1k <= -40", "highpass"),
        ("900 1.1k >= -1\n0 500 <= -40\n2k inf <= -30", "bandpass"),
        ("0 40 >= -1\n49 51 <= -30\n60 inf >= -1", "bandstop"),
        ("0 1k >= -1\n2k 3k <= -30\n4k 5k >= -1\n9k inf <= -30", "several"),
        ("0 1k >= -1\n0 inf <= 0.1\n2k inf <= -40", "lowpass"),
    ],
)
def test_kinds(text, kind):
    assert shape_of(mask_from_text(text)).kind == kind


def test_the_ceiling_is_what_the_limits_say_or_the_gain():
    for text, ceiling in (
        ("0 1k >= -1\n2k inf <= -40", 0.0),
        ("0 1k >= -1\n0 1k <= 0.5\n2k inf <= -40", 0.5),
        ("0 1k within 0.2\n2k inf <= -40", 0.2),
        ("gain 6dB\n0 1k >= -1\n2k inf <= -40", 6.0),
    ):
        assert shape_of(mask_from_text(text)).ceiling_db == pytest.approx(ceiling)


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("0 1k <= -3", "no pass band"),
        ("0 1k >= -3", "no stop band"),
        ("0 1k >= -3\n500 2k <= -40", "meet"),
        ("0 1k >= 0\n0 1k <= 0\n2k inf <= -40", "no room"),
    ],
)
def test_masks_that_contradict_themselves(text, word):
    with pytest.raises(TargetError, match=word):
        compare(mask_from_text(text))


# -- verification ----------------------------------------------------------------------------------


def test_a_peak_narrower_than_any_grid_is_seen():
    """A pair of poles and zeros of Q 1e6 close to each other lifts |H| by 6 dB over 1 mHz."""
    w = 2 * math.pi * 777.123
    spike = Transfer.from_tf([1, 2 * w / 1e6, w * w], [1, w / 1e6, w * w])
    H = family_target("lowpass", "butterworth", 6, 2e3).transfer
    mask = mask_from_text("0 1k within 0.1 dB\n20k inf <= -100")
    assert keeps(mask, H)
    row = verified(mask, H * spike)[0]
    assert not row.kept
    assert row.at_hz == pytest.approx(777.123, rel=1e-6)
    assert row.margin == pytest.approx(0.1 - 20 * math.log10(2), abs=1e-3)


def test_ends_of_the_axis_count():
    H = Transfer.from_tf([1, 0, 4], [4, 2, 4])  # 1/4 at infinity
    rows = verified(mask_from_text("0 0.01 >= -0.001\n10 inf <= -12.1"), H)
    assert rows[0].kept
    assert (rows[1].at_hz, rows[1].kept) == (math.inf, False)
    assert rows[1].value == pytest.approx(20 * math.log10(0.25))


def test_margins_against_a_dense_grid():
    mask = mask_from_text("0 900 within 0.3\n0 900 delay 40%\n1.5k 8k <= -30")
    H = family_target("lowpass", "elliptic", 5, 1e3, ripple_db=0.5).transfer
    rows = {str(r.limit): r for r in verified(mask, H)}
    f = np.linspace(0, 900, 200_001)
    level = 20 * np.log10(np.abs(H.response(f)))
    assert rows["0 Hz to 900 Hz within +-0.3 dB"].margin == pytest.approx(
        0.3 - np.abs(level).max(), abs=1e-6
    )
    delay = -np.gradient(np.unwrap(np.angle(H.response(f))), f) / (2 * math.pi)
    inner = delay[1:-1]
    ripple = (inner.max() - inner.min()) / (inner.max() + inner.min())
    assert rows["0 Hz to 900 Hz delay within +-40 %"].value == pytest.approx(ripple, rel=1e-3)


# -- lowest orders ---------------------------------------------------------------------------------

ORDER_OF = {
    "butterworth": signal.buttord,
    "chebyshev": signal.cheb1ord,
    "inverse-chebyshev": signal.cheb2ord,
    "elliptic": signal.ellipord,
}
SPECIFICATIONS = [(0.1, 40, 1.3), (0.5, 60, 2.0), (3, 20, 1.2), (1, 80, 4.0), (0.01, 35, 1.6)]


@pytest.mark.parametrize("family", ORDER_OF)
@pytest.mark.parametrize(("ripple", "stop", "ratio"), SPECIFICATIONS)
def test_lowest_orders_of_scipy(family, ripple, stop, ratio):
    order = ORDER_OF[family](1.0, ratio, ripple, stop, analog=True)[0]
    low = f"0 1k >= {-ripple}\n{1000 * ratio} inf <= {-stop}"
    high = f"1k inf >= {-ripple}\n0 {1000 / ratio} <= {-stop}"
    b = 0.3
    edges = [b * ratio / 2, b / 2]
    lower = [math.sqrt(1 + e * e) - e for e in edges]  # e = (1/x - x)/2
    band = (
        f"{1e3 * lower[1]} {1e3 / lower[1]} >= {-ripple}\n"
        f"0 {1e3 * lower[0]} <= {-stop}\n{1e3 / lower[0]} inf <= {-stop}"
    )
    for text, factor in ((low, 1), (high, 1), (band, 2)):
        found = fit(text, family)
        if order * factor > 20:
            assert found is None
        else:
            assert found.order == order * factor
            assert all(r.kept for r in found.rows)


@pytest.mark.parametrize(
    "family", ["bessel", "legendre", "gaussian", "linear-phase", "synchronous"]
)
def test_the_order_below_the_lowest_has_no_scale(family):
    """By brute force: no edge of the order below keeps both limits."""
    text = "0 1k >= -1.5\n6k inf <= -32"
    mask = mask_from_text(text)
    found = fit(text, family)
    assert keeps(mask, found.target.transfer)
    for edge in np.geomspace(500, 6e3, 100) if found.order > 1 else []:
        H = family_target("lowpass", family, found.order - 1, edge).transfer
        assert not keeps(mask, H)


@pytest.mark.parametrize("kind", ["bandpass", "bandstop"])
@pytest.mark.parametrize("seed", range(8))
def test_no_other_centre_leaves_more_room(kind, seed):
    """Against every centre on a dense grid, for bands of several levels."""
    generator = np.random.default_rng(seed)
    edges = np.cumsum(generator.uniform(0.2, 1, 8)) + 0.5
    inner = [Band(edges[3], edges[4], 1), Band(edges[2], edges[5], 2)]
    outer = [Band(0, edges[0], 3), Band(edges[0], edges[1], 4), Band(edges[6], math.inf, 3)]
    if kind == "bandstop":
        inner, outer = inner[:1], outer
    v_inner = generator.uniform(0.5, 1.5, len(inner))
    v_outer = generator.uniform(1.5, 4, len(outer))
    if kind == "bandpass":
        shape, passing, stopping = Shape(kind, 0, True, inner, outer), v_inner, v_outer
    else:
        shape, passing, stopping = Shape(kind, 0, True, outer, inner), v_inner, v_outer
        passing, stopping = v_outer, v_inner
    found = room(shape, passing, stopping)

    def x(w, c):
        distance = np.inf if w in (0, math.inf) else abs(w - c / w)
        return distance if kind == "bandpass" else 1 / distance

    def width(c):
        ends = [[x(w, c) for w in (b.low, b.high)] for b in shape.passes]
        least = max(max(e) / v for e, v in zip(ends, passing, strict=True))
        ends = [[x(w, c) for w in (b.low, b.high)] for b in shape.stops]
        return min(min(e) / v for e, v in zip(ends, stopping, strict=True)) / least

    best = max(width(c) for c in np.linspace(edges[1] ** 2, edges[6] ** 2, 4001)[1:-1])
    assert found.most / found.least >= best * (1 - 1e-9)
    assert found.most / found.least == pytest.approx(width(found.square), rel=1e-9)


def test_the_margin_is_the_share_by_which_all_limits_may_shrink():
    found = fit("0 1k >= -1\n0 1k <= 0\n2k inf <= -40", "chebyshev")
    share = found.margin
    depth, stop = 1 - share, -40 + 20 * math.log10(1 - share)
    top = -share / 2
    again = f"0 1k >= {top - depth - 1e-3}\n0 1k <= {top + 1e-3}\n2k inf <= {stop + 1e-2 + top}"
    assert keeps(mask_from_text(again), found.target.transfer)
    tighter = f"0 1k >= {-0.99 * depth}\n0 1k <= 0\n2k inf <= {stop - 0.2}"
    mask = mask_from_text(tighter)
    assert fit_order(mask, shape_of(mask), "chebyshev", found.order) is None


def test_stepped_masks_of_every_family_are_kept():
    mask = mask_from_text("0 800 >= -.3\n0 1k >= -1\n2.5k inf <= -40\n4k inf <= -60")
    found = compare(mask)
    names = [c.name for c in found.candidates]
    assert {"butterworth", "chebyshev", "inverse-chebyshev", "elliptic", "legendre"} <= set(names)
    assert [c.order for c in found.candidates] == sorted(c.order for c in found.candidates)
    for c in found.candidates:
        assert keeps(mask, c.target.transfer)
        assert c.q_max == largest_q(c.target.transfer)


def test_zeros_crowd_in_the_deepest_of_neighbouring_stop_bands():
    """Order 4 does what takes every family 5; found by a simplex search outside of this package."""
    mask = mask_from_text("0 1k within 0.5\n2k 3k <= -60\n3.1k inf <= -25")
    found = compare(mask)
    first = found.candidates[0]
    assert (first.name, first.order) == ("fitted", 4)
    assert keeps(mask, first.target.transfer)
    assert min(c.order for c in found.candidates[1:]) == 5


def test_a_fit_that_is_asked_for_is_shown_beside_the_families():
    mask = mask_from_text("0 1k within 0.5\n3k inf <= -30")
    orders = {c.name: c.order for c in compare(mask, direct=True).candidates}
    assert orders["fitted"] == orders["elliptic"]
    assert "fitted" not in {c.name for c in compare(mask).candidates}


DELAYED = "0 3k within 0.5\n0 2k delay 10 %\n10k inf <= -50"


@pytest.mark.parametrize(("family", "order"), [("elliptic", 4), ("chebyshev", 5)])
def test_a_smaller_ripple_is_tried_before_all_pass_sections(family, order):
    """Both keep the mask by a ripple below the one allowed: scipy.signal as the outside voice."""
    from scipy import signal

    from synth.transfer.transfer import Transfer

    turn = 2 * math.pi
    z, p, k = (
        signal.ellip(4, 0.09, 58.88, turn * 3123, analog=True, output="zpk")
        if family == "elliptic"
        else signal.cheby1(5, 0.0703, turn * 2966, analog=True, output="zpk")
    )
    mask = mask_from_text(DELAYED)
    outside = Transfer.from_zpk([complex(x) for x in z], [complex(x) for x in p], float(k))
    assert keeps(mask, outside)
    (found,) = compare(mask, families=[family]).candidates
    assert (found.order, found.equaliser) == (order, 0)
    assert keeps(mask, found.target.transfer)


def test_the_margin_counts_the_delay():
    """All limits tighter by the margin are kept, the delay among them; of an equalised one too."""
    for c in compare(mask_from_text(DELAYED)).candidates:
        assert 0.1 * (1 - c.margin) >= c.rows[-1].value * (1 - 1e-6)
    mask = mask_from_text("0 1k within 0.5\n0 900 delay 3 %\n1.6k inf <= -50")
    (c,) = compare(mask, families=["elliptic"]).candidates
    assert c.equaliser
    assert 0.03 * (1 - c.margin) >= c.rows[-1].value * (1 - 1e-6)


# -- figures ---------------------------------------------------------------------------------------


def test_overshoots():
    """Of order two exp(-pi z/sqrt(1 - z^2)); of real poles none; Butterworth 4: 10.8 %."""
    H = family_target("lowpass", "butterworth", 2, 123.0).transfer
    assert overshoot(H) == pytest.approx(math.exp(-math.pi), abs=1e-5)
    assert overshoot(family_target("lowpass", "synchronous", 9, 1e3).transfer) < 1e-9
    H = family_target("lowpass", "butterworth", 4, 1e3, gain=-2).transfer
    _, y = signal.step(signal.ZerosPolesGain(*H.zpk()), N=20_000)
    assert overshoot(H) == pytest.approx(y.min() / -2 - 1, abs=2e-4)
    assert overshoot(family_target("highpass", "butterworth", 2, 1.0).transfer) is None


# -- equalisers ------------------------------------------------------------------------------------


def test_one_section_is_as_good_as_brute_force():
    H = family_target("lowpass", "butterworth", 3, 1e3).transfer
    limit = DelayLimit(0, 800, 0.01)
    found = equalised(H, limit, 1)
    w = 2 * math.pi * np.linspace(0, 800, 200)
    base = -np.gradient(np.unwrap(np.angle(H(1j * w))), w)
    best = math.inf
    for w0 in 2 * math.pi * np.linspace(200, 1200, 120):
        for q in np.linspace(0.4, 1.2, 100):
            b = w0 / q
            delay = base + 2 * b * (w0**2 + w**2) / ((w0**2 - w**2) ** 2 + (b * w) ** 2)
            best = min(best, (delay.max() - delay.min()) / (delay.max() + delay.min()))
    assert found.ripple < best * 1.05


@pytest.mark.parametrize(("family", "order"), [("chebyshev", 5), ("elliptic", 4)])
def test_an_equaliser_flattens_the_delay_and_nothing_else(family, order):
    H = family_target("lowpass", family, order, 1e3).transfer
    made = equaliser(H, DelayLimit(0, 900, 0.05), 4)
    f = np.linspace(1, 900, 5000)
    whole = H * made.transfer
    assert np.abs(made.transfer.response(f)) == pytest.approx(1, rel=1e-12)
    delay = -np.diff(np.unwrap(np.angle(whole.response(f)))) / np.diff(f)
    ripple = (delay.max() - delay.min()) / (delay.max() + delay.min())
    assert ripple == pytest.approx(made.ripple, rel=0.02)
    assert ripple < 0.05
    assert made.transfer.order == 2 * made.sections
    fewer = equalised(H, DelayLimit(0, 900, 0.05), made.sections - 1) if made.sections > 1 else None
    assert fewer is None or fewer.ripple > 0.05


def test_a_delay_no_equaliser_reaches():
    H = family_target("lowpass", "elliptic", 7, 1e3, stop_attenuation_db=60).transfer
    with pytest.raises(TargetError, match="more than 1 all-pass sections"):
        equaliser(H, DelayLimit(0, 990, 0.001), 1)


def test_delays_are_met_by_the_family_or_by_an_equaliser():
    mask = mask_from_text("0 1k >= -1\n0 900 delay 3%\n1.6k inf <= -50")
    found = compare(mask, families=("bessel", "elliptic"))
    assert found.candidates
    for c in found.candidates:
        assert keeps(mask, c.target.transfer)
    by_name = {c.name: c for c in found.candidates}
    assert by_name["elliptic"].equaliser > 0


# -- no family -------------------------------------------------------------------------------------


def test_the_direct_fit_reaches_the_elliptic_order_and_no_lower():
    """For one ripple and one attenuation the elliptic response is the lowest (Cauer)."""
    mask = mask_from_text("0 1k within 0.25 dB\n2k inf <= -60")
    shape = shape_of(mask)
    order = lowest_order(mask, shape, "elliptic").order
    assert direct_fit(mask, shape, order).kept
    assert not direct_fit(mask, shape, order - 1).kept


def test_a_fit_beats_the_families_on_a_stepped_mask():
    mask = mask_from_text("0 1k >= -1\n0 1k <= 0\n1.7k 2.3k <= -50\n5k inf <= -30")
    found = compare(mask, families=("elliptic", "chebyshev", FITTED))
    first = found.candidates[0]
    assert first.name == FITTED
    assert first.order < min(c.order for c in found.candidates[1:])
    f = np.geomspace(1, 1e6, 200_001)
    level = 20 * np.log10(np.abs(first.target.transfer.response(f)))
    assert level[f <= 1e3].min() >= -1
    assert level.max() <= 1e-6
    assert level[(f >= 1700) & (f <= 2300)].max() <= -50
    assert level[f >= 5e3].max() <= -30


def test_two_pass_bands():
    bands = ("0 100 <= -15", "400 600 within 1", "1k 1.2k <= -15", "2.4k 3.2k within 1")
    text = "\n".join((*bands, "12k inf <= -15"))
    mask = mask_from_text(text)
    found = compare(mask)
    assert found.shape.kind == "several"
    assert [c.name for c in found.candidates] == [FITTED]
    assert all(reason.startswith("its bands") for _, reason in found.absent)
    H = found.candidates[0].target.transfer
    assert all(p.real < 0 for p in H.poles)
    for low, high, least, most in (
        (1, 100, -300, -15),
        (400, 600, -1, 1),
        (1000, 1200, -300, -15),
        (2400, 3200, -1, 1),
        (12000, 1e6, -300, -15),
    ):
        level = 20 * np.log10(np.abs(H.response(np.geomspace(low, high, 20_001))))
        assert least - 1e-6 <= level.min()
        assert level.max() <= most + 1e-6


def test_the_area_of_the_delay_bounds_the_sections_from_below():
    """No equaliser found has fewer sections than the bound, and a far band is refused at once."""
    H = family_target("lowpass", "chebyshev", 5, 1e3).transfer
    for ripple in (0.2, 0.05, 0.02):
        limit = DelayLimit(0, 950, ripple)
        assert fewest(H, limit) <= equaliser(H, limit, 6).sections
    assert fewest(H, DelayLimit(0, 50e3, 0.01)) > 20


def test_slopes_of_the_level_against_differences():
    s = _Structure(2, 1, 2, 1)
    x = np.array([0.1, 0.1, 0.4, -0.3, -1.0, 0.2, 0.5, 0.9])
    w = np.linspace(0.2, 3, 9)
    level, slopes = _level(s, x, w)
    for k in range(x.size):
        moved = x.copy()
        moved[k] += 1e-6
        assert (_level(s, moved, w)[0] - level) / 1e-6 == pytest.approx(
            slopes[:, k], rel=1e-3, abs=1e-3
        )


@pytest.mark.parametrize("text", ["0 1k within 0.5 V", "2k inf <= -60 Hz", "2k inf <= -60s"])
def test_a_level_in_another_unit_is_refused(text: str) -> None:
    with pytest.raises(NumberError, match="a value in dB is wanted"):
        limit_from_text(text)
