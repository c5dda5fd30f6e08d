"""A drawing as SVG: symbols from schemdraw, places, wires and texts ours.

Colours are ``currentColor`` throughout, so that the picture follows the text around it, dark or
light; nothing is told by colour.  This is the only module that knows schemdraw.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from itertools import pairwise
from math import cos, pi, sin
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree

from synth.drawing.model import Drawing, Label, Mark, Point, Symbol, Wire
from synth.drawing.text import INSIDE, LINE, SIZE, width
from synth.errors import FormatError

if TYPE_CHECKING:
    from schemdraw.elements import Element

#: schemdraw units in a grid step, so that the inputs of its op amp lie one step off the middle.
PITCH = 0.625
#: Points in a grid step.
SCALE = 36 * PITCH
#: Styles of resistor symbols: rectangle (IEC 60617) or zigzag (ANSI Y32.2, IEEE Std 315).
STYLES = ("iec", "ansi")
_LINE_WIDTH = 1.6
_HOP = 0.28
_MARGIN = 0.6
_INK = "currentColor"
_NAMESPACE = "http://www.w3.org/2000/svg"


def to_svg(drawing: Drawing, *, resistors: str = "iec", values: bool = True) -> str:
    """Return the drawing as a self-contained SVG document.

    Parameters
    ----------
    drawing : Drawing
    resistors : str
        ``iec`` for rectangles, ``ansi`` for zigzags.
    values : bool
        Write the values under the names.

    Raises
    ------
    FormatError
        If there is no such style of resistors.
    """
    if resistors not in STYLES:
        raise FormatError(
            f"there is no resistor style {resistors!r}; choose one of {', '.join(STYLES)}"
        )
    left, bottom, right, top = _extent(drawing)
    root = ElementTree.Element(
        "svg",
        {
            "xmlns": _NAMESPACE,
            "class": "schematic",
            "role": "img",
            "width": f"{(right - left) * SCALE:.1f}",
            "height": f"{(top - bottom) * SCALE:.1f}",
            "viewBox": f"{left * SCALE:.1f} {-top * SCALE:.1f} "
            f"{(right - left) * SCALE:.1f} {(top - bottom) * SCALE:.1f}",
        },
    )
    ElementTree.SubElement(root, "title").text = _clean(drawing.title or "schematic")
    ElementTree.SubElement(root, "desc").text = _clean(describe(drawing))
    for element in _strokes(drawing, resistors):
        root.append(element)
    letters = ElementTree.SubElement(
        root,
        "g",
        {
            "fill": _INK,
            "stroke": "none",
            "font-family": "Helvetica, Arial, sans-serif",
            "font-size": f"{SIZE * SCALE:.1f}",
        },
    )
    for label in drawing.labels:
        _label(letters, label, values)
    for mark in drawing.marks:
        _mark_text(letters, mark)
    for symbol in drawing.symbols:
        _symbol_text(letters, symbol)
    for k, line in enumerate(drawing.caption):
        y = bottom + _MARGIN + LINE * (len(drawing.caption) - 1 - k) + 0.2
        _text(letters, line, left + _MARGIN, y, "start")
    return ElementTree.tostring(root, encoding="unicode") + "\n"


def describe(drawing: Drawing) -> str:
    """Return the drawing in words, for readers who do not see it."""
    kinds: dict[str, list[str]] = {}
    owners = {p.at: f"{s.name} {p.name}" for s in drawing.symbols for p in s.pins}
    for s in drawing.symbols:
        if s.kind != "output":
            kinds.setdefault(s.kind, []).append(s.name)
    words = [f"{kind}: {', '.join(names)}" for kind, names in kinds.items()]
    held: dict[str, list[str]] = {}
    for m in drawing.marks:
        held.setdefault(f"at {m.kind} {m.node}", []).append(owners.get(m.at, "?"))
    words += [f"{where}: {', '.join(pins)}" for where, pins in held.items()]
    ends = [s.shown for s in drawing.symbols if s.kind == "output"]
    if len(ends) == 2 and ends[0].startswith("+ "):  # a differential output
        words.append(f"read between {ends[0][2:]} and {ends[1][2:]}")
    return "; ".join(words) + "."


# -- strokes ---------------------------------------------------------------------------------------


def _strokes(drawing: Drawing, resistors: str) -> list[ElementTree.Element]:
    """Everything but the text, as SVG elements made by schemdraw."""
    import schemdraw

    picture = schemdraw.Drawing(canvas="svg", show=False)
    picture.config(color=_INK, lw=_LINE_WIDTH)
    for symbol in drawing.symbols:
        for element in _elements(symbol, resistors):
            picture.add(element)
    for element in _lines(drawing):
        picture.add(element)
    for mark in drawing.marks:
        for element in _mark_elements(mark):
            picture.add(element)
    figure = picture.draw(show=False)
    found = [element for _, element in sorted(figure.svgelements, key=lambda pair: pair[0])]
    for element in found:
        style = element.get("style")
        if style:  # a solid line has no dashes to name
            element.set("style", style.replace("stroke-dasharray:-;", ""))
    return found


def _elements(symbol: Symbol, resistors: str) -> list[Element]:
    """Return the schemdraw elements of a symbol, its pins where the drawing has them."""
    from schemdraw import elements as elm

    at = {p.name: _unit(p.at) for p in symbol.pins}
    if symbol.kind == "output":
        x, y = at["end"]
        return [
            _path([[(x, y), (x + 0.2, y)]]),
            elm.Dot(radius=0.09, open=True, fill="none").at((x + 0.29, y)),
        ]
    if symbol.kind == "op amp":
        way = 1 if at["out"][0] > at["plus"][0] else -1
        back = at["plus"][0] + 0.77 * PITCH * way
        body = elm.Opamp(sign=True).at((back, at["minus"][1])).anchor("in1").theta(0)
        if at["plus"][1] > at["minus"][1]:
            body = body.flip()
        if way < 0:
            body = body.reverse()
        tip = back + 2.5 * 3**0.5 / 2 * way
        ends = [[at[p], (back, at[p][1])] for p in ("plus", "minus")]
        return [body, _path([*ends, [(tip, at["out"][1]), at["out"]]])]
    makers: dict[str, Callable[[], Any]] = {
        "resistor": elm.ResistorIEC if resistors == "iec" else elm.ResistorIEEE,
        "capacitor": elm.Capacitor,
        "inductor": elm.Inductor,
        "frequency-dependent negative resistance": _plates,
    }
    return [makers[symbol.kind]().at(at["1"]).to(at["2"])]


def _plates() -> Element:
    """Return the symbol of a frequency-dependent negative resistance: four plates."""
    from schemdraw.elements import Element2Term
    from schemdraw.elements.elements import gap
    from schemdraw.segments import Segment

    far = 0.54
    lines: list[Any] = [(0, 0), gap]
    for k in range(4):
        lines += [(k * far / 3, 0.25), (k * far / 3, -0.25), gap]
    element = Element2Term()
    element.segments.append(Segment([*lines, (far, 0)]))
    return element


def _path(lines: Iterable[Sequence[tuple[float, float]]], fill: bool = False) -> Element:
    """Return lines, or a filled shape, as one element that stays where its points are."""
    from schemdraw.elements import Element
    from schemdraw.segments import Segment, SegmentPoly

    element = Element()
    for line in lines:
        if fill:
            element.segments.append(SegmentPoly(list(line), fill=_INK, lw=0.5))
        else:
            element.segments.append(Segment(list(line)))
    return element.at((0, 0)).theta(0)


def _lines(drawing: Drawing) -> list[Element]:
    from schemdraw import elements as elm

    found = [_path([_hopping(w, drawing.crossings)]) for w in drawing.wires]
    split = {s.at for s in drawing.splits}
    found += [elm.Dot(radius=0.075).at(_unit(p)).theta(0) for p in drawing.dots if p not in split]
    for p in sorted(split):
        x, y = _unit(p)
        found.append(_path([_circle(x, y, 0.17)]))
        found.append(_path([_circle(x, y, 0.17, half=True)], fill=True))
    return found


def _circle(x: float, y: float, r: float, half: bool = False) -> list[tuple[float, float]]:
    angles = [pi / 2 + pi * k / 12 for k in range(13 if half else 25)]
    return [(x + r * cos(a), y + r * sin(a)) for a in angles]


def _hopping(wire: Wire, crossings: Sequence[Point]) -> list[tuple[float, float]]:
    """Return a wire's points, with a half circle where it runs level over another."""
    line = [_unit(wire.points[0])]
    for a, b in pairwise(wire.points):
        if a.y == b.y:
            way = 1 if b.x > a.x else -1
            inside = [c for c in crossings if c.y == a.y and min(a.x, b.x) < c.x < max(a.x, b.x)]
            for c in sorted(inside, key=lambda p: way * p.x):
                for k in range(13):
                    angle = pi - pi * k / 12
                    x = c.x + way * _HOP * cos(angle)
                    line.append((x * PITCH, (c.y + _HOP * sin(angle)) * PITCH))
        line.append(_unit(b))
    return line


