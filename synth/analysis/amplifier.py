"""An op amp as the small signal sees it: DC gain, two poles, output resistance.

One pole is the case without second pole and output resistance: A(s) = A0/(1 + s*A0/wt).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import inf

from synth.network.model import Network


@dataclass(frozen=True)
class Amplifier:
    """An op amp by its small-signal numbers.

    Parameters
    ----------
    gain_bandwidth : float
        A0 times the first pole, rad/s; infinite for a plain gain A0.
    dc_gain : float
        A0; infinite for an integrator wt/s, and with infinite `gain_bandwidth` for the ideal.
    second_pole : float
        rad/s.
    output_resistance : float
        ohm.
    """

    gain_bandwidth: float
    dc_gain: float = inf
    second_pole: float = inf
    output_resistance: float = 0.0

    @property
    def one_pole(self) -> bool:
        """Whether there is neither a second pole nor an output resistance."""
        return self.second_pole == inf and not self.output_resistance

    def with_speed(self, factor: float) -> Amplifier:
        """Return the op amp with its gain-bandwidth and second pole multiplied, A0 kept."""
        return replace(
            self,
            gain_bandwidth=self.gain_bandwidth * factor,
            second_pole=self.second_pole * factor,
        )

    def faster(self, factor: float) -> Amplifier:
        """Return the op amp with its gain and both poles' frequencies multiplied."""
        return replace(
            self,
            gain_bandwidth=self.gain_bandwidth * factor,
            dc_gain=self.dc_gain * factor,
            second_pole=self.second_pole * factor,
        )


def same_everywhere(network: Network, model: Amplifier) -> dict[str, Amplifier]:
    """Return the model for every op amp of the network."""
    return {u.name: model for u in network.op_amps}
