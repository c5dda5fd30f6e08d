"""The page: its record, its HTML, and what a browser makes of it."""

import io
import json
import re
import shutil
import subprocess
import sys
import xml.etree.ElementTree as ET
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import click
import numpy as np
import pytest

import synth
from synth.analysis.symbolic import Formula
from synth.catalog import names, stage
from synth.cli.draw import draw
from synth.cli.main import run
from synth.cli.plot import plot
from synth.cli.report import report
from synth.errors import ExpressionError, NetworkError
from synth.masks.limits import mask_from_text
from synth.network.model import Branch, Network, OpAmp, Port
from synth.network.rails import rails
from synth.pages.blocks import blocks_html
from synth.pages.build import _counts, page
from synth.pages.html import _alike
from synth.pages.mathml import mathml
from synth.pages.plots import plot_data, script_json
from synth.pages.zeros import zero_lines
from synth.realisation.saved import design_text, read_design
from synth.report.document import Equation, Grid, Items, say
from synth.report.examined import Wishes, examine, usual_model
from synth.report.explanation_story import story
from synth.report.mathematics import Math, fraction, word
from synth.transfer.transfer import Transfer
from synth.transform.drive import Swap
from tests.browser import needs_browser, pdf, screenshot, visit

EVIL = "R<script>alert(1)</script>"
NAMES = (EVIL, 'R"onload="x', "C$&amp;", "C\\u003c</script><!--")


def hostile():
    """A low-pass whose every name tries to be markup, saved and read back as a design."""
    r1, r2, c1, c2 = NAMES
    network = Network(
        (
            Branch(r1, 0, ("<b>in", "a'"), 10.7e3),
            Branch(r2, 0, ("a'", "p"), 10.7e3),
            Branch(c1, 1, ("a'", "</svg>out"), 22e-9),
            Branch(c2, 1, ("p", "0"), 10e-9),
        ),
        (OpAmp("U<img src=x onerror=alert(2)>", "p", "</svg>out", "</svg>out", None, "<i>"),),
        (Port("input", "<b>in"),),
        (Port("output", "</svg>out"),),
        title='buoy "</title><script>alert(3)</script> {{ 7*7 }}',
    )
    return read_design(design_text(synth.Design(network)))


class Reader(HTMLParser):
    """Collects elements, attributes and text outside scripts and styles."""

    def __init__(self):
        super().__init__()
        self.elements, self.attributes, self.text, self.open = [], [], [], []

    def handle_starttag(self, tag, attributes):
        self.elements.append(tag)
        self.attributes += [(tag, name, value or "") for name, value in attributes]
        self.open.append(tag)

    def handle_endtag(self, tag):
        if tag in self.open:
            while self.open.pop() != tag:
                pass

    def handle_data(self, data):
        if not {"script", "style"} & set(self.open[-1:]):
            self.text.append(data)


def read(html):
    reader = Reader()
    reader.feed(html)
    return reader


@pytest.fixture(scope="module")
def notch():
    """A notch scaled off the preferred values, against a mask, from a source of 100 ohm."""
    network = synth.scale_frequency(stage("fliege-notch").circuit(), 1.234)
    f0 = synth.analyse(network).H.zeros[0].imag / (2 * np.pi)
    mask = mask_from_text(f"{abs(f0) / 50:g} {abs(f0) / 10:g} within 0.5 dB")
    return page([examine("notch.cir", synth.Design(network), Wishes(mask=mask, samples=200))])


@pytest.fixture(scope="module")
def pair():
    found = synth.realise("lowpass", 1e3, family="butterworth", order=2, top=2)
    return page(
        [examine(f"{k}.json", r.design, Wishes(samples=100)) for k, r in enumerate(found)],
        "synth report 0.json 1.json -o pair.html",
    )


@pytest.fixture(scope="module")
def files(tmp_path_factory, notch, pair):
    """The pages as files, each rendered once."""
    folder = tmp_path_factory.mktemp("pages")
    evil = page([examine(EVIL, hostile(), Wishes(samples=50))], f"synth report '{EVIL}'")
    found = {}
    for name, made in (("notch", notch), ("pair", pair), ("evil", evil)):
        found[name] = folder / f"{name}.html"
        found[name].write_text(made.html, encoding="utf-8")
    return found


