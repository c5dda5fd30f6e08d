"""Kinds and figures of responses against textbook closed forms."""

import math

import pytest
from scipy import signal

from synth.transfer.expression import transfer_from_text
from synth.transfer.kinds import describe
from synth.transfer.transfer import Transfer


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("3", "constant"),
        ("0", "constant"),
        ("1/(s+1)", "lowpass"),
        ("s/(s+1)", "highpass"),
        ("(1-s)/(1+s)", "allpass"),
        ("-(s^2-s+1)/(s^2+s+1)", "allpass"),
        ("1/(s^2+s+1)", "lowpass"),
        ("s/(s^2+s+1)", "bandpass"),
        ("s^2/(s^2+s+1)", "highpass"),
        ("(s^2+1)/(s^2+s+1)", "bandstop"),
        ("(s^2+4)/(s^2+s+1)", "lowpass-notch"),
        ("(s^2+0.25)/(s^2+s+1)", "highpass-notch"),
        ("(s+2)/(s+1)", "other"),
        ("1/s", "other"),
        ("s", "other"),
        ("s^2/(s+1)", "other"),
        ("(s-1)(s-1)/((s+1)(s+2))", "other"),
    ],
)
def test_kind_of_the_usual_forms(text, kind):
    """The five standard second-order forms and the notches: common practice."""
    assert describe(transfer_from_text(text)).kind == kind


@pytest.mark.parametrize("q", [0.8, 1.0, 5.0, 100.0])
def test_peak_of_a_resonant_low_pass(q):
    """Q/sqrt(1 - 1/(4 Q^2)) at w0 sqrt(1 - 1/(2 Q^2)): any circuit text."""
    d = describe(Transfer.from_tf([1], [1, 1 / q, 1]))
    assert d.peak == pytest.approx(q / math.sqrt(1 - 1 / (4 * q * q)), rel=1e-12)
    assert 2 * math.pi * d.peak_hz == pytest.approx(math.sqrt(1 - 1 / (2 * q * q)), rel=1e-9)


@pytest.mark.parametrize("order", range(1, 11))
def test_flat_low_pass_peaks_at_dc(order):
    H = Transfer.from_zpk(*signal.butter(order, 6000.0, analog=True, output="zpk"))
    d = describe(H)
    assert (d.peak_hz, d.zeros_at_origin, d.zeros_at_infinity) == (0.0, 0, order)
    assert (d.slope_low, d.slope_high) == (0.0, -20.0 * order)


@pytest.mark.parametrize("order", range(2, 9))
def test_complement_of_a_low_pass_falls_twenty_decibels_and_peaks(order):
    H = Transfer.from_zpk(*signal.butter(order, 6000.0, analog=True, output="zpk"))
    d = describe(H.complement())
    assert (d.kind, d.zeros_at_origin, d.slope_low) == ("highpass", 1, 20.0)
    assert d.peak > 1.2
    w = 2 * math.pi * d.peak_hz
    for factor in (0.999, 1.001):
        assert abs(H.complement()(1j * w * factor)) < d.peak


def test_peak_of_the_complement_of_a_second_order_butterworth():
    """|1-H|^2 = (x^2+2x)/(1+x^2), x = w^2, is largest at the golden ratio, where it equals it."""
    golden = (1 + math.sqrt(5)) / 2
    d = describe(transfer_from_text("1/(s^2+sqrt(2)s+1)").complement())
    assert d.peak == pytest.approx(math.sqrt(golden), rel=1e-12)
    assert 2 * math.pi * d.peak_hz == pytest.approx(math.sqrt(golden), rel=1e-9)


def test_signs_and_ends():
    d = describe(transfer_from_text("-2(s-3)/(s+1)"))
    assert (d.gain_dc, d.gain_infinity, d.sign_low, d.sign_high) == (6.0, -2.0, 1, -1)
    d = describe(transfer_from_text("-3s/(s^2+s+1)"))
    assert (d.gain_dc, d.gain_infinity, d.sign_low, d.sign_high) == (0.0, 0.0, -1, -1)
    assert d.peak == pytest.approx(3)
    d = describe(transfer_from_text("-1/s"))
    assert (d.gain_dc, d.zeros_at_origin, d.slope_low, d.peak) == (-math.inf, -1, -20.0, math.inf)


def test_poles_on_the_axis_have_an_infinite_peak():
    d = describe(transfer_from_text("1/(s^2+4)"))
    assert (d.peak, d.peak_hz) == (math.inf, pytest.approx(2 / (2 * math.pi)))


def test_band_pass_with_gain_at_its_ends():
    """An elliptic band-pass of even prototype order ends at its stop-band floor, not at zero."""
    H = Transfer.from_zpk(
        *signal.ellip(2, 0.5, 40, [1, 1.2], "bandpass", analog=True, output="zpk")
    )
    d = describe(H)
    assert d.kind == "bandpass"
    assert d.gain_dc == pytest.approx(0.01, rel=1e-6)


def test_the_line_for_a_user():
    text = str(describe(transfer_from_text("1/(s^2+sqrt(2)s+1)").complement()))
    assert text.startswith("highpass of order 2, 1 zero at the origin, +20 dB/decade below")
