"""A figure as the bytes of a file, by its ending."""

from __future__ import annotations

from synth.errors import FormatError
from synth.plots.record import Figure
from synth.plots.render import png, svg
from synth.plots.style import Style


def picture_bytes(figure: Figure, ending: str, style: Style | None = None) -> bytes:
    """Return the figure as SVG or PNG.

    Parameters
    ----------
    figure : Figure
    ending : str
        ``.svg`` or ``.png``.
    style : Style, optional

    Raises
    ------
    FormatError
        If the ending is another.
    """
    if ending.lower() == ".png":
        return png(figure, style)
    if ending.lower() == ".svg":
        return svg(figure, style).encode()
    raise FormatError(f"a picture ends in .svg or .png, not in {ending or 'nothing'}")