@pytest.fixture(scope="module")
def texts(files):
    return {name: path.read_text(encoding="utf-8") for name, path in files.items()}


# -- the record ------------------------------------------------------------------------------------


def test_the_record_has_what_was_given_and_what_is_built(notch):
    (circuit,) = notch.circuits
    changed = [p for p in circuit.parts if p.given is not None]
    assert changed
    assert all(p.value != p.given for p in changed)
    assert {p.kind for p in circuit.parts} == {"resistor", "capacitor", "op amp"}
    assert "(capacitors) as given: C1, C2." in circuit.values_note
    assert {p.tolerance for p in circuit.parts if p.kind == "resistor"} == {0.01}
    assert circuit.steps[-1].text.startswith("values")


def test_zeros_are_marked_structural_or_balanced(notch, pair, texts):
    assert [z.kind for z in notch.circuits[0].zeros] == ["balanced"]
    assert ("li", "class", "balanced") in read(texts["notch"]).attributes
    assert [z.kind for z in pair.circuits[0].zeros] == ["structural"]
    assert ("li", "class", "structural") in read(texts["pair"]).attributes


def test_bought_values_that_move_a_notch_say_so():
    """A twin-T built from few values: its zero moves, and the depth told is that of H itself."""
    moved = synth.scale_frequency(stage("twin-t-notch-gain").circuit(), 1.0031)
    found = examine("t", synth.Design(moved), Wishes(samples=20, resistors="E6", capacitors="E6"))
    assert found.preferred.choice is not None
    (line,) = [z for z in zero_lines(found) if 0 < z.frequency_hz < np.inf]
    wanted = min((z for z in found.given.zeros if z.imag > 0), key=lambda z: abs(z.real))
    assert line.frequency_hz == pytest.approx(wanted.imag / 2 / np.pi, rel=1e-6)
    h = np.abs(found.H.response(found.frequencies))
    there = np.abs(found.H.response(np.array([line.frequency_hz])))[0] / h.max()
    assert line.text.endswith(
        f"{20 * np.log10(there):.0f} dB at {line.frequency_hz:.5g} Hz".replace("-", "−")
    )
    assert "the bought values move it to" in line.text
    made = page([found])
    assert "notch at" in made.circuits[0].asked[0]
    assert "No step was asked for" not in made.html


def _design(name):
    return synth.Design(stage(name).circuit())


def test_the_keys_are_the_same_for_every_circuit_and_true(pair):
    one, two = pair.circuits
    assert [q.label for q in one.keys] == [q.label for q in two.keys]
    keys = {q.label: q.value for q in one.keys}
    assert keys["f0 of the sharpest pole"] == pytest.approx(1e3, rel=2e-3)
    assert keys["its Q"] == pytest.approx(1 / np.sqrt(2), rel=5e-3)
    assert keys["largest deviation from the target"] < 0.1
    assert keys["op amps"] == sum(p.kind == "op amp" for p in one.parts)
    assert {c.label for c in pair.circuits} == {"A", "B"}
    shares = sum(line.share for line in one.noise)
    assert shares == pytest.approx(1.0)
    power = sum(line.vrms**2 for line in one.noise)
    assert keys["noise at the output"] == pytest.approx(np.sqrt(power))
    assert sum(s.share for s in one.sensitivities) == pytest.approx(1.0)


def test_the_design_on_the_page_is_the_circuit(notch):
    circuit = notch.circuits[0]
    back = read_design(circuit.design)
    assert back.network.values == {p.name: p.value for p in circuit.parts if p.value is not None}
    assert page([examine("notch.cir", back, Wishes(samples=50))]).circuits[0].buy == circuit.buy


def test_a_page_is_the_same_each_time_and_from_a_saved_design(tmp_path):
    design = _design("rc-lowpass")
    made = synth.page(design, samples=50)
    again = synth.page(read_design(design_text(design)), path=tmp_path / "a.html", samples=50)
    assert again == made
    assert (tmp_path / "a.html").read_text(encoding="utf-8") == made.html


