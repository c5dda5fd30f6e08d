"""What a notebook shows of networks, transfers, designs, realisations and figures."""

import re
import subprocess
import sys
import xml.etree.ElementTree as ET

import pytest

import synth
from synth.catalog import stage
from synth.network.model import Branch, Network
from synth.shown import _ANSWERS, register, shown

FORMS = ("svg", "latex", "html")


@pytest.fixture(scope="module")
def lowpass():
    return stage("sallen-key-lowpass-unity").circuit()


def test_network(lowpass):
    root = ET.fromstring(lowpass._repr_svg_())
    texts = {"".join(t.itertext()) for t in root.iter("{http://www.w3.org/2000/svg}text")}
    assert {"R1", "R2", "C1", "C2", "U1"} <= texts
    latex = lowpass._repr_latex_()
    assert latex.startswith("$\\displaystyle H(s) = \\frac{1}{")
    assert latex.endswith("$")
    html = lowpass._repr_html_()
    assert "<svg" in html
    assert html.count("<math") == 2
    assert "<script" not in html


def test_without_values_the_formula_is_left():
    html = stage("sallen-key-lowpass-unity").network._repr_html_()
    assert html.count("<math") == 1


def test_transfer_in_latex():
    h = synth.Transfer.from_tf([2.0, 0.0], [1.0, 3.0, 4e6])
    assert h._repr_latex_() == (
        r"$\displaystyle H(s) = \frac{2\,s}{s^{2} + 3\,s + 4 \cdot 10^{6}}$"
    )


def test_design_and_realisation(lowpass):
    (found,) = synth.realise("lowpass", 1e3, order=1, family="butterworth", top=1)
    html = found._repr_html_()
    assert found.label in html
    assert "target met" in html
    assert html.count("<tr>") == len(synth.parts_list(found).groups)
    assert found._repr_svg_() == found.design._repr_svg_() == found.network._repr_svg_()
    assert found._repr_latex_() == found.network._repr_latex_()
    assert synth.Design(lowpass)._repr_html_().count("<svg") == 1
    assert found.design.target._repr_latex_().startswith("$")


def test_figure_and_explanation(lowpass):
    made = synth.plot(lowpass, "phase", samples=20)
    assert ET.fromstring(made._repr_svg_()).tag.endswith("svg")
    assert synth.explain(lowpass)._repr_markdown_().startswith("# ")


def test_a_page_in_a_frame_cannot_leave_it(lowpass):
    frame = synth.page(lowpass, samples=20)._repr_html_()
    assert frame.startswith("<iframe")
    assert "<script" not in frame  # escaped inside the attribute


@pytest.mark.parametrize("form", FORMS)
def test_what_cannot_be_shown_is_not_shown(form):
    """Not an error in the middle of somebody's notebook."""
    floating = Network((Branch("R1", 0, ("in", "x"), 1.0), Branch("R2", 0, ("y", "out"), 1.0)))
    assert getattr(floating, f"_repr_{form}_")() is None or form == "svg"


def test_hostile_names_are_text():
    network = Network(
        (
            Branch("R<img src=x onerror=alert(1)>", 0, ("in", "out"), 1e3),
            Branch("C$1", 1, ("out", "0"), 1e-9),
        ),
        title="</b><script>alert(1)</script>",
    )
    html = network._repr_html_()
    assert "<img" not in html
    assert "<script" not in html
    assert "$" not in network._repr_latex_().strip("$")


def test_every_answer_is_there():
    assert _ANSWERS
    for (kind, form), place in _ANSWERS.items():
        module, _, function = place.partition(":")
        assert callable(getattr(__import__(module, fromlist=["x"]), function)), (kind, form)
        assert form in FORMS


def test_nothing_answers_for_what_nobody_registered():
    assert shown(3.5, "svg") is None
    register({("float", "svg"): "synth.units:format_si"})
    try:
        assert shown(3.5, "svg") == "3.5"
    finally:
        del _ANSWERS["float", "svg"]


def test_a_low_room_by_itself_draws():
    """Importing the network alone is enough, and loads nothing that draws before it is shown."""
    code = """
import sys
from synth.network.model import Branch, Network
n = Network((Branch("R1", 0, ("in", "out"), 1e3), Branch("C1", 1, ("out", "0"), 1e-9)))
before = [m for m in ("synth.pages", "schemdraw", "matplotlib") if m in sys.modules]
print(before, n._repr_svg_()[:4])
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert re.fullmatch(r"\[\] <svg\s*", done.stdout)
