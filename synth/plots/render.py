"""A figure as SVG or PNG, by matplotlib; it sees nothing but the record and the style."""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast

from synth.plots.draw import draw
from synth.plots.record import Figure
from synth.plots.style import Style

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Canvas

#: Everything matplotlib would take from a user's own settings.
_SETTINGS: Mapping[str, Any] = {
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": 9.0,
    "text.parse_math": False,
    "axes.unicode_minus": True,
    "svg.fonttype": "none",
    "path.simplify": True,
    "hatch.linewidth": 0.6,
}
_METADATA = re.compile(r"\s*<metadata>.*?</metadata>", re.DOTALL)
_PATH = re.compile(r' d="[^"]*"')
#: Numbers of a path with more decimals than a picture shows.
_DECIMALS = re.compile(r"-?\d+\.\d{3,}")
_IDENTIFIER = re.compile(r'(\bid="|xlink:href="#|url\(#)')


@dataclass(frozen=True)
class Box:
    """Where a panel is in the picture, as shares of its width and height from the top left."""

    left: float
    top: float
    right: float
    bottom: float


@dataclass(frozen=True)
class Picture:
    """An SVG picture: its text from ``<svg`` on, and where its panels are."""

    svg: str
    boxes: tuple[Box, ...]


def svg(figure: Figure, style: Style | None = None) -> str:
    """Return the figure as an SVG document of its own."""
    return f'<?xml version="1.0" encoding="utf-8"?>\n{picture(figure, style).svg}\n'


def picture(figure: Figure, style: Style | None = None) -> Picture:
    """Return the figure as an SVG element that can stand in a document, and its geometry."""
    style = style or Style()
    with _quiet(style, figure.name):
        canvas = draw(figure, style)
        text = _svg_text(canvas)
    text = _IDENTIFIER.sub(rf"\g<1>{style.prefix}", text) if style.prefix else text
    boxes = []
    for axes in canvas.axes:
        place = axes.get_position()
        boxes.append(Box(place.x0, 1 - place.y1, place.x1, 1 - place.y0))
    return Picture(text, tuple(boxes))


def png(figure: Figure, style: Style | None = None) -> bytes:
    """Return the figure as a PNG file."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    style = style or Style()
    with _quiet(style, figure.name):
        canvas = draw(figure, style)
        buffer = io.BytesIO()
        canvas.set_dpi(style.dots_per_inch)
        cast(Any, FigureCanvasAgg(canvas)).print_png(buffer, metadata={"Software": None})
    return buffer.getvalue()


def _svg_text(canvas: Canvas) -> str:
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    buffer = io.StringIO()
    cast(Any, FigureCanvasSVG(canvas)).print_svg(buffer, metadata={"Date": None})
    text = buffer.getvalue()
    text = _METADATA.sub("", text[text.index("<svg") :]).rstrip()
    return _PATH.sub(lambda path: _DECIMALS.sub(_rounded, path[0]), text)


def _rounded(number: re.Match[str]) -> str:
    return f"{float(number[0]):.2f}".rstrip("0").rstrip(".")


@contextmanager
def _quiet(style: Style, salt: str) -> Iterator[None]:
    """Draw by our own settings, whatever the user's are; signs no font has are no matter."""
    import matplotlib as mpl

    ours = {**_SETTINGS, "svg.hashsalt": f"{style.prefix}{salt}"}
    with mpl.rc_context(), warnings.catch_warnings():
        mpl.rcdefaults()
        cast(Any, mpl.rcParams).update(ours)
        warnings.filterwarnings("ignore", message="Glyph .* missing from", category=UserWarning)
        yield
