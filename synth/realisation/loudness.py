"""Levels along a cascade: what every op amp puts out, and what of the dynamic range is lost.

With ideal op amps, for a sine of 1 V at the input.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from synth.analysis.nodes import node_voltages
from synth.network.model import Network
from synth.search.arrange import PASS_DB, noise_band
from synth.transform.cascade import needs_follower

Array = npt.NDArray[np.float64]

_TINY = 1e-30


@dataclass(frozen=True)
class OutputLevel:
    """One op-amp output.

    Parameters
    ----------
    op_amp : str
    peak : float
        Largest magnitude over all frequencies, V per volt of the source.
    at_hz : float
        Where.
    least : float
        Smallest magnitude over the pass band, V per volt.
    """

    op_amp: str
    peak: float
    at_hz: float
    least: float


@dataclass(frozen=True)
class OutputNoise:
    """Noise at the output, computed for the circuit with its values.

    Parameters
    ----------
    vrms : float
        V.
    band_hz : tuple of float
        Over which it is added up.
    temperature_k : float
    source : str
        What makes it: the resistors, or the resistors and an op amp by its name.
    """

    vrms: float
    band_hz: tuple[float, float]
    temperature_k: float
    source: str


@dataclass(frozen=True)
class Loudness:
    """Levels of a cascade.

    Parameters
    ----------
    outputs : tuple of OutputLevel
        Every op amp, in the order of the signal.
    peak, least : float
        Of the output of the whole, as in `OutputLevel`.
    headroom_db : float
        By how much the loudest op amp exceeds the output: what the output must stay below its
        full swing; 0 when none is louder.
    sunk_db : float
        By how much the faintest output of a stage sinks below the least output in the pass band.
    noise_db : float
        Noise at the output when every stage adds the same white noise at its own output, over
        that of the last stage alone, within the band.
    noise_band_hz : tuple of float
        `synth.search.arrange.noise_band`, in hertz.
    """

    outputs: tuple[OutputLevel, ...]
    peak: float
    least: float
    headroom_db: float
    sunk_db: float
    noise_db: float
    noise_band_hz: tuple[float, float]

    @property
    def loss_db(self) -> float:
        """What the dynamic range loses against a circuit as quiet inside as at its output."""
        return self.headroom_db + self.sunk_db


def loudness(
    stages: Sequence[Network],
    names: Sequence[Mapping[str, str]],
    followers: Sequence[str],
    w: Array,
) -> Loudness:
    """Return the levels of stages in a chain.

    Parameters
    ----------
    stages : sequence of Network
        With values, in the order of the signal.
    names : sequence of mapping
        Of each stage: op amp -> its name in the whole.
    followers : sequence of str
        Op amps added behind stages that do not end at one, in the order of the signal.
    w : array
        Angular frequencies in rad/s that resolve the response, ascending.
    """
    inner: list[tuple[str, npt.NDArray[np.complex128]]] = []
    ends: list[Array] = []
    added = iter(followers)
    product = np.ones(len(w), dtype=complex)
    for k, (network, called) in enumerate(zip(stages, names, strict=True)):
        voltages = node_voltages(network, w)
        inner += [(called[u.name], product * voltages[u.out]) for u in network.op_amps]
        product = product * voltages[network.output]
        if needs_follower(stages, k, buffer_last=True):
            inner.append((next(added), product))
        ends.append(np.abs(product))
    whole = ends[-1]
    inside = whole >= whole.max() * 10 ** (-PASS_DB / 20)
    band = noise_band(inside, w)
    outputs = tuple(_level(name, np.abs(v), w, inside) for name, v in inner)
    peak, least = float(whole.max()), float(whole[inside].min())
    loudest = max([peak, *(o.peak for o in outputs)])
    return Loudness(
        outputs,
        peak,
        least,
        _decibels(loudest / peak),
        max(0.0, _decibels(least / max(min(float(x[inside].min()) for x in ends), _TINY))),
        _noise(ends, w, band),
        (band[0] / (2 * math.pi), band[1] / (2 * math.pi)),
    )


def _level(name: str, size: Array, w: Array, inside: npt.NDArray[np.bool_]) -> OutputLevel:
    k = int(np.argmax(size))
    return OutputLevel(name, float(size[k]), float(w[k] / (2 * math.pi)), float(size[inside].min()))


def _noise(ends: Sequence[Array], w: Array, band: tuple[float, float]) -> float:
    weights = np.gradient(w) * ((w >= band[0]) & (w <= band[1]))
    whole = ends[-1]
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        rest = [np.nan_to_num((whole / np.maximum(x, _TINY)) ** 2) for x in ends]
    return 10 * math.log10(sum(float(r @ weights) for r in rest) / float(weights.sum()))


def _decibels(ratio: float) -> float:
    return 20 * math.log10(max(ratio, _TINY))