def _mark_elements(mark: Mark) -> list[Element]:
    from schemdraw import elements as elm

    x, y = _unit(mark.at)
    dx, dy = mark.away
    if mark.kind == "ground":
        return [elm.Ground().at((x, y)).theta(0 if dy < 0 else 180)]
    if mark.kind == "reference":
        return [elm.GroundSignal().at((x, y)).theta(0 if dy < 0 else 180)]

    def spot(along: float, aside: float) -> tuple[float, float]:
        return x + along * dx - aside * dy, y + along * dy + aside * dx

    if mark.kind == "supply":
        return [_path([[spot(0, 0), spot(0.4, 0)], [spot(0.4, -0.25), spot(0.4, 0.25)]])]
    arrow = [spot(0.2, 0), spot(0.58, -0.19), spot(0.58, 0.19)]
    return [_path([[spot(0, 0), spot(0.25, 0)]]), _path([arrow], fill=True)]


def _unit(p: Point) -> tuple[float, float]:
    return p.x * PITCH, p.y * PITCH


# -- text ------------------------------------------------------------------------------------------


def _text(
    parent: ElementTree.Element, text: str, x: float, y: float, align: str, size: float = 1.0
) -> None:
    """Write a line of text, its middle at y."""
    attributes = {
        "x": f"{x * SCALE:.1f}",
        "y": f"{(0.35 * SIZE * size - y) * SCALE:.1f}",
        "text-anchor": align,
    }
    if size != 1.0:
        attributes["font-size"] = f"{SIZE * SCALE * size:.1f}"
    ElementTree.SubElement(parent, "text", attributes).text = _clean(text)


