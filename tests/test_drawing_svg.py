"""The picture as SVG: a reader of the file alone finds every pin, sign, mark and text in its place.

Strokes are read from the path data of the file, and the symbols are told apart by their strokes,
so that an op amp with its inputs exchanged or a resistor drawn as a capacitor would be seen.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections import Counter
from dataclasses import replace
from xml.etree import ElementTree

import pytest

import synth
from synth.catalog import stage
from synth.drawing import Drawing, draw
from synth.drawing.model import Box
from synth.drawing.render import PITCH, SCALE, STYLES, to_svg
from synth.errors import FormatError
from synth.network.model import Branch, Network
from synth.transform.drive import Swap
from synth.transform.lift import LiftTerminals

SVG = "{http://www.w3.org/2000/svg}"
Spot = tuple[float, float]
NAMES = (
    "sallen-key-lowpass-gain",
    "sallen-key-lowpass-unity",
    "multiple-feedback-bandpass",
    "tow-thomas-lowpass",
    "akerberg-mossberg-lowpass",
    "fliege-notch",
    "bainter-notch",
    "state-variable-notch",
)


def picture(name: str) -> Drawing:
    return draw(stage(name).circuit(), placement=stage(name).placement)


def strokes(svg: str) -> list[list[Spot]]:
    """Every pen stroke of the file in grid steps, y upwards."""
    found: list[list[Spot]] = []
    for path in ElementTree.fromstring(svg).iter(f"{SVG}path"):
        for piece in path.attrib["d"].split("M")[1:]:
            numbers = [float(x) for x in re.findall(r"-?\d+\.?\d*(?:e-?\d+)?", piece)]
            points = list(zip(numbers[::2], numbers[1::2], strict=True))
            found.append([(x / SCALE, -y / SCALE) for x, y in points])
    return found


def near(a: Spot, b: Spot, within: float = 0.02) -> bool:
    return abs(a[0] - b[0]) < within and abs(a[1] - b[1]) < within


@pytest.mark.parametrize("name", NAMES)
def test_every_pin_has_its_lead(name) -> None:
    drawing = picture(name)
    ends = [p for line in strokes(to_svg(drawing)) for p in (line[0], line[-1])]
    for symbol in drawing.symbols:
        for pin in symbol.pins:
            assert any(near(p, pin.at) for p in ends), (symbol.name, pin.name)


@pytest.mark.parametrize("name", NAMES)
def test_plus_and_minus_stand_at_their_pins(name) -> None:
    """A plus has an upright stroke, a minus none, both level ones; schemdraw makes them 0.2 units
    long."""
    drawing = picture(name)
    small = [line for line in strokes(to_svg(drawing)) if len(line) == 2]
    for symbol in drawing.symbols:
        if symbol.kind != "op amp":
            continue
        pins = {p.name: p.at for p in symbol.pins}
        inside = [line for line in small if all(within(symbol.box, p) for p in line)]
        upright = [line for line in inside if sizes(line) == (0, 1)]
        level = [line for line in inside if sizes(line) == (1, 0)]
        assert (len(upright), len(level)) == (1, 2)
        assert abs(middle(upright[0]) - pins["plus"].y) < 0.05
        rows = sorted(middle(line) for line in level)
        assert rows == pytest.approx(sorted((pins["plus"].y, pins["minus"].y)), abs=0.05)


def within(box: Box, p: Spot) -> bool:
    return box.left < p[0] < box.right and box.bottom < p[1] < box.top


def middle(line: list[Spot]) -> float:
    return sum(y for _, y in line) / len(line)


def sizes(line: list[Spot]) -> tuple[float, float]:
    """Width and height in lengths of a sign."""
    (a, b), (c, d) = line
    return round(abs(a - c) * PITCH / 0.2, 1), round(abs(b - d) * PITCH / 0.2, 1)


def bodies(svg: str) -> Counter[str]:
    """Count symbols by the shape of their bodies."""
    count: Counter[str] = Counter()
    for line in strokes(svg):
        spans = [max(p[k] for p in line) - min(p[k] for p in line) for k in (0, 1)]
        long, wide = max(spans), min(spans)
        if len(line) >= 8 and abs(wide - 0.5 / PITCH) < 0.02 and 1.5 < long < 4.2:
            count["zigzag"] += 1
        elif len(line) >= 5 and abs(wide - 0.5 / PITCH) < 0.02 and 1.5 < long < 4.2:
            count["rectangle"] += 1
        elif len(line) == 2 and abs(long - 0.5 / PITCH) < 0.02 and wide < 1e-3:
            count["plate"] += 1
        elif len(line) == 5 and abs(wide - 2.5 * 3**0.5 / 2 / PITCH) < 0.02:
            count["triangle"] += 1
    return count


@pytest.mark.parametrize("name", NAMES)
def test_symbols_are_what_they_should_be(name) -> None:
    network = stage(name).circuit()
    drawing = picture(name)
    grounds = sum(m.kind == "ground" for m in drawing.marks)
    resistors = sum(b.power == 0 for b in network.branches)
    capacitors = sum(b.power == 1 for b in network.branches)
    for style, shape in zip(STYLES, ("rectangle", "zigzag"), strict=True):
        count = bodies(to_svg(drawing, resistors=style))
        assert count[shape] == resistors
        assert count["triangle"] == len(network.op_amps)
        assert count["plate"] - 2 * capacitors in (0, grounds)  # the widest bar of a ground


def texts(svg: str) -> list[str]:
    return ["".join(t.itertext()) for t in ElementTree.fromstring(svg).iter(f"{SVG}text")]


def test_values_under_the_names() -> None:
    svg = to_svg(picture("sallen-key-lowpass-gain"))
    shown = {
        (t.text or ""): float(t.attrib["y"]) for t in ElementTree.fromstring(svg).iter(f"{SVG}text")
    }
    assert shown["C2"] < shown["10 nF"] or "10 nF" in shown
    assert {"R1", "15.8 kΩ", "RB", "5.9 kΩ", "U1", "in", "out"} <= set(shown)
    assert shown["RB"] < shown["5.9 kΩ"]
    bare = texts(to_svg(picture("sallen-key-lowpass-gain"), values=False))
    assert "RB" in bare
    assert "5.9 kΩ" not in bare


def test_colours_follow_the_text_around() -> None:
    for style in STYLES:
        svg = to_svg(picture("bainter-notch"), resistors=style)
        colours = re.findall(r"(?:stroke|fill)\s*[:=]\s*\"?([^;\"]+)", svg)
        assert {c.lower() for c in colours} <= {"currentcolor", "none"}
        assert "http" not in svg.replace("http://www.w3.org/2000/svg", "")


HOSTILE = ("<script>alert(1)</script>", "R&\"'", "$\\frac{1}{2}$", "R\x00\x07", "R_1^2")


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_are_only_text(name) -> None:
    network = Network(
        (Branch(name, 0, ("in", "out"), 1e3), Branch("C1", 1, ("out", "0"), 1e-9)), title=name
    )
    svg = to_svg(draw(network))
    root = ElementTree.fromstring(svg)
    assert "script" not in {e.tag.removeprefix(SVG) for e in root.iter()}
    shown = name.replace("\x00", " ").replace("\x07", " ")
    assert shown in texts(svg)
    assert root.findtext(f"{SVG}title") == shown


def test_the_description_tells_what_is_at_source_and_ground() -> None:
    network = stage("sallen-key-lowpass-gain").circuit()
    told = ElementTree.fromstring(to_svg(draw(network))).findtext(f"{SVG}desc")
    assert told is not None
    assert "at source in: R1 1" in told
    assert "at ground 0: C2 2, RA 1" in told.replace("RA 2", "RA 1")
    swapped, _ = Swap().apply(network)
    told = ElementTree.fromstring(to_svg(draw(swapped))).findtext(f"{SVG}desc") or ""
    assert "at ground 0: R1 1" in told


def test_a_split_has_a_mark_of_its_own() -> None:
    network = stage("sallen-key-lowpass-gain").circuit()
    lifted, _ = LiftTerminals(((("C2", "2"), 0.3),)).apply(network)
    filled = [svg.count("<polygon") for svg in (to_svg(draw(network)), to_svg(draw(lifted)))]
    assert filled[1] == filled[0] + 2  # one more arrow, and the half circle
    assert any("C2a to the source, C2b to ground, 0.3" in t for t in texts(to_svg(draw(lifted))))


def test_unknown_style() -> None:
    with pytest.raises(FormatError, match="no resistor style 'din'"):
        to_svg(picture("bainter-notch"), resistors="din")


def test_from_python() -> None:
    lowpass = synth.stage("sallen-key-lowpass-unity").circuit()
    assert synth.to_svg(synth.draw(lowpass)).startswith("<svg ")


BIQUAD_AND_SUM = """three integrating stages and a sum
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


