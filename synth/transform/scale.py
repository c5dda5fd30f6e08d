"""Scaling of frequency and of impedance level."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from synth.network.model import Branch, Network
from synth.transform.step import Step, require, unchanged_names


@dataclass(frozen=True)
class ScaleFrequency:
    """Multiply every frequency of the response by `factor`: H(s) becomes H(s/factor)."""

    factor: float

    def accepts(self, network: Network) -> str:
        """Return why it does not apply; empty when it does."""
        return _complaint(network, "frequency", self.factor)

    def apply(self, network: Network) -> tuple[Network, Step]:
        """Return the network with each storage part divided by the factor, and the step."""
        require(self, network)
        k = self.factor
        return _scaled(network, lambda b: k ** -abs(b.power)), Step(
            "scale-frequency",
            (("factor", f"{k:g}"),),
            "every s in a branch admittance stands with its part's value, so dividing the "
            "storage parts by k turns H(s) into H(s/k)",
            unchanged_names(network),
        )


@dataclass(frozen=True)
class ScaleImpedance:
    """Multiply every impedance by `factor`: H is unchanged."""

    factor: float

    def accepts(self, network: Network) -> str:
        """Return why it does not apply; empty when it does."""
        return _complaint(network, "impedance", self.factor)

    def apply(self, network: Network) -> tuple[Network, Step]:
        """Return the network at the other impedance level, and the step."""
        require(self, network)
        k = self.factor
        return _scaled(network, lambda b: k if b.power <= 0 else 1 / k), Step(
            "scale-impedance",
            (("factor", f"{k:g}"),),
            "a voltage transfer does not change when all impedances are multiplied by one number",
            unchanged_names(network),
        )


def _complaint(network: Network, what: str, factor: float) -> str:
    if not 0 < factor < float("inf"):
        return f"the factor {factor:g} of scale-{what} must be positive and finite"
    missing = [b.name for b in network.branches if b.value is None]
    if missing:
        return f"part {missing[0]} has no value to scale; give the parts values first"
    return ""


def _scaled(network: Network, factor_of: Callable[[Branch], float]) -> Network:
    branches = tuple(
        replace(b, value=None if b.value is None else b.value * factor_of(b))
        for b in network.branches
    )
    return replace(network, branches=branches)
