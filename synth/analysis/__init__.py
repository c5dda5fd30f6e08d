"""Exact analysis (loops, terminals, formulas) and numeric analysis (modes, feedback, bias)."""
