"""Noise at the output by contributor, its density and what a band of it adds up to.

A resistor R has the thermal current density ``sqrt(4 k T/R)`` (H. Nyquist, Phys. Rev. 32 (1928)
110-113, from memory) at 300 K; an op amp has a voltage density in series with its inputs and an
independent current density into each, both rising as 1/f in power below a corner.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from math import isfinite

import numpy as np

from synth.analysis.grid import panels
from synth.analysis.real import Array, RealSystem
from synth.checking.model import OpAmpModel
from synth.errors import NumberError

#: Boltzmann's constant in J/K (exact in the SI), and the temperature taken, K.
BOLTZMANN = 1.380649e-23
TEMPERATURE = 300.0
_PANELS_PER_DECADE = 5


@dataclass(frozen=True)
class Contributor:
    """One source of noise.

    Parameters
    ----------
    part : str
    kind : str
        ``thermal``, ``voltage``, ``current+`` or ``current-``.
    vrms : float
        At the output over the band, V.
    share : float
        Of the total power.
    spot : float
        Density at the output at `Noise.spot_hz`, V/sqrt(Hz).
    """

    part: str
    kind: str
    vrms: float
    share: float
    spot: float


@dataclass(frozen=True)
class Noise:
    """Noise at the output.

    Parameters
    ----------
    band_hz : tuple of two float
        Over which it is integrated.
    vrms : float
        V.
    contributors : tuple of Contributor
        Largest first.
    spot_hz : float
        Where the spot densities are taken: the frequency of the largest gain.
    spot : float
        Total density at the output there, V/sqrt(Hz).
    input_spot : float
        The same over ``|H|`` there: referred to the input, V/sqrt(Hz).
    input_vrms : float
        `vrms` over the largest ``|H|``, V.
    temperature_k : float
    """

    band_hz: tuple[float, float]
    vrms: float
    contributors: tuple[Contributor, ...]
    spot_hz: float
    spot: float
    input_spot: float
    input_vrms: float
    temperature_k: float
    _system: RealSystem = field(repr=False, compare=False)
    _model: OpAmpModel | None = field(repr=False, compare=False)

    def density(self, frequencies_hz: Array) -> Array:
        """Return the total output density in V/sqrt(Hz) at frequencies in Hz."""
        _, powers = powers_at(self._system, self._model, np.asarray(frequencies_hz, dtype=float))
        return np.asarray(np.sqrt(powers.sum(axis=0)))


def check_band(band_hz: tuple[float, float]) -> None:
    """Raise NumberError unless the band is two increasing positive finite frequencies."""
    low, high = band_hz
    if not (0 < low < high and isfinite(high)):
        raise NumberError(
            f"{low:g} Hz to {high:g} Hz is no band for noise; give two increasing positive "
            "frequencies (noise that rises as 1/f has no end at 0 Hz)"
        )


def noise(
    system: RealSystem,
    model: OpAmpModel | None,
    band_hz: tuple[float, float],
    roots: Iterable[complex],
    spot: tuple[float, float],
) -> Noise:
    """Return the noise of a circuit.

    Parameters
    ----------
    system : RealSystem
        With this model in every op amp.
    model : OpAmpModel or None
        None: the op amps add no noise.
    band_hz : tuple of two float
    roots : iterable of complex
        Its modes, near which the density may be sharp, rad/s.
    spot : tuple of two float
        The frequency of the largest gain in Hz, and that gain.

    Raises
    ------
    NumberError
        If the band is none.
    """
    check_band(band_hz)
    nodes, weights = panels(_edges(band_hz, roots))
    where, gain = spot
    names, powers = powers_at(system, model, np.append(nodes, where))
    areas = powers[:, :-1] @ weights
    total = float(areas.sum())
    spots = np.sqrt(powers[:, -1])
    rows = [
        Contributor(part, kind, float(np.sqrt(a)), float(a / total) if total else 0.0, float(d))
        for (part, kind), a, d in zip(names, areas, spots, strict=True)
    ]
    density, vrms = float(np.sqrt(powers[:, -1].sum())), float(np.sqrt(total))
    return Noise(
        band_hz=band_hz,
        vrms=vrms,
        contributors=tuple(sorted(rows, key=lambda r: -r.vrms)),
        spot_hz=where,
        spot=density,
        input_spot=density / gain if gain else float("inf"),
        input_vrms=vrms / gain if gain else float("inf"),
        temperature_k=TEMPERATURE,
        _system=system,
        _model=model,
    )


def powers_at(
    system: RealSystem, model: OpAmpModel | None, frequencies_hz: Array
) -> tuple[tuple[tuple[str, str], ...], Array]:
    """Return each contributor's output power density in V^2/Hz; without a model the resistors'.

    Returns
    -------
    names : tuple of (part, kind)
    powers : array, shape (contributors, frequencies)
    """
    network = system.network
    adjoint = system.adjoint(np.asarray(2j * np.pi * frequencies_hz))
    names: list[tuple[str, str]] = []
    powers: list[Array] = []
    for b in network.branches:
        if b.power == 0 and b.value:
            across = system.into(adjoint, b.nodes[0]) - system.into(adjoint, b.nodes[1])
            names.append((b.name, "thermal"))
            powers.append(4 * BOLTZMANN * TEMPERATURE / b.value * np.abs(across) ** 2)
    if model is None:
        return tuple(names), np.array(powers).reshape(len(names), len(frequencies_hz))
    rise_v = 1 + model.noise_voltage_corner / frequencies_hz
    rise_i = 1 + model.noise_current_corner / frequencies_hz
    for u in network.op_amps:
        names += [(u.name, "voltage"), (u.name, "current+"), (u.name, "current-")]
        in_series = adjoint[:, system.inner[u.name]]
        powers.append(model.noise_voltage**2 * rise_v * np.abs(in_series) ** 2)
        for pin in (u.plus, u.minus):
            through = np.abs(system.into(adjoint, pin)) ** 2
            powers.append(model.noise_current**2 * rise_i * through)
    return tuple(names), np.array(powers).reshape(len(names), len(frequencies_hz))


def _edges(band_hz: tuple[float, float], roots: Iterable[complex]) -> Array:
    """Panel edges: even in log frequency, and closer around sharp modes."""
    low, high = band_hz
    count = max(1, int(np.ceil(np.log10(high / low) * _PANELS_PER_DECADE)))
    points = [np.geomspace(low, high, count + 1)]
    for r in roots:
        centre = abs(r.imag) / (2 * np.pi)
        width = max(abs(r.real) / (2 * np.pi), 1e-7 * centre)
        if width < centre and low < centre < high:
            steps = width * np.array([0.0, 1.0, 2.5, 6.0, 15.0, 40.0])
            points += [centre + steps, centre - steps]
    every = np.unique(np.concatenate(points))
    return np.asarray(every[(every >= low) & (every <= high)])
