"""The pre-distorted circuit as a design of its own."""

from __future__ import annotations

from dataclasses import replace

from synth.checking.facts import Facts
from synth.checking.predistortion import PREDISTORT
from synth.errors import RealisationError
from synth.network.model import Network
from synth.realisation.design import Design


def predistorted_design(facts: Facts, design: Design) -> Design:
    """Return the design with the values that put poles and zeros back.

    Where only the poles can be put back, it is with the values that do that.

    Parameters
    ----------
    facts : Facts
        Of the design's network.
    design : Design

    Raises
    ------
    RealisationError
        If no such values were found.
    """
    found = facts.small.predistortion
    if found is None or not (found.possible or found.changes):
        reason = "they were not looked for" if found is None else found.reason
        raise RealisationError(f"there are no pre-distorted values to write: {reason}")
    if not found.changes:
        raise RealisationError(
            "there are no pre-distorted values to write: with this op amp every pole and zero is "
            "where it was wanted; build the circuit as it is"
        )
    network = replace(found.network, title=f"{design.network.title}; pre-distorted")
    return Design(network, design.target, (*design.derivation, found.step))


def undistorted(design: Design) -> Network | None:
    """Return the network before its last step, if that was a pre-distortion, else None.

    Its values with ideal op amps say what is wanted of the design.

    Parameters
    ----------
    design : Design
    """
    if not design.derivation or design.derivation[-1].name != PREDISTORT:
        return None
    values = design.network.values
    factors = {
        part: float(text[1:])
        for part, text in design.derivation[-1].arguments
        if part in values and text.startswith("x")
    }
    return design.network.with_values({part: values[part] / x for part, x in factors.items()})
