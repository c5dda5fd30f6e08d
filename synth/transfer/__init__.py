"""Rational functions of s: exact polynomials, sections, kinds, and the text of H(s)."""
