"""Figures: the records against independent computations, the pictures against the records."""

import math
import re
import subprocess
import sys
import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest

import synth
from synth.catalog import stage
from synth.errors import NumberError, SynthError
from synth.masks.limits import mask_from_text
from synth.network.deck_reader import read_deck
from synth.plots.figures import FIGURES, figure, figures
from synth.plots.labels import apart
from synth.plots.record import ROLES, Axis, Bars, BarSet, Curve, Figure, Panel
from synth.plots.render import picture, png, svg
from synth.plots.response import comparison
from synth.plots.scales import shown, tick_text
from synth.plots.style import BARS, LINES, MARKS, PAPER, Style
from synth.report.examined import Wishes, examine

E6 = {"1.0", "1.5", "2.2", "3.3", "4.7", "6.8"}
MASK = "1 500 >= -1\n10k 100k <= -30 dB\n10 500 within 0.5 dB"


@pytest.fixture(scope="module")
def lowpass():
    """A Butterworth low-pass at 1 kHz with values that are in no series."""
    r, c = 10e3, 22.5079e-9
    network = stage("sallen-key-lowpass-unity").network
    values = {"R1": r, "R2": r, "C1": c, "C2": c / 2}
    target = synth.target_for("lowpass", 1e3, family="butterworth", order=2)
    design = synth.Design(network.with_values(values), target)
    wishes = Wishes(samples=200, mask=mask_from_text(MASK), capacitors="E6")
    return examine("buoy", design, wishes)


@pytest.fixture(scope="module")
def notch():
    design = synth.Design(stage("fliege-notch").circuit())
    return examine("notch", design, Wishes(samples=100))


@pytest.fixture(scope="module")
def every(lowpass, notch):
    return [*figures(lowpass), *figures(notch)]


def _curve(panel, role):
    found = [c for c in panel.curves if c.role == role]
    assert len(found) == 1, role
    return np.array(found[0].x), np.array(found[0].y)


# -- the records -----------------------------------------------------------------------------------


def test_magnitude_holds_target_mask_given_built_band_and_real(lowpass):
    top, below = figure(lowpass, "magnitude").panels
    f, y = _curve(top, "target")
    np.testing.assert_allclose(y, -10 * np.log10(1 + (f / 1e3) ** 4), atol=1e-9)
    f, y = _curve(top, "given")
    np.testing.assert_allclose(y, -10 * np.log10(1 + (f / 1e3) ** 4), atol=2e-4)
    values = lowpass.network.values
    assert {f"{v:.1e}"[:3] for n, v in values.items() if n[0] == "C"} <= E6
    s = 2j * np.pi * f
    c1, c2, r1, r2 = (values[n] for n in ("C1", "C2", "R1", "R2"))
    own = 1 / (s * s * r1 * r2 * c1 * c2 + s * c2 * (r1 + r2) + 1)
    np.testing.assert_allclose(_curve(top, "built")[1], 20 * np.log10(np.abs(own)), atol=1e-6)
    wt, a0 = 2 * np.pi * 1e6, 2e5  # with one pole and no output resistance it is nearly this
    gain = 1 / (1 / a0 + s / wt)
    den = s * s * r1 * r2 * c1 * c2 + s * (c2 * (r1 + r2) + r1 * c1 / (1 + gain)) + 1
    real = gain / (1 + gain) / den
    low = f < 5e3
    np.testing.assert_allclose(
        _curve(top, "real")[1][low], 20 * np.log10(np.abs(real[low])), atol=0.02
    )
    hatched = [(r.x_low, r.x_high, r.y_low, r.y_high) for r in top.regions]
    assert hatched == [
        (1.0, 500.0, -math.inf, -1.0),
        (1e4, 1e5, -30.0, math.inf),
        (10.0, 500.0, -math.inf, -0.5),
        (10.0, 500.0, 0.5, math.inf),
    ]
    assert [r.y_high for r in below.regions] == [-0.5, math.inf]
    assert {"tolerance"} == {b.role for b in top.bands}
    assert sum(c.role == "worst" for c in top.curves) == 2


def test_deviation_is_the_distance_from_the_target(lowpass):
    free = replace(lowpass, wishes=replace(lowpass.wishes, mask=None))
    top, below = figure(free, "magnitude").panels
    built = _curve(top, "built")[1]
    target = _curve(top, "target")[1]
    away = _curve(below, "built")[1]
    near = target > -40
    np.testing.assert_allclose(away[near], (built - target)[near], atol=1e-12)
    assert np.isnan(away[~near]).all()
    np.testing.assert_array_equal(_curve(below, "target")[1][near], 0.0)


