"""The response of many circuits at once: by formula where there is one, else by equations.

The formula is some hundred times faster and gives sections and worst cases too, so it is taken
whenever the exact analysis can expand it; a network without op-amp outputs to cut at and with
more than about a dozen nodes can have too many terms.
"""

from __future__ import annotations

from typing import Protocol

from synth.analysis.loop import Loop, analyse
from synth.errors import NetworkError, SingularError
from synth.network.model import Network
from synth.tolerances.factored import ComplexArray, factored
from synth.tolerances.nodal import nodal
from synth.tolerances.spread import Array, BoolArray


class Model(Protocol):
    """What an evaluation of many circuits offers; shapes as in `synth.tolerances.factored`."""

    @property
    def names(self) -> tuple[str, ...]:
        """Parts, in the order of the columns."""
        ...

    def prepare(self, ratios: Array) -> Array:
        """Return what the other methods need of circuits, one column each."""
        ...

    def squares(self, prepared: Array, frequencies: Array) -> Array:
        """Return |H|**2."""
        ...

    def response(self, prepared: Array, frequencies: Array) -> ComplexArray:
        """Return H."""
        ...

    def delays(self, prepared: Array, frequencies: Array) -> Array:
        """Return the group delay in seconds."""
        ...

    def grows(self, prepared: Array) -> BoolArray:
        """Say which circuits have a natural mode in the right half-plane, where that is known."""
        ...

    def sensitivities(self, frequencies: Array) -> ComplexArray:
        """Return d ln H/d ln(value)."""
        ...


def model_of(network: Network) -> tuple[Model, Loop | None]:
    """Return the evaluation of a network with values, and its loop where there is a formula.

    Raises
    ------
    NetworkError
        If a part has no value, or the output does not follow the input.
    SingularError
        If the equations have no unique solution.
    """
    if not network.branches:
        raise NetworkError("the circuit has no parts that could have a tolerance; name another")
    try:
        loop = analyse(network)
    except SingularError:
        raise
    except NetworkError:
        return nodal(network), None
    return factored(loop), loop
