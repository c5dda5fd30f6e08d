"""Schematics: a network becomes a drawing of placed symbols, wires and labels."""

from synth.drawing.model import Drawing
from synth.drawing.picture import draw, placement_for

__all__ = ["Drawing", "draw", "placement_for"]