def test_within_is_about_the_gain_of_the_mask_from_0_to_infinity():
    """A low-pass of gain 1 misses a mask about a gain of 20, flat as it is."""
    design = synth.Design(stage("rc-lowpass").circuit())
    mask = mask_from_text("gain 20\n0 1k within 0.5 dB\n0 500 delay 10 %\n100k inf <= -1")
    found = examine("x", design, Wishes(mask=mask, samples=50))
    assert found.tolerances.yield_.value == 0
    assert np.all(np.isfinite(found.frequencies))
    assert found.frequencies[0] > 0
    made = figure(found, "magnitude")
    built = _curve(made.panels[0], "built")[1]
    np.testing.assert_allclose(
        _curve(made.panels[1], "built")[1][:9], (built - 26.0206)[:9], atol=1e-4
    )
    assert "the mask's gain, 26.02 dB" in made.note
    assert any("delay" in note and "left out" in note for note in found.notes)
    assert svg(made)


def test_band_lies_within_the_worst_case_and_around_the_circuit(lowpass):
    top = figure(lowpass, "magnitude").panels[0]
    (band,) = top.bands
    low, high = (np.array(c.y) for c in top.curves if c.role == "worst")
    built = _curve(top, "built")[1]
    assert np.all(low <= np.array(band.low) + 1e-9)
    assert np.all(np.array(band.high) <= high + 1e-9)
    assert np.all((low <= built) & (built <= high))


def test_phase_and_delay(lowpass):
    f, y = _curve(figure(lowpass, "phase").panels[0], "target")
    wanted = -np.degrees(np.arctan2(math.sqrt(2) * f / 1e3, 1 - (f / 1e3) ** 2))
    np.testing.assert_allclose(y, wanted, atol=1e-6)
    f, y = _curve(figure(lowpass, "delay").panels[0], "target")
    x = f / 1e3  # of the Butterworth polynomial of order 2: sqrt(2) (1 + x^2)/(1 + x^4)
    np.testing.assert_allclose(
        y, math.sqrt(2) * (1 + x**2) / (1 + x**4) / (2 * np.pi * 1e3), rtol=1e-9
    )


def test_real_delay_is_the_slope_of_the_real_phase(lowpass):
    f = lowpass.frequencies
    inside = (f > 50) & (f < 2e4)
    w = 2 * np.pi * f
    turned = np.unwrap(np.angle(lowpass.real))
    slope = -np.gradient(turned, w)
    got = lowpass.real_delay
    np.testing.assert_allclose(got[inside][2:-2], slope[inside][2:-2], rtol=0.03)


BIQUAD_AND_SUM = """a notch from a biquad and a sum: real op amps move its zero to the right
R1 in x 100k
R2 bp x 100k
C1 x bp 10n
R3 lp x 10k
R4 bpx y 10k
C2 y lp 10n
R6 bp z 10k
R7 z bpx 10k
X1 0 x bp OPA
X2 0 y lp OPA
X3 0 z bpx OPA
R8 in s 20k
R9 bp s 20k
R10 s out 20k
X4 0 s out OPA
Vin in 0 AC 1
.end
"""


def test_the_real_phase_is_continuous_and_belongs_to_the_real_response():
    found = examine("n", synth.Design(read_deck(BIQUAD_AND_SUM).network), Wishes(samples=20))
    _, y = _curve(figure(found, "phase").panels[0], "real")
    assert np.isfinite(y).all()
    assert np.abs(np.diff(y)).max() < 90
    np.testing.assert_allclose(np.exp(1j * np.radians(y)), found.real / abs(found.real), atol=1e-9)


def test_the_real_delay_is_on_the_axis_where_the_ideal_is_none():
    """Op amps of a finite bandwidth delay what ideal ones pass at once."""
    design = synth.Design(stage("inverting-amplifier").circuit())
    panel = figure(examine("a", design, Wishes(samples=20)), "delay").panels[0]
    _, y = _curve(panel, "real")
    assert y.max() > 1e-8
    assert panel.y.high >= y.max()


def test_step_says_its_overshoot(lowpass):
    made = figure(lowpass, "step")
    y = _curve(made.panels[0], "target")[1]
    assert max(y) == pytest.approx(1.0432, abs=2e-4)
    assert "Overshoot" in made.note


