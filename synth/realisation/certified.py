"""The certificate of one circuit: its margin or error, and the most or least there can be."""

from __future__ import annotations

import math

from synth.masks.bound import most_margin
from synth.realisation.brief import Brief
from synth.realisation.certificate import DECIBELS, Certificate, floor_db
from synth.transfer.transfer import Transfer


def most_of(brief: Brief, response: Transfer) -> float | None:
    """Return the most margin to the mask that a filter like this can have; None if not known."""
    if response.order != brief.target.transfer.order:
        return None
    return most_margin(brief.mask, brief.target.transfer, len(response.zeros))


def certified(
    brief: Brief,
    response: Transfer,
    error_db: float,
    phase_degrees: float = 0.0,
    excess_db: float | None = None,
    late: bool = False,
) -> Certificate:
    """Return what is known of a circuit.

    Parameters
    ----------
    brief : Brief
    response : Transfer
        Of the whole circuit with its values.
    error_db, phase_degrees : float
        Largest deviations from the target; the phase counts for an all-pass.
    excess_db : float or None
        By how much the response passes the mask; None without one.
    late : bool
        Whether its delay passes the limits of the mask.
    """
    floor, zeros = floor_db(brief.spread), len(response.zeros)
    if excess_db is not None:
        bound = most_of(brief, response)
        return Certificate("margin", -excess_db, bound, floor, response.order, zeros, late)
    if brief.target.kind == "allpass":
        error_db = max(error_db, DECIBELS * math.radians(phase_degrees))
    return Certificate("error", error_db, 0.0, floor, response.order, zeros)