def test_circuits_that_cannot_be_on_a_page():
    with pytest.raises(NetworkError, match="at least one"):
        synth.page([])
    with pytest.raises(NetworkError, match="R1"):
        synth.page(stage("rc-lowpass").network)


@pytest.mark.parametrize("name", ["integrator-inverting", "differentiator", "resistive-divider"])
def test_odd_circuits_have_a_page(name):
    """Without a step that settles, without any step, without a pole."""
    (circuit,) = page([examine(name, _design(name), Wishes(samples=20))]).circuits
    there = {f.name for f in circuit.figures}
    assert ("step" in there) == (name != "differentiator") == (not circuit.no_figures)
    assert "magnitude" in there


def test_a_circuit_that_no_deck_can_hold_has_a_page():
    parts = (("R1", 0, "in", 1e4), ("C1", 1, "in", 1e-9), ("D1", 2, "0", 1e-15))
    network = Network(tuple(Branch(n, p, (at, "out"), v) for n, p, at, v in parts))
    (circuit,) = page([examine("d", synth.Design(network), Wishes(samples=20))]).circuits
    assert [n.text for n in circuit.netlists] == ["", ""]
    assert all("no part of a deck" in n.reason for n in circuit.netlists)


def test_the_usual_op_amp_stands_on_the_rails_of_the_deck():
    demo = Path(synth.__file__).parent / "demo"
    for name, ground, wanted in (
        ("hydrophone-bandpass.cir", "VMID", (0.0, 3.3)),
        ("wave-sensor-lowpass.cir", None, (-5.0, 5.0)),
        ("hum-notch.cir", None, None),
    ):
        network = synth.read(demo / name, ground=ground)
        assert rails(network) == wanted
        model = usual_model(synth.analyse(network).H, rails(network))
        if wanted:
            assert (model.supply_negative, model.supply_positive) == wanted
        assert model.name.startswith("rail-to-rail") == (wanted == (0.0, 3.3))


def test_the_usual_op_amp_is_fast_enough():
    slow = usual_model(Transfer.from_tf([1], [1, 10, 1e4]))
    fast = usual_model(Transfer.from_tf([1], [1, 1e6, 1e13]))
    assert (slow.name, fast.name) == ("general-purpose", "fast-50mhz")


def test_a_circuit_that_does_not_work_says_so_first():
    network = stage("sallen-key-lowpass-unity").circuit()
    (u,) = network.op_amps
    wrong = replace(network, op_amps=(replace(u, plus=u.minus, minus=u.plus),))
    made = page([examine("wrong", synth.Design(wrong), Wishes(samples=20))])
    (circuit,) = made.circuits
    assert "positive-feedback" in circuit.warning
    keys = {q.label: q.value for q in circuit.keys}
    assert keys["noise at the output"] is keys["least phase margin"] is None
    assert ("p", "role", "alert") in read(made.html).attributes


def test_notes_of_one_kind_stand_together(pair):
    found = pair.circuits[0].findings
    grouped = _alike(found)
    assert [f for first, others in grouped for f in (first, *others)] != []
    assert sum(1 + len(others) for _, others in grouped) == len(found)
    assert all(first.severity == "note" for first, others in grouped if others)


# -- formulas --------------------------------------------------------------------------------------


def _formulas(blocks):
    for block in blocks:
        if isinstance(block, Equation):
            yield block.formula
        pieces = getattr(block, "pieces", ())
        rows = block.points if isinstance(block, Items) else ()
        rows = (block.head, *block.rows) if isinstance(block, Grid) else rows
        for row in (pieces, *rows):
            yield from (p for p in row if isinstance(p, Math))


def _letters(text):
    return "".join(re.findall(r"[A-Za-z0-9]+", text))