def test_poles_of_a_butterworth_filter_lie_on_a_circle(lowpass):
    marks = [m for m in figure(lowpass, "poles").panels[0].marks if m.role == "pole"]
    assert [round(math.hypot(m.x, m.y), -1) for m in marks] == [1000.0, 1000.0]
    assert [m.text for m in marks if m.y < 0] == [""]


def test_complement_and_its_defect(notch):
    """H + H' = 1 - T_hidden: the figure's sum against the circuit that is really swapped."""
    from synth.analysis.amplifier import same_everywhere
    from synth.analysis.real import real_system
    from synth.analysis.sweep import Sweep

    panel = figure(notch, "complement").panels[0]
    swapped = synth.swap(notch.network)
    system = real_system(swapped, same_everywhere(swapped, notch.model.amplifier))
    other = Sweep(system, notch.frequencies).transfer
    clear = np.abs(other) > 1e-6
    got = _curve(panel, "complement")[1]
    np.testing.assert_allclose(got[clear], 20 * np.log10(np.abs(other))[clear], atol=1e-4)
    missing = np.abs(notch.real + other - 1)
    got = 10 ** (_curve(panel, "defect")[1] / 20)
    np.testing.assert_allclose(got, missing, atol=1e-8)


def test_sensitivities_and_noise_are_those_of_the_check(lowpass):
    bars = figure(lowpass, "sensitivity").bars
    f0 = dict(zip(bars.categories, bars.sets[0].values, strict=True))
    # w0 = 1/sqrt(R1 R2 C1 C2)
    assert [f0[n] for n in ("R1", "R2", "C1", "C2")] == pytest.approx([-0.5] * 4)
    bars = figure(lowpass, "noise").bars
    assert sum(bars.sets[0].values) == pytest.approx(100.0, abs=0.1)
    assert list(bars.sets[0].values[:-1]) == sorted(bars.sets[0].values[:-1], reverse=True)


def test_a_notch_of_no_depth_leaves_the_panel(notch):
    top = figure(notch, "magnitude").panels[0]
    assert min(_curve(top, "built")[1]) < -200
    assert top.y.low >= top.y.high - 100


def test_no_figure_is_missing_and_none_is_invented(every):
    assert {f.name for f in every} == set(FIGURES)
    for made in every:
        roles = {c.role for p in made.panels for c in (*p.curves, *p.bands, *p.regions, *p.marks)}
        assert roles <= set(ROLES)


def test_an_integrator_has_no_step_that_settles():
    found = examine("i", synth.Design(stage("differentiator").circuit()), Wishes(samples=20))
    with pytest.raises(NumberError, match="more zeros than poles"):
        figure(found, "step")
    with pytest.raises(NumberError, match="did you mean step"):
        figure(found, "stp")


# -- the style -------------------------------------------------------------------------------------


def _grey(colour):
    """Relative luminance (Rec. ITU-R BT.709, from memory), gamma left out."""
    r, g, b = (int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5))
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def test_lines_of_one_panel_are_toldapart_without_colour(every):
    for made in every:
        for panel in made.panels:
            roles = {c.role for c in panel.curves}
            forms = {(LINES[r].dashes, round(LINES[r].width / 1.6)) for r in roles}
            assert len(forms) == len(roles), made.name


def test_bars_are_toldapart_without_colour():
    looks = {(hatch, round(_grey(PAPER[colour]), 1)) for colour, hatch in BARS.values()}
    assert len(looks) == len(BARS)


def test_colours_stand_out_from_the_paper():
    for name in {form.colour for form in LINES.values()} - {"target"}:
        assert _grey(PAPER[name]) < 0.45, name


def test_several_circuits_are_toldapart(lowpass, notch):
    several = [(f"{k}", x) for k, x in enumerate((lowpass, notch) * 3)]
    made = comparison(several)
    curves = [c for c in made.panels[0].curves if c.role != "target"]
    assert len({LINES[c.role].dashes for c in curves}) == len(curves) == 6
    f, y = np.array(curves[1].x), np.array(curves[1].y)
    np.testing.assert_array_equal(f, notch.frequencies)
    np.testing.assert_allclose(10 ** (y / 20), np.abs(notch.real))
    with pytest.raises(NumberError, match="at most 6"):
        comparison(several + several[:1])


def test_every_role_has_a_look():
    drawn = set(LINES) | set(MARKS) | set(BARS) | {"mask"}
    assert set(ROLES) <= drawn


# -- the pictures ----------------------------------------------------------------------------------


