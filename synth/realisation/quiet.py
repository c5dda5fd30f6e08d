"""Noise of circuits as they are: of their resistors, and of an op amp where it is known.

Stages of a cascade add their powers at the output, each through the stages behind it, so noise is
a price that adds and the quietest chain of fitted stages is found as the cheapest one is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, pi, sqrt

import numpy as np

from synth.analysis.amplifier import Amplifier, same_everywhere
from synth.analysis.nodes import node_voltages
from synth.analysis.real import RealSystem, real_system
from synth.checking.model import OpAmpModel
from synth.checking.noise import TEMPERATURE, noise, powers_at
from synth.network.model import Network
from synth.realisation.fitted import FittedStage
from synth.realisation.loudness import Loudness, OutputNoise
from synth.search.arrange import PASS_DB, noise_band
from synth.target.target import Target
from synth.tolerances.spread import Array

#: Where the band begins at zero it is taken from this share of its end: what is left out of white
#: noise is a ten-thousandth.
_FROM = 1e-4
#: Orders of a chain are tried that make nothing louder than this many dB more.
_LOUDER_DB = 0.1
_IDEAL = Amplifier(np.inf)


def output_noise(network: Network, levels: Loudness, model: OpAmpModel | None) -> OutputNoise:
    """Return the noise at the output over the pass band and an octave beside it.

    Parameters
    ----------
    network : Network
        With values.
    levels : Loudness
        Of the circuit: it has the band.
    model : OpAmpModel or None
        Of every op amp: its densities, and its gain.  None: ideal op amps without noise.

    Raises
    ------
    SingularError
        If the circuit has no solution with this op amp.
    """
    band = _band(levels.noise_band_hz)
    system = _system(network, model)
    roots = map(complex, system.modes(2 * pi * sqrt(band[0] * band[1])))
    found = noise(system, model, band, roots, (band[1], 1.0))
    source = "resistors" if model is None else f"resistors and {model.name}"
    return OutputNoise(found.vrms, band, TEMPERATURE, source)


def stage_density(network: Network, model: OpAmpModel | None, w: Array) -> Array:
    """Return the power density of a stage's own noise at its output, V^2/Hz, at rad/s."""
    _, powers = powers_at(_system(network, model), model, w / (2 * pi))
    return np.asarray(powers.sum(axis=0))


@dataclass(frozen=True, eq=False)
class Listener:
    """Where noise is added up while circuits are put together.

    Parameters
    ----------
    w, weights : array
        Angular frequencies in rad/s over the band of noise of a target, and what each stands for,
        Hz.
    model : OpAmpModel or None
        None: ideal op amps without noise.
    """

    w: Array
    weights: Array
    model: OpAmpModel | None

    @classmethod
    def of(cls, target: Target, model: OpAmpModel | None) -> Listener:
        """Listen over the pass band of a target and an octave beside it."""
        w = target.grid
        size = np.abs(target.transfer(1j * w))
        low, high = noise_band(size >= size.max() * 10 ** (-PASS_DB / 20), w)
        inside = w[(w >= low) & (w <= high)]
        return cls(inside, np.gradient(inside) / (2 * pi), model)

    def price(self, stage: FittedStage, behind: Array) -> float:
        """Return what a stage adds to the power of the noise at the output, V^2.

        Parameters
        ----------
        stage : FittedStage
        behind : array
            |H|**2 of all stages behind it, at `w`.
        """
        return float((stage_density(stage.network, self.model, self.w) * behind) @ self.weights)

    def quietest(self, stages: Sequence[FittedStage]) -> tuple[FittedStage, ...]:
        """Return the stages in the order of least noise at the output that makes nothing louder.

        Exact for these stages: what stands in front is a set, so the best order is a shortest path
        over sets, as in `synth.search.arrange`.
        """
        networks = [s.network for s in stages]
        voltages = [node_voltages(n, self.w) for n in networks]
        sizes = [np.abs(v[n.output]) for v, n in zip(voltages, networks, strict=True)]
        inner = [
            np.max([np.abs(v[u.out]) for u in n.op_amps] + [size], axis=0)
            for v, n, size in zip(voltages, networks, sizes, strict=True)
        ]
        densities = [stage_density(n, self.model, self.w) for n in networks]
        count = len(stages)
        fronts = [np.ones(len(self.w))]
        for mask in range(1, 1 << count):
            lowest = (mask & -mask).bit_length() - 1
            fronts.append(fronts[mask & (mask - 1)] * sizes[lowest])
        given = [(1 << k) - 1 for k in range(count)]
        loudest = max(float((fronts[m] * x).max()) for m, x in zip(given, inner, strict=True))
        limit = loudest * 10 ** (_LOUDER_DB / 20)
        best: list[tuple[float, tuple[int, ...]]] = [(inf, ())] * (1 << count)
        best[0] = (0.0, ())
        full = (1 << count) - 1
        for mask in range(full):
            power, order = best[mask]
            for k in range(count):
                if power == inf or mask >> k & 1 or (fronts[mask] * inner[k]).max() > limit:
                    continue
                after = mask | 1 << k
                added = float((densities[k] * fronts[full ^ after] ** 2) @ self.weights)
                best[after] = min(best[after], (power + added, (*order, k)))
        return tuple(stages[k] for k in best[full][1])


def _system(network: Network, model: OpAmpModel | None) -> RealSystem:
    return real_system(network, same_everywhere(network, model.amplifier if model else _IDEAL))


def _band(band_hz: tuple[float, float]) -> tuple[float, float]:
    low, high = band_hz
    return (max(low, _FROM * high), high)