@pytest.mark.parametrize("name", names()[::6])
def test_every_formula_of_a_derivation_becomes_mathml(name):
    network = stage(name).circuit()
    chain = [] if Swap().accepts(network) else [Swap()]
    count = 0
    for formula in _formulas(story(synth.explain(network, chain))):
        root = ET.fromstring(mathml(formula.latex))
        shown = "".join(root.itertext())
        if "characters" not in shown and r"\underbrace" not in formula.latex:
            assert (
                sorted(_letters(shown))
                == sorted(_letters(re.sub(r"\\[A-Za-z]+", "", formula.latex)))
                or "ω" in shown
                or "lim" in shown
            )
        count += 1
    assert count > 5


def test_mathml_has_the_structure():
    root = ET.fromstring(mathml(r"T_{\mathrm{R1.1}} = -\frac{s^{2}\,C_1}{\left(s + 1\right)}"))
    assert [e.tag for e in root.iter("mfrac")] == ["mfrac"]
    assert root.find(".//msub/mi").text == "T"
    assert root.find(".//msup/mn").text == "2"
    assert [e.text for e in root.iter("mo")][:2] == ["=", "−"]


@pytest.mark.parametrize(
    "latex", [r"\href{x}{y}", "a_1_2", "{a", r"\frac{a}", "^2", r"\mathrm x", r"\text{\frac}", "}"]
)
def test_other_latex_is_refused(latex):
    with pytest.raises(ExpressionError):
        mathml(latex)


def test_hostile_names_in_formulas_are_text():
    root = ET.fromstring(mathml(word("R</mi><script>").latex))
    assert "".join(root.itertext()) == "R</mi><script>"
    assert "<script" not in blocks_html([say("<script>", word("<script>"))])


def test_long_formulas_wrap_as_text():
    long = Formula(1, tuple((f"R{k}", 1) for k in range(60)), (), ())
    assert "<code>" in blocks_html([Equation(fraction(long))])


# -- the file --------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["notch", "pair"])
def test_the_file_needs_nothing_else(texts, name):
    text = texts[name]
    addresses = set(re.findall(r"https?:[^\s\"'<>)]+", text))
    assert addresses <= {"http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"}
    for tag, attribute, value in read(text).attributes:
        if attribute in ("src", "href", "xlink:href", "action", "data"):
            assert value.startswith("#") or (tag, value) == ("link", "data:,"), (tag, value)
    assert "@import" not in text
    assert set(re.findall(r"url\(([^)]*)\)", text)) <= {
        f"#{i}" for i in re.findall(r'\bid="([^"]+)"', text)
    }


def test_identifiers_are_unique(texts):
    found = [v for _, name, v in read(texts["pair"]).attributes if name == "id"]
    assert len(found) == len(set(found))


def test_hostile_names_stay_text(texts):
    reader = read(texts["evil"])
    assert reader.elements.count("script") == 2
    assert "img" not in reader.elements
    assert not [a for a in reader.attributes if a[1].startswith("on")]
    shown = "".join(reader.text)
    for name in NAMES:
        assert name in shown
    assert "{{ 7*7 }}" in shown


def test_data_cannot_end_the_script():
    text = script_json({"a": "</script><!-- & \u2028"})
    assert not set("<>&\u2028") & set(text)
    assert json.loads(text) == {"a": "</script><!-- & \u2028"}


def test_read_out_data_is_the_curve(notch):
    made = notch.circuits[0].figure("magnitude")
    panel, record = plot_data(made)["panels"][0], made.panels[0]
    by_label = {c["label"]: c for c in panel["curves"]}
    assert {"worst case, low", "worst case, high", "tolerance, low"} <= set(by_label)
    for curve in record.curves:
        if curve.role != "worst":
            got = by_label[curve.label]
            wanted = [y if np.isfinite(y) else None for y in curve.y]
            assert len(got["y"]) == len(wanted)
            assert all(
                (a is None) == (b is None) and (a is None or a == pytest.approx(b, rel=1e-4))
                for a, b in zip(got["y"], wanted, strict=True)
            )
            assert panel["rows"][got["x"]] == pytest.approx(list(curve.x), rel=1e-4)


