"""A page as one self-contained HTML file: no other file, no network, no library."""

from __future__ import annotations

import base64
import hashlib
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from synth.checking.findings import Finding
from synth.pages.blocks import blocks_html, math_html
from synth.pages.plots import HALF, NARROW, WIDE, Plot, colours, plot, plot_data, script_json
from synth.pages.record import CircuitPage, Page, Quantity
from synth.pages.words import typeset
from synth.plots.record import Figure
from synth.plots.scales import si_text
from synth.report.layout import printable

if TYPE_CHECKING:
    from jinja2 import Environment

_FOLDER = Path(__file__).resolve().parent / "templates"
#: Figures that take the whole width; the others stand two in a row.
_WIDE_FIGURES = ("magnitude", "comparison")
#: Least scale of a schematic on a screen.
_SMALLEST = 0.6
#: Units that take a prefix.
_WITH_PREFIX = ("V", "A", "Hz", "ohm", "F", "H", "s", "F*s")


@dataclass(frozen=True)
class PageStyle:
    """How a page looks: resistor symbols (``iec`` or ``ansi``)."""

    resistors: str = "iec"


@dataclass(frozen=True)
class Shown:
    """A figure with its renderings."""

    figure: Figure
    plots: tuple[tuple[str, Plot], ...]


def page_html(page: Page, style: PageStyle | None = None) -> str:
    """Return the page as HTML.

    Parameters
    ----------
    page : Page
    style : PageStyle, optional
    """
    from markupsafe import Markup

    style = style or PageStyle()
    environment = _environment()
    several = [_figures(c, f"c{k}") for k, c in enumerate(page.circuits)]
    together = None if page.comparison is None else _shown(page.comparison, "all")
    data = {}
    every = [s for group in several for s in group.values()]
    for shown in every if together is None else [together, *every]:
        if shown.figure.panels:
            for _, drawn in shown.plots:
                data[drawn.identifier] = {**plot_data(shown.figure), "boxes": drawn.boxes}
    script = (_FOLDER / "page.js").read_text(encoding="utf-8")
    text = environment.get_template("page.html").render(
        page=page,
        circuits=list(zip(page.circuits, several, strict=True)),
        keys=_keys(page),
        together=together,
        schematics=[Markup(_schematic(c, style)) for c in page.circuits],
        derivations=[Markup(blocks_html(c.derivation, 3)) for c in page.circuits],
        css=Markup((_FOLDER / "page.css").read_text(encoding="utf-8")),
        colours=colours(),
        script=Markup(script),
        script_hash=_hash(script),
        data=Markup(script_json(data)),
    )
    return "\n".join(line.rstrip() for line in text.splitlines()) + "\n"


def _keys(page: Page) -> list[tuple[str, tuple[Quantity, ...]]]:
    """Return the figures that circuits are compared by, those that none has left out."""
    rows = zip(*(c.keys for c in page.circuits), strict=True)
    return [(row[0].label, row) for row in rows if any(q.value is not None for q in row)]


def _environment() -> Environment:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    made = Environment(
        loader=FileSystemLoader(_FOLDER),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["figure"] = _figure_text
    made.filters["alike"] = _alike
    made.filters["si"] = si_number
    made.filters["share"] = _share
    made.filters["signed"] = _signed
    made.filters["number"] = _number
    made.filters["words"] = printable
    made.filters["prose"] = lambda text: typeset(printable(text))
    made.filters["math"] = lambda formula: Markup(math_html(formula, block=True))
    made.filters["svg"] = lambda drawn: Markup(drawn.svg)
    return made


def _schematic(circuit: CircuitPage, style: PageStyle) -> str:
    if circuit.drawing is None:
        return ""
    from synth.drawing.render import to_svg

    text = to_svg(circuit.drawing, resistors=style.resistors)
    # a large circuit may be drawn smaller, but not so that it cannot be read: then it scrolls
    size = re.search(r'<svg [^>]*?\bwidth="([\d.]+)"', text)
    least = f' style="min-width:{_SMALLEST * float(size[1]):.0f}px"' if size else ""
    return text.replace("<svg ", f"<svg{least} ", 1)


def _figures(circuit: CircuitPage, prefix: str) -> Mapping[str, Shown]:
    return {f.name: _shown(f, f"{prefix}-{f.name}") for f in circuit.figures}


def _shown(figure: Figure, identifier: str) -> Shown:
    if figure.name not in _WIDE_FIGURES:
        return Shown(figure, (("half", plot(figure, identifier, HALF)),))
    return Shown(
        figure,
        (
            ("wide", plot(figure, f"{identifier}-wide", WIDE)),
            ("narrow", plot(figure, f"{identifier}-narrow", NARROW)),
        ),
    )


def _hash(script: str) -> str:
    return base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()


def _alike(findings: Sequence[Finding]) -> list[tuple[Finding, list[Finding]]]:
    """Put notes of one code together; whatever is worse than a note stands by itself."""
    found: list[tuple[Finding, list[Finding]]] = []
    first: dict[str, list[Finding]] = {}
    for finding in findings:
        if finding.severity == "note" and finding.code in first:
            first[finding.code].append(finding)
            continue
        others: list[Finding] = []
        if finding.severity == "note":
            first[finding.code] = others
        found.append((finding, others))
    return found


# -- numbers for readers ---------------------------------------------------------------------------


def _figure_text(quantity: Quantity) -> str:
    value = quantity.value
    if value is None:
        return "–"
    if isinstance(value, str):
        return printable(value)
    text = si_number(value, quantity.unit)
    return f"{text} {quantity.remark}".rstrip()


def si_number(value: float | None, unit: str = "", digits: int = 4) -> str:
    """Write a number with its unit, prefixed where that is usual; a dash for none."""
    if value is None or not math.isfinite(value):
        return "–"
    if unit in _WITH_PREFIX:
        return si_text(value, unit, digits)
    shown = f"{value:.{digits}g}".replace("-", "−")
    return f"{shown}°" if unit == "deg" else f"{shown} {unit}".rstrip()


def _share(value: float | None, digits: int = 3) -> str:
    return "–" if value is None or not math.isfinite(value) else si_number(100 * value, "%", digits)


def _signed(value: float | None) -> str:
    """Write a relative change in %."""
    if value is None or not math.isfinite(value):
        return "–"
    return "0 %" if abs(value) < 1e-8 else f"{100 * value:+.3g} %".replace("-", "−")


def _number(value: float | None) -> str:
    if value is None or not math.isfinite(value):
        return "–"
    return "0" if abs(value) < 1e-9 else f"{value:.3g}".replace("-", "−")
