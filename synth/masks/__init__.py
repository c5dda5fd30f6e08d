"""Masks: what a response must keep, which family keeps it at the lowest order, direct fits."""
