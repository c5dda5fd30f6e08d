"""Targets: response families, second-order responses, given transfer functions; the error."""

from synth.target.families import EDGES, FAMILIES, Prototype, prototype
from synth.target.responses import (
    KINDS,
    family_target,
    response_target,
    second_order_target,
    transfer_target,
)
from synth.target.target import RealisedError, Target, phase_error, realised_error

__all__ = [
    "EDGES",
    "FAMILIES",
    "KINDS",
    "Prototype",
    "RealisedError",
    "Target",
    "family_target",
    "phase_error",
    "prototype",
    "realised_error",
    "response_target",
    "second_order_target",
    "transfer_target",
]
