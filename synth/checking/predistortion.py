"""Values that put the poles and zeros back where they were wanted, with a real op amp.

Poles and zeros are taken together in pairs, as coefficients of quadratics (equal ones, as of equal
stages in cascade, all together, as the mean of theirs), and driven to the
wanted ones by Gauss and Newton's method on the logarithms of the values; where there are more
values than conditions the smallest change is taken.  What comes out is checked by the exact
eigenvalues of the new circuit, its values rounded to the six digits in which they are written.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from math import pi

import numpy as np

from synth.analysis.amplifier import same_everywhere
from synth.analysis.loop import Loop, analyse
from synth.analysis.numbers import transfer
from synth.analysis.real import Array, ComplexArray, RealSystem, real_system
from synth.analysis.roots import (
    IdealRoots,
    RealRoots,
    RootShift,
    clusters,
    compared,
    ideal_roots,
    nearest,
)
from synth.analysis.roots import real_roots as real_roots_of
from synth.checking.model import OpAmpModel
from synth.checking.root_conditions import root_conditions
from synth.network.model import Network
from synth.transform.step import Step, unchanged_names
from synth.units import format_si

#: Name of its step in a derivation.
PREDISTORT = "predistort"
#: Spread of the gain-bandwidth from op amp to op amp (common practice).
SPREAD = 0.3
#: Conditions are met when no coefficient of a quadratic is off by more than this.
MET = 1e-8
#: So near to a wanted root, relative, each of several equal ones must come.
APART = 0.01
#: Significant digits of the values that come out, and a relative change too small to be one.
DIGITS = 6
_UNCHANGED = 1e-7
#: Poles and zeros that are off by less than this, relative, need not be put back.
NOTHING = 1e-6
#: No value may change by more than this factor.
LARGEST_CHANGE = 3.0
_ROUNDS = 12
#: A Jacobian is renewed when a step leaves more than this part of the error.
_STALLED = 0.1
_SPREAD_STEPS = 5
_STEP = 1e-6
#: Directions in which the roots move less than this, against the strongest, are left alone.
_WEAK = 1e-7

_Places = tuple[ComplexArray, ComplexArray]


@dataclass(frozen=True)
class SpreadShift:
    """Worst shift of any pole's or zero's f0 or Q at another gain-bandwidth.

    Parameters
    ----------
    factor : float
        Gain-bandwidth and second pole over those of the model.
    before, after : tuple of RootShift
        Poles then zeros, against the wanted ones, with the old and the new values.
    worst_before, worst_after : float
    """

    factor: float
    before: tuple[RootShift, ...]
    after: tuple[RootShift, ...]
    worst_before: float
    worst_after: float


@dataclass(frozen=True)
class Predistortion:
    """What pre-distorted values do.

    Parameters
    ----------
    possible : bool
        Whether all wanted poles and zeros are met.
    reason : str
        Why not; else empty.
    network : Network
        With the new values; where only the poles could be met, with those that do that; where
        not even they, with the old ones.
    changes : tuple of (str, float)
        Part and factor on its value, largest change first; parts that stay are left out.
    before, after : tuple of RootShift
        Poles then zeros, against the wanted ones, with the old and the new values.
    gain_error_before, gain_error : float
        Relative error of ``|H|`` where the ideal one is largest, with old and new values.
    gain_bandwidth_hz : float
        Of the op amp they are for.
    spread : tuple of SpreadShift
        At -30 % and +30 % of gain-bandwidth.
    """

    possible: bool
    reason: str
    network: Network
    changes: tuple[tuple[str, float], ...]
    before: tuple[RootShift, ...]
    after: tuple[RootShift, ...]
    gain_error_before: float
    gain_error: float
    gain_bandwidth_hz: float
    spread: tuple[SpreadShift, ...]

    @property
    def step(self) -> Step:
        """The record of the change, for the derivation of a design."""
        values = tuple((part, f"x{factor:.6g}") for part, factor in self.changes)
        return Step(
            PREDISTORT,
            (("gain-bandwidth", f"{format_si(self.gain_bandwidth_hz, 'Hz')}"), *values),
            "with these values the natural modes and zeros of the network with real op amps, the "
            "eigenvalues of its equations, are those of the old values with ideal ones",
            unchanged_names(self.network),
        )


@dataclass(frozen=True)
class _Wanted:
    poles: tuple[complex, ...]
    zeros: tuple[complex, ...]
    reference: complex  # j*2*pi*f where the gain is compared
    gain: float
    rate: float


def predistorted(
    network: Network,
    model: OpAmpModel,
    *,
    roots: tuple[RealRoots, IdealRoots] | None = None,
    reference_hz: float | None = None,
    loop: Loop | None = None,
    fixed: Collection[str] = (),
) -> Predistortion:
    """Find values with which this op amp gives the poles and zeros that the ideal one gave.

    Parameters
    ----------
    network : Network
        Its values with ideal op amps say what is wanted.
    model : OpAmpModel
    roots : tuple of RealRoots and IdealRoots, optional
        Of this network and model, where the caller has them.
    reference_hz : float, optional
        Where the gain is to be kept if that is possible too; by default at the largest gain near
        the poles.
    loop : Loop, optional
        Of this network, where the caller has it.
    fixed : collection of str
        Parts whose values stay.

    Raises
    ------
    NetworkError
        If a part has no value.
    NumberError
        If the op amp is far too slow.
    """
    loop = analyse(network) if loop is None else loop
    real, ideal = roots or (real_roots_of(network, model.amplifier, loop), ideal_roots(loop))
    wanted = _wanted(loop, ideal, reference_hz)
    system = real_system(network, same_everywhere(network, model.amplifier))
    problem = _Problem(
        system,
        wanted,
        np.array([float(b.name not in fixed) for b in network.branches]),
        np.array([1.0 if b.power > 0 else -1.0 for b in network.branches]),
    )
    first = _places(real.poles, wanted.poles), _places(real.zeros, wanted.zeros)
    before, old_gain = _shifts(wanted, first), _gain_error(system, wanted)
    gbw = model.gain_bandwidth
    if max((r.worst for r in before), default=0.0) < NOTHING and abs(old_gain) < NOTHING:
        return Predistortion(True, "", network, (), before, before, old_gain, old_gain, gbw, ())
    if not real.stable:
        why = "the circuit is not stable with this op amp"
        return Predistortion(False, why, network, (), before, before, old_gain, old_gain, gbw, ())
    solution, reason = _best(replace(problem, together=True), first)
    if reason and len(clusters(wanted.poles)) < len(wanted.poles):
        other = _best(problem, first)
        solution, reason = (solution, reason) if other[1] else other
    after = _written(network, solution.x)
    changes = [
        (b.name, (after.branch(b.name).value or 0.0) / b.value)
        for b in network.branches
        if b.value and after.branch(b.name).value != b.value
    ]
    last = real_system(after, same_everywhere(after, model.amplifier))
    places = _found(last, wanted, solution.places)
    circuits = ((system, first), (last, places))
    return Predistortion(
        possible=not reason,
        reason=reason,
        network=after,
        changes=tuple(sorted(changes, key=lambda c: -abs(np.log(c[1])))),
        before=before,
        after=_shifts(wanted, places),
        gain_error_before=old_gain,
        gain_error=_gain_error(last, wanted),
        gain_bandwidth_hz=model.gain_bandwidth,
        spread=tuple(_spread(circuits, model, wanted, x) for x in (1 - SPREAD, 1 + SPREAD)),
    )


def _written(network: Network, x: Array) -> Network:
    """Return the network with its values times exp(x), in the digits in which they are written."""
    values = {
        b.name: float(f"{(b.value or 0) * f:.{DIGITS - 1}e}")
        for b, f in zip(network.branches, np.exp(x), strict=True)
        if abs(f - 1) > _UNCHANGED
    }
    return network.with_values(values)


def _best(problem: _Problem, first: _Places) -> tuple[_Solution, str]:
    """Ask for poles, zeros and gain; then without the gain; then for the poles alone."""
    poles, roots = problem.rows
    solution = problem.solve(first, roots + 1, None)
    for rows, reason in ((roots, ""), (poles, "the zeros cannot be put back with the poles")):
        if problem.meets(solution):
            return solution, ""
        solution = problem.solve(first, rows, solution.jacobian)
        if problem.meets(solution):
            return solution, reason
    nothing = np.zeros(len(problem.free))
    reason = (
        "no small change of the values was found that puts the poles back with this op amp; a "
        "faster one moves them less"
    )
    return _Solution(nothing, first, False, solution.jacobian), reason


def _wanted(loop: Loop, ideal: IdealRoots, reference_hz: float | None) -> _Wanted:
    size = ideal.fastest
    poles = tuple(p for p in ideal.poles if abs(p) > 1e-12 * size)
    zeros = tuple(z for z in ideal.zeros if abs(z) > 1e-12 * size)
    h = transfer(loop, loop.transfer())
    if reference_hz is None:
        near = [ideal.rate * x for x in np.geomspace(0.1, 10, 41)] + [abs(p) for p in poles]
    else:
        near = [2 * pi * reference_hz]
    gain, at = max((abs(h(1j * float(w))), float(w)) for w in near)
    return _Wanted(poles, zeros, 1j * at, float(gain), ideal.rate)


# -- the conditions --------------------------------------------------------------------------------


def _places(shifts: Sequence[RootShift], wanted: Sequence[complex]) -> ComplexArray:
    """Where each wanted root is with the real op amp, conjugates of pairs included."""
    place = np.array(wanted, dtype=np.complex128)
    left = list(range(len(wanted)))
    for shift in shifts:
        k = min(left, key=lambda j: abs(wanted[j] - shift.ideal))
        left.remove(k)
        place[k] = shift.real
        if shift.q is not None:
            k = min(left, key=lambda j: abs(wanted[j] - shift.ideal.conjugate()))
            left.remove(k)
            place[k] = complex(shift.real if shift.partner is None else shift.partner)
    return place


@dataclass(frozen=True)
class _Problem:
    """Conditions on the logarithms of factors on the values."""

    system: RealSystem
    wanted: _Wanted
    free: Array  # 1 for each branch that may change, else 0
    powers: Array  # of the value in the admittance: 1 for a capacitor, -1 for a resistor
    together: bool = False  # equal roots as one, by what is symmetric in them

    @property
    def rows(self) -> tuple[int, int]:
        """Numbers of conditions: of the poles, and of poles and zeros."""
        poles, zeros = (
            len(root_conditions(w, np.array(w), self.together))
            for w in (self.wanted.poles, self.wanted.zeros)
        )
        return poles, poles + zeros

    def meets(self, solution: _Solution) -> bool:
        """Say whether all wanted roots are met; those of a cluster may stay a little apart."""
        if not (solution.met and self.together):
            return solution.met
        wanted = (*self.wanted.poles, *self.wanted.zeros)
        off = np.abs(np.concatenate(solution.places) / np.array(wanted) - 1)
        return bool(off.max(initial=0.0) < APART)

    def changed(self, x: Array) -> RealSystem:
        return self.system.with_factors(np.exp(x * self.powers))

    def conditions(self, x: Array, near: _Places) -> tuple[Array, _Places]:
        """Return differences of poles' coefficients, zeros' coefficients and gain."""
        system = self.changed(x)
        found = _found(system, self.wanted, near)
        return (
            np.concatenate(
                [
                    root_conditions(self.wanted.poles, found[0], self.together),
                    root_conditions(self.wanted.zeros, found[1], self.together),
                    [_gain_error(system, self.wanted)],
                ]
            ),
            found,
        )

    def jacobian(self, x: Array, near: _Places, now: Array) -> Array:
        columns = np.zeros((len(now), len(x)))
        for k in np.flatnonzero(self.free):
            moved = x.copy()
            moved[k] += _STEP
            columns[:, k] = (self.conditions(moved, near)[0] - now) / _STEP
        return columns

    def solve(self, first: _Places, rows: int, jacobian: Array | None) -> _Solution:
        """Meet the first `rows` conditions with the least change."""
        x = np.zeros(len(self.free))
        now, places = self.conditions(x, first)
        slope = self.jacobian(x, places, now) if jacobian is None else jacobian
        initial = slope
        size = float(np.abs(now[:rows]).max(initial=0.0))
        for _ in range(_ROUNDS if self.free.any() else 0):
            if size < MET:
                break
            whole = np.linalg.pinv(slope[:rows], rcond=_WEAK) @ (slope[:rows] @ x - now[:rows])
            step = whole - x
            x = x + step * min(1.0, 0.3 / max(float(np.abs(step).max()), 1e-300))
            if not np.all(np.isfinite(x)) or np.abs(x).max() > np.log(LARGEST_CHANGE):
                break
            now, places = self.conditions(x, places)
            before, size = size, float(np.abs(now[:rows]).max())
            if size > _STALLED * before:
                slope = self.jacobian(x, places, now)
                if size > 0.9 * before and before < 1e-3:
                    break
        return _Solution(x, places, size < MET, initial)


@dataclass(frozen=True)
class _Solution:
    x: Array
    places: _Places
    met: bool
    jacobian: Array


def _found(system: RealSystem, wanted: _Wanted, near: _Places) -> _Places:
    """Return the circuit's poles and zeros nearest to given places."""
    rate = wanted.rate
    poles = nearest(near[0], system.modes(rate)) if len(near[0]) else near[0]
    zeros = nearest(near[1], system.zeros(rate)) if len(near[1]) else near[1]
    return poles, zeros


def _gain_error(system: RealSystem, wanted: _Wanted) -> float:
    now = abs(system.read(system.response(np.array([wanted.reference])))[0])
    return float(now / wanted.gain - 1) if wanted.gain else 0.0


# -- what comes of it ------------------------------------------------------------------------------


def _shifts(wanted: _Wanted, found: _Places) -> tuple[RootShift, ...]:
    return compared(wanted.poles, found[0]) + compared(wanted.zeros, found[1])


def _spread(
    circuits: Sequence[tuple[RealSystem, _Places]],
    model: OpAmpModel,
    wanted: _Wanted,
    factor: float,
) -> SpreadShift:
    """Go from the model's gain-bandwidth to another one in small steps, roots in hand."""
    rows = []
    for system, places in circuits:
        for x in np.geomspace(1.0, factor, _SPREAD_STEPS)[1:]:
            other = model.amplifier.with_speed(float(x))
            moved = system.with_amplifiers(same_everywhere(system.network, other))
            places = _found(moved, wanted, places)
        rows.append(_shifts(wanted, places))
    before, after = rows
    return SpreadShift(
        factor,
        before,
        after,
        max((s.worst for s in before), default=0.0),
        max((s.worst for s in after), default=0.0),
    )