def _label(parent: ElementTree.Element, label: Label, values: bool) -> None:
    lines = label.lines if values else label.lines[:1]
    top = label.y + LINE * (len(lines) - 1) / 2
    for k, line in enumerate(lines):
        _text(parent, line, label.x, top - LINE * k, label.align)


def _mark_text(parent: ElementTree.Element, mark: Mark) -> None:
    if not mark.shown:
        return
    x, y = mark.at
    dx = mark.away[0]
    if dx:
        _text(parent, mark.shown, x + 1.05 * dx, y, "start" if dx > 0 else "end")
    else:
        box = mark.boxes[1]
        _text(parent, mark.shown, x, (box.bottom + box.top) / 2, "middle")


def _symbol_text(parent: ElementTree.Element, symbol: Symbol) -> None:
    if symbol.kind == "output":
        _text(parent, symbol.shown, symbol.box.left + 0.7, symbol.pins[0].at.y, "start")
    elif symbol.kind == "op amp":
        way = symbol.pins[2].away[0]
        x = (symbol.box.left + symbol.box.right) / 2 - 0.16 * way
        y = (symbol.box.bottom + symbol.box.top) / 2
        size = min(1.0, INSIDE / max(width(symbol.shown), 0.1))
        if symbol.shown:
            _text(parent, symbol.shown, x, y, "middle", size)


def _clean(text: str) -> str:
    """Return the text without characters that XML cannot hold."""
    return "".join(c if c.isprintable() else " " for c in text)


def _extent(drawing: Drawing) -> tuple[float, float, float, float]:
    boxes = [s.box for s in drawing.symbols] + [b for m in drawing.marks for b in m.boxes]
    boxes += [k.box for k in drawing.labels]
    points = [p for w in drawing.wires for p in w.points]
    points += [p.at for s in drawing.symbols for p in s.pins]
    left = min([b.left for b in boxes] + [p.x for p in points]) - _MARGIN
    right = max([b.right for b in boxes] + [p.x for p in points]) + _MARGIN
    bottom = min([b.bottom for b in boxes] + [p.y for p in points]) - _MARGIN
    top = max([b.top for b in boxes] + [p.y for p in points]) + _MARGIN
    if drawing.caption:
        bottom -= LINE * len(drawing.caption) + 0.3
        right = max(right, left + 2 * _MARGIN + max(width(line) for line in drawing.caption))
    return left, bottom, right, top