@pytest.mark.parametrize("labels", ["right", "below"])
def test_svg_says_axes_units_and_labels(lowpass, labels):
    made = figure(lowpass, "magnitude")
    root = ET.fromstring(svg(made, Style(labels=labels)))
    texts = ["".join(t.itertext()) for t in root.iter("{http://www.w3.org/2000/svg}text")]
    for wanted in ("frequency in Hz", "magnitude in dB", "1 k", "target", "preferred values"):
        assert wanted in texts
    assert {"values as given", "tolerance", "worst case", "mask", "real op amps"} <= set(texts)


def test_every_figure_is_drawn_as_svg_and_png(lowpass):
    for made in figures(lowpass):
        assert ET.fromstring(svg(made)).tag.endswith("svg")
    assert png(figure(lowpass, "noise"))[:8] == b"\x89PNG\r\n\x1a\n"


def test_a_picture_is_the_same_each_time_and_asks_for_nothing(lowpass):
    made = figure(lowpass, "delay")
    text = svg(made)
    assert text == svg(made)
    urls = set(re.findall(r"https?://[^\s\"'<>]+", text))
    assert urls <= {"http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"}


def test_identifiers_do_not_clash(lowpass):
    one = picture(figure(lowpass, "step"), Style(prefix="a-")).svg
    two = picture(figure(lowpass, "step"), Style(prefix="b-")).svg
    ids = [re.findall(r'\bid="([^"]+)"', text) for text in (one, two)]
    assert not set(ids[0]) & set(ids[1])
    for text, found in zip((one, two), ids, strict=True):
        assert len(set(found)) == len(found)
        assert set(re.findall(r"url\(#([^)]+)\)", text)) <= set(found)
        assert set(re.findall(r'href="#([^"]+)"', text)) <= set(found)


def test_boxes_are_where_the_panels_are(lowpass):
    drawn = picture(figure(lowpass, "magnitude"))
    top, below = drawn.boxes
    assert 0 < top.left == below.left < top.right < 1
    assert 0 < top.top < top.bottom < below.top < below.bottom < 1


HOSTILE = (
    "</text><script>alert(1)</script>",
    "$\\frac{a}{",
    "R&1",
    "面白い",
    "\x07bell",
    "a" * 300,
)


@pytest.mark.parametrize("label", HOSTILE)
def test_hostile_labels_are_only_text(label):
    axis = Axis("x", "Hz", "log", 1.0, 100.0)
    line = Curve(label, "built", (1.0, 100.0), (0.0, 1.0))
    panel = Panel(axis, Axis(label, "V", "linear", 0.0, 1.0), (line, replace(line, label="b")))
    made = Figure("step", label, (panel,), note=label)
    root = ET.fromstring(svg(made))
    assert not list(root.iter("{http://www.w3.org/2000/svg}script"))
    assert png(replace(made, title=""))[:4] == b"\x89PNG"
    bars = Bars(Axis("share", "%", "linear", 0.0, 1.0), (label,), (BarSet(label, "first", (1.0,)),))
    assert ET.fromstring(svg(Figure("noise", "", bars=bars))) is not None


def test_labels_keepapart():
    places = apart([2.0, 1.99, 1.98, 0.1], 0.0, 3.0)
    assert np.all(-np.diff(places) >= 0.18)
    assert apart([0.0, 0.0, 0.0], 0.0, 3.0)[-1] == 0.0


def test_axes_in_engineering_notation():
    assert [tick_text(v, Axis("f", "Hz", "log", 1, 2)) for v in (0.01, 1, 2e3, 1e6)] == [
        "10 m",
        "1",
        "2 k",
        "1 M",
    ]
    assert shown(Axis("delay", "s", "linear", 0.0, 4e-5)).label == "delay in µs"
    assert shown(Axis("phase", "deg", "linear", -90.0, 0.0)).label == "phase in °"


def test_the_users_settings_and_pyplot_are_left_alone():
    code = """
import sys, matplotlib
matplotlib.rcParams["lines.linewidth"] = 7.5
import synth
from synth.plots.render import svg
svg(synth.plot("rc-lowpass", "step", samples=20))
print(matplotlib.rcParams["lines.linewidth"], "matplotlib.pyplot" in sys.modules)
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["7.5", "False"]


def test_python_function_writes_what_the_ending_says(tmp_path):
    synth.plot("rc-lowpass", "phase", path=tmp_path / "a.png", samples=20)
    assert (tmp_path / "a.png").read_bytes()[:4] == b"\x89PNG"
    with pytest.raises(SynthError, match="svg or"):
        synth.plot("rc-lowpass", "phase", path=tmp_path / "a.bmp", samples=20)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.png"]
