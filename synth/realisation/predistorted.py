"""The pre-distorted circuit as a design of its own."""

from __future__ import annotations

from dataclasses import replace

from synth.checking.facts import Facts
from synth.errors import RealisationError
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
    network = replace(found.network, title=f"{design.network.title}; pre-distorted")
    return Design(network, design.target, (*design.derivation, found.step))
