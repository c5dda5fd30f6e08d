"""Every small-signal figure of a circuit with a real op amp, in one frozen record."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import isfinite, pi

import numpy as np

from synth.analysis.amplifier import same_everywhere
from synth.analysis.bias import inputs_without_dc_path
from synth.analysis.defect import limits
from synth.analysis.feedback import Feedback, feedback
from synth.analysis.grid import grid
from synth.analysis.loop import Loop, analyse
from synth.analysis.numbers import transfer
from synth.analysis.real import Array, RealSystem, real_system
from synth.analysis.roots import (
    IdealRoots,
    RealRoots,
    RootShift,
    dominant,
    ideal_roots,
    real_roots,
)
from synth.analysis.sweep import Sweep
from synth.checking.deviation import Deviation, deviation
from synth.checking.loading import Loading, loading, with_source_and_load
from synth.checking.margins import Margin, margins
from synth.checking.model import OpAmpModel
from synth.checking.noise import Noise, check_band, noise
from synth.checking.notches import Notch, notches
from synth.checking.operating_point import OperatingPoint, operating_point
from synth.checking.predistortion import Predistortion, predistorted
from synth.checking.sensitivity import (
    ActiveSensitivity,
    PartSensitivity,
    active_sensitivities,
    part_sensitivities,
)
from synth.checking.shaping import Shaping, shaping
from synth.checking.signal_band import Band, default_band, signal_frequencies
from synth.network.model import Network
from synth.transfer.transfer import Transfer

#: The sweep reaches this far below the slowest root, above the fastest, and above the poles of
#: the op amps.
_BELOW, _ABOVE, _BEYOND = 1e-3, 1e3, 10.0


@dataclass(frozen=True)
class Figures:
    """What a real op amp does to a circuit; source resistance and load are part of it.

    Parameters
    ----------
    network : Network
        With source resistance and load put in.
    model : OpAmpModel
        Of every op amp.
    source_resistance_ohm : float
    load_ohm : float or None
    feedback : Feedback
        The sign of the feedback, by the modes as the gain-bandwidth grows.
    bias_path : tuple of (op amp, pin)
        Inputs without a DC path.
    margins : tuple of Margin
        Phase and gain margin of each op amp's loop.
    operating_point : OperatingPoint or None
        None where an input has no bias path.
    roots : RealRoots
        Poles and zeros beside the ideal ones.
    notches : tuple of Notch
        Depth of every zero on the axis.
    deviation : Deviation
        Roll-off, stop-band floor, error of the gain.
    defect_1pct_hz, defect_1pct_from_hz : float
        Where H + H' leaves 1 by 1 %; infinite where it never does; and from where on it is 1 so
        far, 0 for from the lowest frequency on.
    noise : Noise
    loading : Loading or None
        Effect of source and load, and the input impedance.
    loading_before : Loading or None
        The same of the circuit before a transformation, where one was given.
    part_sensitivities : tuple of PartSensitivity
        Of f0, Q and gain to every part, with ideal op amps.
    active_sensitivities : tuple of ActiveSensitivity
    predistortion : Predistortion or None
        None where it was not asked for; of the network without source and load.
    system : RealSystem
        The equations.
    loop : Loop
        Of `network`, with ideal op amps.
    signal_hz : array
        Where the signal matters, Hz.
    shaping : Shaping
        Which poles shape the response.
    band : Band
        In which the circuit is judged.
    """

    network: Network
    model: OpAmpModel
    source_resistance_ohm: float
    load_ohm: float | None
    feedback: Feedback
    bias_path: tuple[tuple[str, str], ...]
    margins: tuple[Margin, ...]
    operating_point: OperatingPoint | None
    roots: RealRoots
    notches: tuple[Notch, ...]
    deviation: Deviation
    defect_1pct_hz: float
    defect_1pct_from_hz: float
    noise: Noise
    loading: Loading | None
    loading_before: Loading | None
    part_sensitivities: tuple[PartSensitivity, ...]
    active_sensitivities: tuple[ActiveSensitivity, ...]
    predistortion: Predistortion | None
    system: RealSystem = field(repr=False, compare=False)
    loop: Loop = field(repr=False, compare=False)
    signal_hz: Array = field(repr=False, compare=False)
    shaping: Shaping
    band: Band

    @property
    def band_hz(self) -> tuple[float, float]:
        """Over which noise is integrated, Hz."""
        return self.band.noise_hz

    @property
    def stable(self) -> bool:
        """Whether every natural mode with this op amp decays."""
        return self.roots.stable

    @property
    def poles(self) -> tuple[RootShift, ...]:
        """Poles beside the ideal ones, highest Q first."""
        return self.roots.poles

    @property
    def zeros(self) -> tuple[RootShift, ...]:
        """Zeros beside the ideal ones."""
        return self.roots.zeros

    @property
    def f0_shift(self) -> float | None:
        """Relative shift of f0 of the dominant pole; None where none shapes the response."""
        first = dominant(self.shaping.poles)
        return None if first is None else first.f0_shift

    @property
    def q_shift(self) -> float | None:
        """Relative shift of Q of the dominant pole; None where it has none."""
        first = dominant(self.shaping.poles)
        return None if first is None else first.q_shift

    @property
    def noise_vrms(self) -> float:
        """Noise at the output over `band_hz`, V."""
        return self.noise.vrms

    @property
    def worst_sensitivity(self) -> PartSensitivity | None:
        """The largest sensitivity of f0, Q or gain to one part; None without parts."""
        return max(self.part_sensitivities, key=lambda s: abs(s.value), default=None)

    def hidden(self, frequencies_hz: Array) -> Array:
        """Return ``|H + H' - 1|`` at frequencies in Hz."""
        s = 2j * pi * np.asarray(frequencies_hz, dtype=float)
        return np.asarray(np.abs(self.system.hidden(s)))


