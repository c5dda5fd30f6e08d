"""Measured or desired responses: tables of frequency, magnitude and phase, and fits to them."""
