"""Scaling of frequency and of impedance level."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from synth.network.model import Branch, Network
from synth.transform.step import Step, require, unchanged_names
from synth.units import LARGEST, SMALLEST


@dataclass(frozen=True)
class ScaleFrequency:
    """Multiply every frequency of the response by `factor`: H(s) becomes H(s/factor)."""

    factor: float

    def accepts(self, network: Network) -> str:
        """Return why it does not apply; empty when it does."""
        return _complaint(network, "frequency", self.factor, self._of)

    def apply(self, network: Network) -> tuple[Network, Step]:
        """Return the network with each storage part divided by the factor, and the step."""
        require(self, network)
        return _scaled(network, self._of), Step(
            "scale-frequency",
            (("factor", f"{self.factor:g}"),),
            "every s in a branch admittance stands with its part's value, so dividing the "
            "storage parts by k turns H(s) into H(s/k)",
            unchanged_names(network),
        )

    def _of(self, b: Branch) -> float:
        value = b.value or 0.0
        for _ in range(abs(b.power)):
            value /= self.factor
        return value


@dataclass(frozen=True)
class ScaleImpedance:
    """Multiply every impedance by `factor`: H is unchanged."""

    factor: float

    def accepts(self, network: Network) -> str:
        """Return why it does not apply; empty when it does."""
        return _complaint(network, "impedance", self.factor, self._of)

    def apply(self, network: Network) -> tuple[Network, Step]:
        """Return the network at the other impedance level, and the step."""
        require(self, network)
        return _scaled(network, self._of), Step(
            "scale-impedance",
            (("factor", f"{self.factor:g}"),),
            "a voltage transfer does not change when all impedances are multiplied by one number",
            unchanged_names(network),
        )

    def _of(self, b: Branch) -> float:
        value = b.value or 0.0
        return value * self.factor if b.power <= 0 else value / self.factor


def _complaint(
    network: Network, what: str, factor: float, value_of: Callable[[Branch], float]
) -> str:
    if not 0 < factor < float("inf"):
        return f"the factor {factor:g} of scale-{what} must be positive and finite"
    for b in network.branches:
        if b.value is None:
            return f"part {b.name} has no value to scale; give the parts values first"
        if not SMALLEST <= value_of(b) <= LARGEST:
            return (
                f"the factor {factor:g} of scale-{what} takes the value of {b.name} out of the "
                f"range of numbers, {SMALLEST:g} to {LARGEST:g}; choose one nearer to 1"
            )
    return ""


def _scaled(network: Network, value_of: Callable[[Branch], float]) -> Network:
    return network.with_values({b.name: value_of(b) for b in network.branches})