def test_the_picture_does_not_depend_on_the_hash_seed(tmp_path) -> None:
    deck = tmp_path / "biquad.cir"
    deck.write_text(BIQUAD_AND_SUM)
    code = f"import synth; print(synth.to_svg(synth.draw(synth.read({str(deck)!r}))))"
    pictures = {
        subprocess.run(
            [sys.executable, "-c", code],
            env={**os.environ, "PYTHONHASHSEED": seed},
            capture_output=True,
            check=True,
        ).stdout
        for seed in ("1", "2")
    }
    assert len(pictures) == 1


def test_a_long_name_of_an_op_amp_stands_beside_it_in_full_size() -> None:
    given = stage("sallen-key-lowpass-gain").circuit()
    (u,) = given.op_amps
    name = "XAMPLIFIER_OUTPUT_STAGE"
    drawing = draw(replace(given, op_amps=(replace(u, name=name),)))
    (label,) = [k for k in drawing.labels if k.owner == name]
    (symbol,) = [s for s in drawing.symbols if s.name == name]
    assert not label.box.meets(symbol.box)
    svg = to_svg(drawing)
    (text,) = [t for t in ElementTree.fromstring(svg).iter(f"{SVG}text") if t.text == name]
    assert "font-size" not in text.attrib
    assert "stroke-dasharray:-" not in svg


def test_values_are_rounded_as_in_the_parts_list() -> None:
    given = stage("rc-lowpass").network.with_values({"R1": 15.8e3, "C1": 11.254e-9})
    assert "11.254 nF" in texts(to_svg(draw(given)))
