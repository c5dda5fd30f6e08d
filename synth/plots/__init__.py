"""Figures as plain records, and their rendering as SVG or PNG."""