def test_a_missing_figure_of_the_template_is_an_error(notch):
    from jinja2 import UndefinedError

    from synth.pages.html import _environment

    with pytest.raises(UndefinedError):
        _environment().from_string("{{ page.colour }}").render(page=notch)


def test_symbols_follow_the_style(pair):
    from synth.pages.html import PageStyle, _schematic

    drawn = [_schematic(pair.circuits[0], PageStyle(s)) for s in ("iec", "ansi")]
    assert drawn[0] != drawn[1]


def test_command_line(tmp_path, capsys):
    target = tmp_path / "page.html"
    given = ["report", "rc-lowpass", "--samples", "50", "-o", str(target)]
    assert run(given) == 0
    text = target.read_text(encoding="utf-8")
    assert f"synth report rc-lowpass --samples 50 -o {target}" in "".join(read(text).text)
    capsys.readouterr()
    wrong = [
        (["report", "rc-lowpass"], "-o FILE.html"),
        (["report", "rc-lowpass", "-o", str(tmp_path / "a.pdf")], ".html"),
        (["report", "rc-lowpass", "-o", str(tmp_path / "no" / "a.html")], "folder"),
        (["report", "rc-lowpass", "-o", str(target), "--op-amp", "nonsense"], "nonsense"),
        (["report", "rc-lowpass", "-o", str(target), "--supply", "0:5"], "--op-amp"),
        (["report", "-", "-", "-o", str(target)], "standard input"),
        (["report", "nothing-such", "-o", str(target)], "nothing-such"),
        (["report", "rc-lowpass", "--mask", "no.txt", "-o", str(target)], "no.txt"),
        (["plot", "rc-lowpass", "--figure", "pase", "-o", str(tmp_path / "a.svg")], "phase"),
        (["plot", "rc-lowpass"], "-o FILE.svg"),
    ]
    before = target.read_bytes()
    for arguments, word_ in wrong:
        assert run(arguments) == 2, arguments
        error = capsys.readouterr().err
        assert error.count("\n") == 1
        assert word_ in error
    assert [p.name for p in tmp_path.iterdir()] == ["page.html"]
    assert target.read_bytes() == before


# -- in the browser --------------------------------------------------------------------------------

#: Runs in a copy of the page: reads every plot at its middle, by pointer and by key, and leaves
#: what it saw in an element of its own.
_PROBE = """
<script>
window.addEventListener("load", () => {
  const seen = {width: document.documentElement.scrollWidth, inner: window.innerWidth};
  seen.dark = window.matchMedia("(prefers-color-scheme: dark)").matches;
  seen.paper = getComputedStyle(document.body).backgroundColor;
  seen.ink = getComputedStyle(document.body).color;
  seen.shown = [...document.querySelectorAll(".picture")].filter((p) => p.offsetWidth > 0).length;
  seen.wide = [...document.querySelectorAll("body *")].filter((e) => {
    const box = e.getBoundingClientRect();
    const scrolls = e.closest(".scroll, .equation, pre");
    return box.width > 0 && box.right > window.innerWidth + 1 && !scrolls;
  }).map((e) => e.tagName + "." + e.className).slice(0, 5);
  seen.math = document.querySelector("math mfrac").getBoundingClientRect().height;
  seen.read = {};
  document.querySelectorAll(".picture").forEach((picture) => {
    const box = picture.getBoundingClientRect();
    if (!box.width) { return; }
    const middle = {clientX: box.left + box.width * 0.4, clientY: box.top + 20, bubbles: true};
    picture.dispatchEvent(new PointerEvent("pointermove", middle));
    const output = picture.parentElement.querySelector("output");
    const pointed = output ? output.textContent : "";
    picture.dispatchEvent(new KeyboardEvent("keydown", {key: "ArrowRight", bubbles: true}));
    const keyed = output ? output.textContent : "";
    picture.dispatchEvent(new PointerEvent("pointerleave", {bubbles: true}));
    const left = output ? output.textContent : "";
    seen.read[picture.dataset.plot] = [pointed, keyed, left];
  });
  document.querySelectorAll(".copy").forEach((b) => b.click());
  seen.alerted = Boolean(window.alerted);
  const note = document.createElement("p");
  note.id = "probe";
  note.textContent = JSON.stringify(seen);
  document.body.append(note);
  window.parent.postMessage(note.textContent, "*");
});
</script>
"""


