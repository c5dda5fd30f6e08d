"""The schematic of a network as an SVG element that can stand in a document."""

from __future__ import annotations

from synth.drawing.model import Drawing
from synth.drawing.picture import draw
from synth.drawing.render import to_svg
from synth.errors import NetworkError
from synth.network.model import Network
from synth.positions import Placement


def drawing_of(network: Network, placement: Placement | None = None) -> Drawing | None:
    """Return the drawing of a network; None where it cannot be drawn."""
    try:
        return draw(network, placement=placement)
    except NetworkError:
        return None


def schematic_svg(network: Network, resistors: str = "iec") -> str | None:
    """Return the schematic; None where there is none.

    Parameters
    ----------
    network : Network
    resistors : str
        ``iec`` or ``ansi``.
    """
    drawing = drawing_of(network)
    return None if drawing is None else to_svg(drawing, resistors=resistors)
