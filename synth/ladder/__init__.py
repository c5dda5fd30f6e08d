"""Filters of high order from a passive ladder whose elements are simulated with op amps."""