def figures(
    network: Network,
    model: OpAmpModel,
    *,
    source_resistance: float = 0.0,
    load: float | None = None,
    band_hz: tuple[float, float] | None = None,
    before: Network | None = None,
    predistort: bool = True,
) -> Figures:
    """Compute every small-signal figure.

    Parameters
    ----------
    network : Network
        With values, one input and one output.
    model : OpAmpModel
        Of every op amp.
    source_resistance : float
        In series with the input, ohm.
    load : float, optional
        From output to ground, ohm.
    band_hz : tuple of two float, optional
        In which the circuit is judged and noise integrated; by default as `default_band`.
    before : Network, optional
        The circuit before a transformation, whose loading is put beside that of `network`.
    predistort : bool
        Whether to look for values that put poles and zeros back.

    Raises
    ------
    NetworkError
        If a part has no value, or there are several inputs or outputs.
    NumberError
        If source, load or band are out of range, or the op amp is far too slow.
    SingularError
        If the equations have no unique solution.
    """
    put = with_source_and_load(network, source_resistance, load)
    bare = _rooted(network, model)
    loaded = bare if put == network else _rooted(put, model)
    loop, ideal, real = loaded
    if band_hz is not None:
        check_band(band_hz)
    system = real_system(put, same_everywhere(put, model.amplifier))
    sweep = Sweep(system, _frequencies(model, ideal, real))
    around = margins(sweep, real.stable)
    h = transfer(loop, loop.transfer())
    judged = shaping(real.poles, h.poles, around)
    band = _band(sweep, h, ideal, judged, band_hz)
    wanted = h.response
    signal = signal_frequencies(sweep, wanted, band.signal_hz, band_hz is not None)
    fastest = max(judged.fastest_hz, *(z.f0_hz for z in real.zeros), 0.0)
    found = deviation(sweep, wanted, fastest, signal)
    complement = limits(sweep)
    peak = float(np.interp(found.peak_hz, sweep.frequencies, np.abs(sweep.transfer)))
    return Figures(
        network=put,
        model=model,
        source_resistance_ohm=source_resistance,
        load_ohm=load,
        feedback=feedback(loop),
        bias_path=inputs_without_dc_path(put),
        margins=around,
        operating_point=operating_point(put, model),
        roots=real,
        notches=notches(system, real.zeros, found.peak),
        deviation=found,
        defect_1pct_hz=complement.one_per_cent,
        defect_1pct_from_hz=complement.one_per_cent_from,
        noise=noise(system, model, band.noise_hz, real.all_poles, (found.peak_hz, peak)),
        loading=_loading(network, model, (source_resistance, load), band_hz, bare),
        loading_before=None
        if before is None
        else _loading(before, model, (source_resistance, load), band_hz, _rooted(before, model)),
        part_sensitivities=part_sensitivities(
            loop, ideal, found.peak_hz, [p.ideal for p in judged.poles]
        ),
        active_sensitivities=active_sensitivities(system, real.dominant, ideal.rate),
        predistortion=predistorted(network, model, roots=(bare[2], bare[1]), loop=bare[0])
        if predistort
        else None,
        system=system,
        loop=loop,
        signal_hz=signal,
        shaping=judged,
        band=band,
    )


def _band(
    sweep: Sweep,
    h: Transfer,
    ideal: IdealRoots,
    judged: Shaping,
    asked: tuple[float, float] | None,
) -> Band:
    if asked is not None:
        return Band(asked, asked)
    return default_band(sweep, h.response, ideal.poles, [p.ideal for p in judged.poles])


_Rooted = tuple[Loop, IdealRoots, RealRoots]


def _rooted(network: Network, model: OpAmpModel) -> _Rooted:
    loop = analyse(network)
    ideal = ideal_roots(loop)
    return loop, ideal, real_roots(network, model.amplifier, loop, ideal)


def _loading(
    network: Network,
    model: OpAmpModel,
    around: tuple[float, float | None],
    band_hz: tuple[float, float] | None,
    rooted: _Rooted,
) -> Loading:
    loop, ideal, real = rooted
    frequencies = _frequencies(model, ideal, real)
    sweep = Sweep(real_system(network, same_everywhere(network, model.amplifier)), frequencies)
    h = transfer(loop, loop.transfer())
    judged = shaping(real.poles, h.poles, margins(sweep, real.stable))
    band = _band(sweep, h, ideal, judged, band_hz)
    signal = signal_frequencies(sweep, h.response, band.signal_hz, band_hz is not None)
    stiff = np.array([not band.near_end(float(x)) for x in signal])
    signal = signal[stiff] if stiff.any() else signal
    return loading(network, model, *around, (real, ideal), (float(frequencies[0]), signal))


def _frequencies(model: OpAmpModel, ideal: IdealRoots, real: RealRoots) -> Array:
    """Where to look: far enough for every crossing, and closely near the roots."""
    sizes = [abs(r) / (2 * pi) for r in (*ideal.poles, *ideal.zeros) if r]
    sizes = sizes or [1e-3 * model.gain_bandwidth]
    if not all(ideal.poles):  # where the op amp's DC gain ends an integrator
        sizes += [abs(p) / (2 * pi) for p in real.all_poles[:1] if p]
    high = [_ABOVE * max(sizes), _BEYOND * model.gain_bandwidth]
    if isfinite(model.second_pole):
        high.append(_BEYOND * model.second_pole)
    roots = [*ideal.poles, *ideal.zeros, *real.all_poles, *(z.real for z in real.zeros)]
    return grid(_BELOW * min(sizes), max(high), [r for r in roots if r.imag > 0])