def _probed(source, target):
    """Write a copy of the page with the probe in it, its policy for scripts taken out."""
    text = source.read_text(encoding="utf-8")
    text = re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", text)
    alarm = "<script>window.alert = () => { window.alerted = true; };</script>"
    text = text.replace("<head>", f"<head>{alarm}", 1).replace("</body>", f"{_PROBE}</body>", 1)
    target.write_text(text, encoding="utf-8")
    return target


def _framed(page_file, width):
    """Write a page that shows another in a frame as wide as a phone, and what it says of itself."""
    frame = page_file.with_name("frame.html")
    frame.write_text(
        "<!DOCTYPE html><meta charset=utf-8><script>window.addEventListener('message', (e) => {"
        "const p = document.createElement('p'); p.id = 'probe'; p.textContent = e.data; "
        "document.body.append(p); });</script>"
        f"<body><iframe src='{page_file.name}' width={width} height=740></iframe>",
        encoding="utf-8",
    )
    return frame


def _seen(document):
    note = re.search(r'<p id="probe">.*?</p>', document)
    return json.loads("".join(ET.fromstring(note[0]).itertext()))


@needs_browser
def test_the_page_opens_without_an_error_or_a_request(files):
    seen = visit(files["pair"])
    assert seen.console == ()
    outside = [u for u in seen.requests if not u.startswith(("file:", "data:"))]
    assert [u for u in outside if "chrome" not in u and "google" not in u] == []
    assert seen.document.count("<article") == 2


@needs_browser
def test_hostile_page_on_a_phone(files, tmp_path):
    seen = visit(_framed(_probed(files["evil"], tmp_path / "phone.html"), 360))
    probe = _seen(seen.document)
    assert seen.console == ()
    assert not probe["alerted"]
    assert probe["inner"] == 360
    assert probe["width"] <= 360
    assert probe["wide"] == []
    assert probe["math"] > 15
    read_out = probe["read"]["c0-magnitude-narrow"]
    assert "preferred values" in read_out[0]
    assert "dB" in read_out[0]
    assert read_out[0] != read_out[1] != ""
    assert read_out[2] == ""
    assert "c0-magnitude-wide" not in probe["read"]


@needs_browser
def test_dark_and_light(files, tmp_path):
    copy = _probed(files["notch"], tmp_path / "copy.html")
    dark, light = (_seen(visit(copy, dark=d).document) for d in (True, False))
    assert (dark["dark"], light["dark"]) == (True, False)

    def lightness(colour):
        return sum(map(int, re.findall(r"\d+", colour)[:3])) / 765

    assert lightness(dark["paper"]) < 0.15 < 0.8 < lightness(dark["ink"])
    assert lightness(light["ink"]) < 0.15 < 0.8 < lightness(light["paper"])
    assert dark["shown"] == light["shown"] > 5
    # 0.4 of the picture's width on the axis of frequency, by the record
    text = light["read"]["c0-magnitude-wide"][0]
    assert re.search(r"values as given −?[\d.]+ dB", text)


