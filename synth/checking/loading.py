"""Source and load: what a source resistance and a load do to poles and gain, and what is drawn."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import isfinite

import numpy as np

from synth.analysis.amplifier import same_everywhere
from synth.analysis.real import Array, ComplexArray, RealSystem, real_system
from synth.analysis.roots import IdealRoots, RealRoots, RootShift, compared, followed
from synth.analysis.sweep import Sweep
from synth.checking.model import OpAmpModel
from synth.errors import NumberError
from synth.network.model import Branch, Network, Port

#: Names of the parts that are put in.
SOURCE, LOAD = "RSOURCE", "RLOAD"
#: They come in step by step, from this part of their effect.
_FIRST, _STEPS = 1e-4, 20


@dataclass(frozen=True)
class Loading:
    """Figures at a given source resistance and load, against none.

    Parameters
    ----------
    source_resistance_ohm : float
    load_ohm : float or None
    poles : tuple of RootShift
        Shifts of each pole against the same circuit, same op amps, without source and load.
    gain_error : float
        Relative change of ``|H|`` at its peak.
    band_hz : tuple of two float
        First and last frequency that is judged, Hz (`synth.checking.signal_band`).
    worst_error_db : float
        Largest change of ``|H|`` where the signal matters.
    worst_error_hz : float
    alone_db : tuple of two float
        Largest change by the source alone, and by the load alone, dB; 0 for what is not there.
    input_impedance_dc_ohm : float
        Seen by the source, at the lowest frequency looked at; infinite where nothing is drawn.
    input_impedance_min_ohm : float
        Smallest magnitude where the signal matters.
    input_impedance_min_hz : float
    """

    source_resistance_ohm: float
    load_ohm: float | None
    poles: tuple[RootShift, ...]
    gain_error: float
    band_hz: tuple[float, float]
    worst_error_db: float
    worst_error_hz: float
    alone_db: tuple[float, float]
    input_impedance_dc_ohm: float
    input_impedance_min_ohm: float
    input_impedance_min_hz: float


def with_source_and_load(network: Network, source: float, load: float | None) -> Network:
    """Return the network with a source resistance in series with its input, and a load.

    Raises
    ------
    NetworkError
        If there are several inputs or outputs.
    NumberError
        If the source resistance is negative or not finite, or the load not positive.
    """
    if not (isfinite(source) and source >= 0):
        raise NumberError(f"the source resistance is {source:g} ohm; it must be 0 or more")
    if load is not None and not (load > 0 and isfinite(load)):
        raise NumberError(f"the load is {load:g} ohm; it must be positive and finite")
    added = []
    inputs = network.inputs
    if source:
        node = _free(f"{network.input}_source", network.nodes)
        name = _free(SOURCE, [b.name for b in network.branches])
        added.append(Branch(name, 0, (node, network.input), source))
        inputs = (Port(network.inputs[0].name, node),)
    if load is not None:
        name = _free(LOAD, [b.name for b in network.branches])
        port = network.reading
        added.append(Branch(name, 0, (port.node, port.against or network.reference), load))
    return replace(network, branches=(*network.branches, *added), inputs=inputs)


def loading(
    network: Network,
    model: OpAmpModel,
    source: float,
    load: float | None,
    bare: tuple[RealRoots, IdealRoots],
    frequencies_hz: tuple[float, Array],
) -> Loading:
    """Return the effect of source and load.

    Parameters
    ----------
    network : Network
        Without them.
    model : OpAmpModel
    source : float
        ohm.
    load : float or None
        ohm.
    bare : tuple of RealRoots and IdealRoots
        Of the network without them.
    frequencies_hz : tuple of float and array
        One that stands for DC, and those at which the signal matters, Hz.
    """
    real, ideal = bare
    lowest, f = frequencies_hz
    plain = Sweep(real_system(network, same_everywhere(network, model.amplifier)), f)
    put = with_source_and_load(network, source, load)
    changed = np.abs(_put_in(network, model, source, load, f))
    shifts: tuple[RootShift, ...] = ()
    if put is not network and (source or load is not None):
        shifts = _shifts(network, model, source, load, real, ideal)
    size = np.abs(plain.transfer)
    top = int(np.argmax(size))
    change = _decibels(changed, size)
    worst = int(np.argmax(np.abs(change)))
    alone = (float(change[worst]), 0.0) if source else (0.0, float(change[worst]))
    if source and load is not None:
        each = (
            _put_in(network, model, source, None, f),
            _put_in(network, model, 0.0, load, f),
        )
        by_source, by_load = (_decibels(np.abs(x), size) for x in each)
        alone = _largest(by_source), _largest(by_load)
    impedance = _impedance(plain)
    least = int(np.argmin(impedance))
    return Loading(
        source_resistance_ohm=source,
        load_ohm=load,
        poles=shifts,
        gain_error=float(changed[top] / size[top] - 1) if size[top] else 0.0,
        band_hz=(float(f[0]), float(f[-1])),
        worst_error_db=float(change[worst]),
        worst_error_hz=float(f[worst]),
        alone_db=alone,
        input_impedance_dc_ohm=float(_impedance(Sweep(plain.system, np.array([lowest])))[0]),
        input_impedance_min_ohm=float(impedance[least]),
        input_impedance_min_hz=float(f[least]),
    )


def _put_in(
    network: Network, model: OpAmpModel, source: float, load: float | None, f: Array
) -> ComplexArray:
    """Return H at frequencies in Hz with source and load in."""
    put = with_source_and_load(network, source, load)
    return Sweep(real_system(put, same_everywhere(put, model.amplifier)), f).transfer


def _decibels(changed: Array, size: Array) -> Array:
    return np.asarray(20 * np.log10(np.maximum(changed, 1e-300) / np.maximum(size, 1e-300)))


def _largest(change: Array) -> float:
    return float(change[np.argmax(np.abs(change))])


def _impedance(sweep: Sweep) -> Array:
    with np.errstate(divide="ignore"):
        return np.asarray(1 / np.abs(sweep.input_current()))


def _shifts(
    network: Network,
    model: OpAmpModel,
    source: float,
    load: float | None,
    real: RealRoots,
    ideal: IdealRoots,
) -> tuple[RootShift, ...]:
    """Follow the real poles while source and load come in."""
    put = with_source_and_load(network, source, load)
    system = real_system(put, same_everywhere(put, model.amplifier))
    kept = np.ones(len(network.branches))

    def at(share: float) -> RealSystem:
        added = ([1 / share] if source else []) + ([share] if load is not None else [])
        return system.with_factors(np.concatenate([kept, added]))

    start = _paired(real.all_poles)
    shares = [float(x) for x in np.geomspace(_FIRST, 1.0, _STEPS)]
    place, _ = followed(start, shares, at, RealSystem.modes, ideal)
    reach = 10 * ideal.fastest
    return tuple(r for r in compared(start, place) if abs(r.ideal) <= reach)


def _paired(roots: Sequence[complex]) -> tuple[complex, ...]:
    """Take tiny imaginary parts away, so that real roots count as real."""
    return tuple(complex(r.real) if abs(r.imag) <= 1e-9 * abs(r) else r for r in roots)


def _free(stem: str, taken: Sequence[str]) -> str:
    known = {x.lower() for x in taken}
    name, k = stem, 2
    while name.lower() in known:
        name, k = f"{stem}{k}", k + 1
    return name
