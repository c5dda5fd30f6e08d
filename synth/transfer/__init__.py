"""Rational functions of s: exact polynomials, sections, kinds, and the text of H(s)."""

from synth.transfer.section import Figures, Section, section_figures
from synth.transfer.transfer import Transfer

__all__ = ["Figures", "Section", "Transfer", "section_figures"]