@needs_browser
def test_it_prints(files, tmp_path):
    pdf(files["notch"], tmp_path / "notch.pdf")
    data = (tmp_path / "notch.pdf").read_bytes()
    assert data.startswith(b"%PDF")
    pages = len(re.findall(rb"/Type\s*/Page\b", data))
    assert 4 <= pages <= 20
    if shutil.which("pdftotext"):
        text = subprocess.run(
            ["pdftotext", "-layout", str(tmp_path / "notch.pdf"), "-"],
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for wanted in ("What was asked", "Transmission zeros", "balanced", "Netlist", "Cautions"):
            assert wanted in text
        assert '"schema"' in text  # the saved design, closed on a screen


@needs_browser
def test_the_picture_is_not_empty(files, tmp_path):
    from matplotlib.image import imread

    screenshot(files["notch"], tmp_path / "dark.png", width=900, height=1400, dark=True)
    pixels = imread(tmp_path / "dark.png")[..., :3]
    assert pixels.shape[:2] == (1400, 900)
    paper = np.median(pixels.reshape(-1, 3), axis=0)
    assert np.mean(paper) < 0.2
    marked = np.abs(pixels - paper).max(axis=2) > 0.3
    assert 0.01 < marked.mean() < 0.4


def test_browser_files_are_ours():
    """Templates are data of the package: a wheel must carry them."""
    folder = Path(synth.__file__).parent / "pages" / "templates"
    assert {p.name for p in folder.iterdir()} == {"page.html", "page.css", "page.js"}


# -- words and the command line --------------------------------------------------------------------


def test_a_passive_circuit_is_told_without_op_amps():
    made = page([examine("rc", _design("rc-lowpass"), Wishes(samples=20))])
    (circuit,) = made.circuits
    keys = {q.label: q.value for q in circuit.keys}
    assert keys["op amps"] is keys["shift of f0 by real op amps"] is None
    assert keys["supply current of all op amps"] is None
    assert circuit.op_amp == ""
    assert len(made.cautions) == 1
    assert "op amps:" not in circuit.figure("magnitude").note
    assert "Op amps:" not in made.html


def test_findings_are_counted_in_words():
    counts = {"serious": 1, "caution": 2, "note": 1}
    assert _counts(counts) == "1 serious, 2 cautions, 1 note"


def test_signs_and_units_have_one_form_in_the_prose_of_a_page(texts):
    for name in ("notch", "pair"):
        html = re.sub(r"<pre.*?</pre>|<script.*?</script>", "", texts[name], flags=re.DOTALL)
        words = re.sub(r"<[^>]*>", " ", html)
        assert not re.search(r"\d [kM]?ohm\b", words)
        assert not re.search(r"\d u[VAFs]\b", words)
        assert not re.search(r"[ (]-\d+(\.\d+)? dB", words)


def test_a_deck_on_standard_input_is_told_and_quiet_is_quiet(tmp_path, capsys, monkeypatch):
    deck = b"rc\nR1 in out 10k\nC1 out 0 10n\nVin in 0 AC 1\n.end\n"
    file = tmp_path / "a.html"
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(deck)))
    assert run(["report", "-", "-o", str(file), "--samples", "20", "--quiet"]) == 0
    assert capsys.readouterr().out == ""
    assert "came from standard input" in file.read_text(encoding="utf-8")
    picture = tmp_path / "a.png"
    assert run(["plot", "rc-lowpass", "-o", str(picture), "--samples", "20", "--quiet"]) == 0
    assert capsys.readouterr().out == ""
    assert run(["plot", "rc-lowpass", "-o", str(picture), "--samples", "20"]) == 0
    assert capsys.readouterr().out == f"written: {picture}\n"


def test_parts_that_are_kept_stay_on_the_page(tmp_path, capsys):
    deck = tmp_path / "rc.cir"
    deck.write_text("rc\nR1 in out 10.31k\nC1 out 0 10n\nVin in 0 AC 1\n.end\n")
    command = ["report", str(deck), "--json", "--samples", "20"]
    assert run(command) == 0
    assert "R1" in json.loads(capsys.readouterr().out)["circuits"][0]["values_note"]
    assert run([*command, "--keep", "R1"]) == 0
    circuit = json.loads(capsys.readouterr().out)["circuits"][0]
    assert [p["value"] for p in circuit["parts"]] == [10.31e3, 1e-8]
    assert run([*command, "--keep", "R7"]) == 2


def test_figures_steps_and_op_amps_are_completed():
    context = click.Context(click.Command("plot"))
    for command, option, beginning, wanted in (
        (plot, "figure", "imp", "impulse"),
        (plot, "op_amp", "general", "general-purpose"),
        (report, "op_amp", "general", "general-purpose"),
        (draw, "steps", "rc", "rc-cr"),
    ):
        (parameter,) = [p for p in command.params if p.name == option]
        assert wanted in [i.value for i in parameter.shell_complete(context, beginning)]
