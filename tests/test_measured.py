"""Tables of responses and the rational functions fitted to them."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from synth.errors import NumberError, SynthError, TargetError
from synth.measured.fit import fit_response, too_many
from synth.measured.poles import minimum_phase, vector_fit
from synth.measured.table import ResponseTable, read_response, response_from_text
from synth.target import family_target


def table(H, f, phase=True, noise=0.0):
    generator = np.random.default_rng(1)
    jitter = generator.normal(size=(2, f.size)) * noise
    v = H.response(f) * np.exp(jitter[0] + 1j * jitter[1])
    return ResponseTable(f, np.abs(v), np.angle(v) if phase else None)


def largest_db(H, G, f):
    return float(np.max(np.abs(20 * np.log10(np.abs(G.response(f) / H.response(f))))))


# -- the text --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    [
        "frequency_hz, magnitude_db, phase_deg\n1k, -20, 90\n100, 0, 0\n2k,-6,-45\n4k,0,180\n",
        "f\tdB\tdegrees\n100\t0\t0\n1k\t-20\t90\n2k\t-6\t-45 # knee\n4k\t0\t180",
        "# buoy 7\n100;0dB;0\n1kHz;-20dB;90\n2k;-6dB;-45\n4k;0;180",
        "100 0 0\n1000 -20 90\n2e3 -6 -45\n4e3 0 180",
        f"f, dB, rad\n100,0,0\n1k,-20,{math.pi / 2}\n2k,-6,{-math.pi / 4}\n4k,0,{math.pi}",
    ],
)
def test_one_table_in_many_spellings(text):
    t = response_from_text(text)
    assert list(t.frequencies_hz) == [100, 1e3, 2e3, 4e3]
    assert t.magnitude == pytest.approx([1, 0.1, 10**-0.3, 1])
    assert t.phase == pytest.approx([0, math.pi / 2, -math.pi / 4, math.pi])


@pytest.mark.parametrize(
    ("header", "unit", "hertz"),
    [
        ("Frequency (kHz),Gain (dB)", "kHz", 1e3),
        ("f/MHz; dB", "MHz", 1e6),
        ("frequency_mhz\tmagnitude_db", "MHz", 1e6),
        ("f [mHz], dB", "mHz", 1e-3),
        ("omega (rad/s), dB", "rad/s", 1 / (2 * math.pi)),
        ("Frequency (KHz) Gain (dB)", "kHz", 1e3),
        ("w krad/s, dB", "krad/s", 1e3 / (2 * math.pi)),
    ],
)
def test_units_of_the_header(header, unit, hertz):
    t = response_from_text(f"{header}\n0.05 0\n1 -1\n2 -3\n20 -40")
    assert t.frequencies_hz == pytest.approx(hertz * np.array([0.05, 1, 2, 20]))
    assert t.magnitude[-1] == pytest.approx(0.01)
    assert t.notes[0] == f"frequencies read as {unit}, as the header says"


def test_a_frequency_in_radians_leaves_the_phase_in_degrees():
    t = response_from_text("w (rad/s), dB, phase (deg)\n1,0,0\n2,0,90\n3,0,1\n4,0,2")
    assert t.phase is not None
    assert t.phase[1] == pytest.approx(math.pi / 2)


def test_ratios_and_decibels():
    plain = response_from_text("1,1\n2,0.5\n3,0.25\n4,0.1")
    assert list(plain.magnitude) == [1, 0.5, 0.25, 0.1]
    assert plain.phase is None
    assert plain.notes == ("magnitudes read as plain ratios",)
    said = response_from_text("f, magnitude dB\n1,1\n2,0.5\n3,0.25\n4,0.1")
    assert said.magnitude[0] == pytest.approx(10**0.05)


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("", "0 points"),
        ("f (rpm), dB\n1,1\n2,1\n3,1\n4,1", "'rpm'.*unknown"),
        ("f (Hz), level (mV)\n1,1\n2,1\n3,1\n4,1", "'mV'.*unknown"),
        ("f (kHz), dB\n1k,1\n2k,1\n3k,1\n4k,1", "line 2.*leave out one unit"),
        ("1,1\n2,1\n3,1", "3 points"),
        ("1,1\n2,1\n3,1\n3,1", "3 Hz twice"),
        ("1,1\n2,1\n3,1\n4", "line 4.*1 columns"),
        ("1,1,1,1\n", "4 columns"),
        ("1,1\n2,1,0\n3,1\n4,1", "line 2.*has 3 columns"),
        ("1,1\n2,x\n3,1\n4,1", "line 2.*not a number"),
        ("0,1\n2,1\n3,1\n4,1", "out of range"),
        ("-5,1\n2,1\n3,1\n4,1", "out of range"),
        ("1,0\n2,1\n3,1\n4,1", "not positive"),
        ("f,ratio\n1,-1\n2,1\n3,1\n4,1", "not positive"),
        ("1,nan\n2,1\n3,1\n4,1", "nan"),
        ("1,__import__('os')\n2,1\n3,1\n4,1", "not a number"),
        ("1,1e999\n2,1\n3,1\n4,1", "range"),
        ("a,b\nc,d\n", "line 2"),
    ],
)
def test_tables_that_cannot_be_read(text, word):
    with pytest.raises(NumberError, match=word) as caught:
        response_from_text(text)
    assert "\n" not in str(caught.value)


@settings(max_examples=80, deadline=None)
@given(st.text(max_size=60))
def test_any_text_is_read_or_refused_in_a_sentence(text):
    try:
        found = response_from_text(text)
    except SynthError as error:
        caught = error
    else:
        assert np.all(np.diff(found.frequencies_hz) > 0)
        return
    assert "\n" not in str(caught)


def test_files(tmp_path):
    good = tmp_path / "r.csv"
    good.write_text("\ufefff,db\n1,0\n2,-1\n3,-2\n4,-3\n", encoding="utf-8")
    assert len(read_response(good).magnitude) == 4
    (tmp_path / "binary").write_bytes(b"\xff\xfe\x00")
    for name, word in (("binary", "UTF-8"), ("absent", "cannot be read"), (".", "cannot be read")):
        with pytest.raises(NumberError, match=word):
            read_response(tmp_path / name)


# -- fits ------------------------------------------------------------------------------------------

CASES = {
    "elliptic": (family_target("lowpass", "elliptic", 5, 1e3), np.geomspace(50, 2e4, 150)),
    "bandpass": (
        family_target("bandpass", "chebyshev", 6, 1e3, q=5),
        np.geomspace(300, 3e3, 120),
    ),
    "inverting": (
        family_target("highpass", "butterworth", 3, 1e3, gain=-2),
        np.geomspace(10, 1e5, 80),
    ),
    "allpass": (family_target("allpass", "bessel", 4, 1e3), np.geomspace(20, 2e4, 120)),
}


@pytest.mark.parametrize("case", CASES)
def test_exact_responses_come_back_with_their_order(case):
    target, f = CASES[case]
    H = target.transfer
    found = fit_response(table(H, f))
    G = found.target.transfer
    assert found.order == H.order
    assert np.sort_complex(np.array(G.poles)) == pytest.approx(
        np.sort_complex(np.array(H.poles)), rel=1e-7
    )
    wide = np.geomspace(f[0] / 10, f[-1] * 10, 300)
    assert np.abs(G.response(wide) / H.response(wide) - 1).max() < 1e-5
    assert found.error_db < 1e-6
    assert found.phase_error < 1e-5


@pytest.mark.parametrize("case", ["elliptic", "bandpass"])
def test_without_a_phase_the_magnitude_comes_back(case):
    target, f = CASES[case]
    found = fit_response(table(target.transfer, f, phase=False))
    assert found.phase_error is None
    assert found.order == target.transfer.order
    assert largest_db(target.transfer, found.target.transfer, f) < 1e-3
    assert all(p.real < 0 for p in found.target.transfer.poles)
    assert all(z.real <= 1e-9 * abs(z) for z in found.target.transfer.zeros)


def test_noise_of_three_per_mille_keeps_the_order():
    target, f = CASES["bandpass"]
    found = fit_response(table(target.transfer, f, noise=0.003))
    assert found.order == 6
    assert largest_db(target.transfer, found.target.transfer, f) < 0.1


def test_a_given_order_is_kept_and_stable():
    target, f = CASES["elliptic"]
    for order in (2, 3, 7):
        found = fit_response(table(target.transfer, f, noise=0.003), order)
        assert found.order == order
        assert all(p.real < 0 for p in found.target.transfer.poles)
    assert fit_response(table(target.transfer, f), 2).error_db > 1


def test_a_wished_response_of_straight_lines_is_met_nearly():
    """A shelf of 12 dB with corners at 100 Hz and 400 Hz: 3 dB at most beside the corners."""
    f = np.geomspace(10, 4e3, 60)
    wish = np.clip(20 * np.log10(f / 100), 0, 12)
    found = fit_response(ResponseTable(f, 10 ** (wish / 20), None), 2)
    H = found.target.transfer
    assert np.abs(20 * np.log10(np.abs(H.response(f))) - wish).max() < 1.5


def test_refusals():
    target, f = CASES["elliptic"]
    for order, word in ((0, "choose 1 to 20"), (21, "choose 1 to 20")):
        with pytest.raises(TargetError, match=word):
            fit_response(table(target.transfer, f), order)
    with pytest.raises(TargetError, match="unknowns"):
        fit_response(table(target.transfer, f[:5], phase=False), 4)


def test_more_poles_than_the_points_hold_are_told():
    H = family_target("lowpass", "chebyshev", 4, 1e3, ripple_db=0.5).transfer
    points = table(H, np.geomspace(20, 2e4, 80))
    assert too_many(fit_response(points, 20)).startswith("the points do not hold 20 poles")
    found = fit_response(points)
    assert (found.order, too_many(found)) == (4, "")


@pytest.mark.parametrize("phase", [False, True])
def test_a_flat_response_is_no_filter(phase):
    f = np.geomspace(20, 2e4, 80)
    flat = ResponseTable(f, np.full(80, 2.0), np.full(80, 0.3) if phase else None)
    with pytest.raises(TargetError, match=r"flat: 6\.02 dB"):
        fit_response(flat)


def test_a_delay_that_is_too_long_is_refused_and_a_short_one_fitted():
    f = np.geomspace(20, 2e4, 80)

    def delayed(seconds):
        return ResponseTable(f, np.ones(80), np.angle(np.exp(-2j * math.pi * f * seconds)))

    with pytest.raises(TargetError, match="too long"):
        fit_response(delayed(1e-3))
    assert fit_response(delayed(20e-6)).phase_error < 1


def test_minimum_phase_of_a_butterworth():
    """H. W. Bode (1945): the phase follows from the slope of the attenuation."""
    H = family_target("lowpass", "butterworth", 3, 1.0).transfer
    w = 2 * math.pi * np.geomspace(0.02, 50, 200)
    found = minimum_phase(w, np.abs(H(1j * w)))
    assert np.abs(found - np.unwrap(np.angle(H(1j * w)))).max() < math.radians(1)


def test_vector_fit_alone_on_a_sum_of_partial_fractions():
    """B. Gustavsen and A. Semlyen (1999): a rational function is its own fit."""
    w = np.geomspace(0.05, 20, 120)
    s = 1j * w
    values = 2 / (s + 0.3) + 2 * (0.5 * (s + 0.1) + 3) / ((s + 0.1) ** 2 + 4) + 0.25
    found = vector_fit(w, values, np.ones(w.size), 3)
    assert np.sort_complex(found.poles) == pytest.approx(
        np.sort_complex(np.array([-0.3, -0.1 + 2j, -0.1 - 2j])), rel=1e-8
    )
    assert found.gain == pytest.approx(0.25, rel=1e-8)
