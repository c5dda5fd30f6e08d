"""Signal levels: what every amplifier does while a sine goes through, and the largest one.

The circuit is the linear one with its real amplifiers.  A sine of amplitude V behind the first
pole of an amplifier (nearly its output) needs the slope 2 pi f V, which the slew rate bounds; the
highest frequency of the whole swing is the full-power bandwidth, SR/(2 pi V) (S. Franco, Design
with Operational Amplifiers and Analog Integrated Circuits, McGraw-Hill, ch. 6, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from synth.analysis.sweep import Sweep
from synth.checking.model import OpAmpModel
from synth.network.model import OpAmp

Array = npt.NDArray[np.float64]

#: What bounds the amplitude, in the order in which ties are told.
CAUSES: tuple[str, ...] = ("clipping", "slewing", "output current", "input range")
_PER_DECADE = 60
#: Points around each mode, in units of its distance from the imaginary axis.
_AROUND = np.sinh(np.linspace(-3.0, 3.0, 121)) / 2


@dataclass(frozen=True)
class Peak:
    """The largest (or, where it says so, smallest) value over the band, and its frequency."""

    value: float
    at_hz: float


@dataclass(frozen=True)
class AmplifierLevel:
    """One amplifier while a sine goes through.

    Parameters
    ----------
    name : str
    output, plus, minus : Peak
        Largest magnitude at its pins over the band, V per volt of the source.
    current : Peak
        Largest output current, A per volt of the source.
    rest_v, input_rest_v : float
        Where output and inputs rest without a signal, V against ground.
    room_v, input_room_v : float
        Amplitude that fits there: to the nearer end of the output swing, and of the common-mode
        range.
    full_power_hz : float
        Highest frequency of a sine of amplitude `room_v` at the output without slewing.
    limits : tuple of (str, Peak)
        Cause -> the smallest amplitude of the source over the band that meets it, V.
    """

    name: str
    output: Peak
    plus: Peak
    minus: Peak
    current: Peak
    rest_v: float
    input_rest_v: float
    room_v: float
    input_room_v: float
    full_power_hz: float
    limits: tuple[tuple[str, Peak], ...]

    def limit(self, cause: str) -> Peak:
        """Return the smallest amplitude of the source at which this happens."""
        return dict(self.limits)[cause]

    @property
    def input(self) -> Peak:
        """The larger of the two inputs."""
        return max(self.plus, self.minus, key=lambda p: p.value)


@dataclass(frozen=True)
class Levels:
    """Levels of a circuit.

    Parameters
    ----------
    band_hz : tuple of two float
    amplifiers : tuple of AmplifierLevel
    output : Peak
        Largest gain to the output over the band, V/V.
    source_current : Peak
        Largest current from the source, A per volt.
    input_impedance : Peak
        Smallest magnitude over the band, ohm, seen by the source behind its resistance.
    frequencies : array
        Hz, ascending.
    gains : mapping
        Amplifier -> magnitude at its output over `frequencies`, V per volt of the source.
    transfer : array
        Magnitude of H over `frequencies`.
    largest : array
        Largest amplitude of the source over `frequencies` that no amplifier clips, slews,
        overloads or takes out of its input range, V.
    causes : tuple of (str, str)
        At each frequency the amplifier and the cause that bound it; empty texts where nothing
        does.
    """

    band_hz: tuple[float, float]
    amplifiers: tuple[AmplifierLevel, ...]
    output: Peak
    source_current: Peak
    input_impedance: Peak
    frequencies: Array
    gains: Mapping[str, Array]
    transfer: Array
    largest: Array
    causes: tuple[tuple[str, str], ...]

    @property
    def largest_input(self) -> Peak:
        """The amplitude of the source that every frequency of the band allows, V."""
        return _least(self.frequencies, self.largest)

    @property
    def largest_output(self) -> Peak:
        """What the source gives at most at the output over the band at `largest_input`, V."""
        gain = self.output
        return Peak(self.largest_input.value * gain.value if gain.value else 0.0, gain.at_hz)

    @property
    def bound(self) -> tuple[str, str]:
        """Amplifier and cause of `largest_input`."""
        return self.causes[int(np.argmin(self.largest))]

    def amplifier(self, name: str) -> AmplifierLevel:
        """Return the levels of one amplifier."""
        return next(a for a in self.amplifiers if a.name == name)

    @property
    def loudest(self) -> AmplifierLevel | None:
        """The amplifier whose output peaks most; None without amplifiers."""
        return max(self.amplifiers, key=lambda a: a.output.value, default=None)


def frequency_grid(band_hz: tuple[float, float], natural: tuple[complex, ...]) -> Array:
    """Return frequencies in Hz over the band, denser around the natural modes (rad/s)."""
    low, high = band_hz
    count = max(2, math.ceil(_PER_DECADE * math.log10(high / low)) + 1)
    points = [np.geomspace(low, high, count)]
    for p in natural:
        points.append((abs(p.imag) + abs(p.real) * _AROUND) / (2 * math.pi))
        peak = p.imag**2 - p.real**2
        points.append(np.array([math.sqrt(peak) if peak > 0 else 0.0]) / (2 * math.pi))
    grid = np.unique(np.concatenate(points))
    return np.asarray(grid[(grid >= low) & (grid <= high)], dtype=float)


def levels(
    sweep: Sweep,
    model: OpAmpModel,
    *,
    reference_v: float,
    rests: Mapping[str, float] | None = None,
    offsets: Mapping[str, float] | None = None,
    input_node: str | None = None,
) -> Levels:
    """Return the levels of a circuit.

    Parameters
    ----------
    sweep : Sweep
        Over the band (`frequency_grid`), of the circuit with its real amplifiers, source
        resistance and load as parts of it.
    model : OpAmpModel
        Of every amplifier.
    reference_v : float
        Where the signal's ground sits, V against the ground of the supplies.
    rests : mapping, optional
        Node -> where it rests without a signal, V; by default, and for nodes that are not in it,
        at `reference_v`.
    offsets : mapping, optional
        Amplifier -> what its output may be off the rest by its offsets, V.
    input_node : str, optional
        Where the circuit begins, behind the source's resistance; by default its input.
    """
    network, f = sweep.system.network, sweep.frequencies
    rows, bounds = [], []
    for u in network.op_amps:
        row, curves = _amplifier(
            u,
            sweep,
            model,
            tuple((rests or {}).get(n, reference_v) for n in (u.out, u.plus, u.minus)),
            (offsets or {}).get(u.name, 0.0),
        )
        rows.append(row)
        bounds += [(u.name, cause, curve) for cause, curve in curves.items()]
    source = np.abs(sweep.input_current())
    largest, causes = _smallest(bounds, len(f))
    volts = np.abs(sweep.voltage(input_node or network.input))
    with np.errstate(divide="ignore"):
        impedance = _least(f, volts / source)
    return Levels(
        (float(f[0]), float(f[-1])),
        tuple(rows),
        _most(f, np.abs(sweep.transfer)),
        _most(f, source),
        impedance,
        f,
        {u.name: np.abs(sweep.voltage(u.out)) for u in network.op_amps},
        np.abs(sweep.transfer),
        largest,
        causes,
    )


def _amplifier(
    u: OpAmp,
    sweep: Sweep,
    model: OpAmpModel,
    rests: tuple[float, ...],
    offset: float,
) -> tuple[AmplifierLevel, dict[str, Array]]:
    low, high = model.output_range
    rest, *rests_in = rests
    room = max(0.0, min(high - rest, rest - low) - abs(offset))
    low_in, high_in = model.common_mode_range
    rest_in = min(rests_in, key=lambda v: min(high_in - v, v - low_in))
    input_room = max(0.0, min(high_in - rest_in, rest_in - low_in))
    f = sweep.frequencies
    out, plus, minus = (np.abs(sweep.voltage(n)) for n in (u.out, u.plus, u.minus))
    inner = np.abs(sweep.unknowns[:, sweep.system.inner[u.name]])
    current = np.abs(sweep.output_current(u.name))
    with np.errstate(divide="ignore", invalid="ignore"):
        curves = {
            "clipping": room / out,
            "slewing": model.slew_rate / (2 * np.pi * f * inner),
            "output current": model.output_current / current,
            "input range": input_room / np.maximum(plus, minus),
        }
    curves = {cause: np.where(np.isnan(c), 0.0, c) for cause, c in curves.items()}
    level = AmplifierLevel(
        u.name,
        _most(f, out),
        _most(f, plus),
        _most(f, minus),
        _most(f, current),
        rest,
        rest_in,
        room,
        input_room,
        model.slew_rate / (2 * math.pi * room) if room else math.inf,
        tuple((cause, _least(f, c)) for cause, c in curves.items()),
    )
    return level, curves


def _smallest(
    bounds: list[tuple[str, str, Array]], count: int
) -> tuple[Array, tuple[tuple[str, str], ...]]:
    if not bounds:
        return np.full(count, np.inf), (("", ""),) * count
    table = np.array([curve for _, _, curve in bounds])
    which = np.argmin(table, axis=0)
    smallest = table[which, np.arange(count)]
    causes = tuple(
        bounds[k][:2] if math.isfinite(v) else ("", "")
        for k, v in zip(which, smallest, strict=True)
    )
    return smallest, causes


def _most(f: Array, values: Array) -> Peak:
    k = int(np.argmax(values))
    return Peak(float(values[k]), float(f[k]))


def _least(f: Array, values: Array) -> Peak:
    k = int(np.argmin(values))
    return Peak(float(values[k]), float(f[k]))
