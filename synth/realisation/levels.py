"""What a shift of the impedance level would do: thermal noise, loading, part sizes."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from synth.analysis.equations import equations
from synth.errors import NetworkError
from synth.network.model import Network
from synth.tolerances.nodal import nodal

Array = npt.NDArray[np.float64]

#: Boltzmann's constant in J/K (SI), and the temperature of noise figures in K.
BOLTZMANN = 1.380649e-23
TEMPERATURE = 300.0
#: Shifts that are looked at.
FACTORS = (0.1, 1.0, 10.0)
#: Common practice: resistors below load an op amp, those above meet bias current and strays;
#: capacitors below drown in strays, those above are large.
FRIENDLY_R = (1e3, 1e5)
FRIENDLY_C = (1e-10, 1e-6)


@dataclass(frozen=True)
class Level:
    """The circuit with every impedance times a factor; the response is the same.

    Parameters
    ----------
    factor : float
    noise_density : float
        At the output, of all resistors together, V/sqrt(Hz), where |H| is largest.
    noise : float
        The same over the band looked at, V rms.
    load : float
        Smallest magnitude of the input impedance, ohm; inf when no current flows.
    smallest_resistor, largest_resistor : float
        Ohm; nan without resistors.
    smallest_capacitor, largest_capacitor : float
        Farad; nan without capacitors.
    """

    factor: float
    noise_density: float
    noise: float
    load: float
    smallest_resistor: float
    largest_resistor: float
    smallest_capacitor: float
    largest_capacitor: float

    @property
    def friendly(self) -> bool:
        """Whether all parts lie where op amps like them."""
        return not (
            self.smallest_resistor < FRIENDLY_R[0]
            or self.largest_resistor > FRIENDLY_R[1]
            or self.smallest_capacitor < FRIENDLY_C[0]
            or self.largest_capacitor > FRIENDLY_C[1]
        )


@dataclass(frozen=True)
class Levels:
    """The three levels, and the band that the noise is summed over, in hertz."""

    levels: tuple[Level, ...]
    band: tuple[float, float]
    peak_hz: float

    @property
    def advice(self) -> str:
        """One sentence: which shift is worth a thought."""
        down, here, up = self.levels
        if here.friendly:
            return "the level suits an op amp; a shift has no need"
        for level, way in ((down, "down"), (up, "up")):
            if level.friendly:
                return (
                    f"a decade {way} (--scale-impedance {level.factor:g}) would bring every part "
                    "into the range op amps like"
                )
        if here.largest_resistor > FRIENDLY_R[1] and not (
            down.smallest_resistor < FRIENDLY_R[0] or down.largest_capacitor > FRIENDLY_C[1]
        ):
            return (
                f"a decade down (--scale-impedance {down.factor:g}) would lower the largest "
                "resistor, and the noise to a third"
            )
        return "no shift by a decade brings every part into the range op amps like"


def levels_of(network: Network, frequencies: Array) -> Levels | None:
    """Return the figures of the circuit at its impedance level and a decade to either side.

    Parameters
    ----------
    network : Network
        With values.
    frequencies : array
        In hertz, ascending; the noise is summed over them.

    Returns
    -------
    Levels or None
        None when the output follows a source, or the equations have no formula here.

    Notes
    -----
    A resistor is a noise source of density 4kT/R in current [1]_.  With all impedances times k
    the response stays, the noise voltage grows as sqrt(k), and loads as k.

    References
    ----------
    .. [1] H. Nyquist, Phys. Rev. 32 (1928) 110-113 (from memory).
    """
    try:
        equations_ = nodal(network)
    except NetworkError:
        return None
    eq = equations(network)
    row_of = {n: k for k, n in enumerate(eq.row_nodes)}
    inputs = {p.node for p in network.inputs}
    resistors = [(k, b) for k, b in enumerate(network.branches) if b.power == 0]
    squares, gains, load = np.zeros(len(frequencies)), np.zeros(len(frequencies)), math.inf
    for at, f in enumerate(frequencies):
        y = equations_.admittances(equations_.values[:, None], float(f))[0]
        left = np.tensordot(y, equations_.matrix, 1)
        v = np.linalg.solve(left, y @ equations_.right)
        adjoint = np.linalg.solve(left.T, equations_.output)
        gains[at] = abs(equations_.read(v))
        for k, b in resistors:
            ends = [adjoint[row_of[n]] if n in row_of else 0.0 for n in b.nodes]
            squares[at] += 4 * BOLTZMANN * TEMPERATURE * y[k].real * abs(ends[0] - ends[1]) ** 2

        def voltage(node: str, v: npt.NDArray[np.complex128] = v) -> complex:
            if node in inputs:
                return 1.0
            if node in eq.pinned:
                return float(eq.pinned[node].at != "ground")
            return complex(v[eq.column_of[node]]) if node in eq.column_of else 0.0

        current = sum(
            y[k] * (1 - voltage(b.nodes[0] if b.nodes[1] in inputs else b.nodes[1]))
            for k, b in enumerate(network.branches)
            if set(b.nodes) & inputs
        )
        load = min(load, float(1 / abs(current))) if abs(current) > 1e-15 else load
    peak = int(np.argmax(gains))
    total = math.sqrt(float(np.sum((squares[1:] + squares[:-1]) / 2 * np.diff(frequencies))))
    r = [b.value for b in network.branches if b.power == 0 and b.value] or [math.nan]
    c = [b.value for b in network.branches if b.power == 1 and b.value] or [math.nan]
    found = tuple(
        Level(
            k,
            math.sqrt(k * squares[peak]),
            math.sqrt(k) * total,
            k * load,
            k * min(r),
            k * max(r),
            min(c) / k,
            max(c) / k,
        )
        for k in FACTORS
    )
    return Levels(found, (float(frequencies[0]), float(frequencies[-1])), float(frequencies[peak]))
