"""Schematics: a network becomes a drawing of placed symbols, wires and labels."""

from synth.drawing.model import Drawing
from synth.drawing.picture import draw

__all__ = ["Drawing", "draw"]
