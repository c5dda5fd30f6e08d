"""Ladders without coils: each element simulated (FDNR, inductors), or each of its equations.

Frequency-dependent negative resistances (L. T. Bruton, IEEE Trans. Circuit Theory CT-16 (1969)
406-408): every impedance times w0/s leaves the ratio of voltages alone and turns a resistance
into a capacitor, an inductor into a resistor, a capacitor into an element of admittance D s^2,
which an impedance converter makes from two capacitors and three resistors.

Simulated inductors: the high-pass ladder has its inductors at ground, where an impedance
converter makes each from one capacitor and four resistors.

Leapfrog (F. E. J. Girling, E. F. Good, Wireless World 76 (1970), from memory): the equations of
the arms, current of a series arm and voltage of a shunt arm, are solved by integrators; for a
band-pass each integrator becomes a resonator, s -> (s^2 + w0^2)/(B s).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from synth.errors import TargetError
from synth.ladder.assembly import Assembly
from synth.ladder.prototype import Ladder
from synth.network.model import Network

#: The resistors that give a ladder of capacitors its DC path are at most this share of the largest
#: that can be had.
_LARGEST = 0.95
_PEAK_POINTS = 400


@dataclass(frozen=True)
class Form:
    """A way to simulate a ladder.

    Parameters
    ----------
    name : str
        In the words of the command line.
    kind : str
        lowpass, highpass or bandpass: the responses it is for.
    meaning : str
        What is simulated.
    theorem : str
        Why the result is right.
    source : str
    """

    name: str
    kind: str
    meaning: str
    theorem: str
    source: str


_STATES = (
    "the currents of series arms and the voltages of shunt arms obey one equation each; solved by "
    "op-amp circuits they take the values they have in the ladder"
)
_LEAPFROG = "F. E. J. Girling, E. F. Good, Wireless World 76 (1970) (from memory)"
#: Name -> form.
FORMS = {
    f.name: f
    for f in (
        Form(
            "negative-resistance",
            "lowpass",
            "LC ladder with grounded frequency-dependent negative resistances",
            "every impedance of a ladder may be multiplied by w0/s, for that leaves ratios of "
            "voltages alone; resistances become capacitors, inductors resistors, and capacitors "
            "elements that impedance converters make",
            "L. T. Bruton, IEEE Trans. Circuit Theory CT-16 (1969) 406-408",
        ),
        Form(
            "inductors",
            "highpass",
            "LC ladder with grounded inductors simulated by impedance converters",
            "an impedance converter has the driving-point impedance Z1 Z3 Z5/(Z2 Z4), that of an "
            "inductor when Z4 is a capacitor and the others are resistors",
            "A. Antoniou, Proc. IEE 116 (1969) 1838-1850 (from memory)",
        ),
        Form("leapfrog", "lowpass", "leapfrog: an integrator for each arm", _STATES, _LEAPFROG),
        Form(
            "leapfrog-resonators",
            "bandpass",
            "leapfrog: a resonator for each arm of the low-pass behind the band-pass",
            _STATES,
            _LEAPFROG,
        ),
    )
}


def negative_resistance(ladder: Ladder, gain: float, capacitance: float, largest: float) -> Network:
    """Return the low-pass with frequency-dependent negative resistances.

    Parameters
    ----------
    ladder : Ladder
    gain : float
        Wanted at DC.
    capacitance : float
        Of every capacitor but the load's, in farad; it sets the impedance level 1/(w0 C).
    largest : float
        The largest resistor that can be had, in ohm.  Two near it give the capacitors at source
        and load a DC path; the response is exact at DC and far above level*w0/largest.

    Raises
    ------
    TargetError
        If the impedance level is too near to `largest`.
    """
    level = 1 / (ladder.w0 * capacitance)
    resistance = sum(a.inductance for a in ladder.arms if a.series) * level
    path = _LARGEST * min(largest, largest / ladder.load - resistance)
    if path < level:
        raise TargetError(
            f"the impedance level of {level:.3g} ohm leaves no room below {largest:.3g} ohm for "
            "the DC path; raise the window of the resistors or that of the capacitors"
        )
    a = Assembly()
    here = a.node()
    a.add("C", capacitance, "in", here)
    a.add("R", path, "in", here)
    for arm in ladder.arms:
        if arm.series:
            there = a.node()
            a.add("R", arm.inductance * level, here, there)
            here = there
            continue
        top = here
        if arm.inductance:
            top = a.node()
            a.add("R", arm.inductance * level, here, top)
        plain = ("R", level)
        a.converter(
            top,
            (
                ("C", capacitance),
                plain,
                plain,
                ("R", arm.capacitance * level),
                ("C", capacitance),
            ),
        )
    a.add("C", capacitance / ladder.load, here, "0")
    a.add("R", (path + resistance) * ladder.load, here, "0")
    a.output(here, gain / ladder.loss, level)
    return a.finished("low-pass ladder with frequency-dependent negative resistances")


def inductors(ladder: Ladder, gain: float, level: float, capacitance: float) -> Network:
    """Return the high-pass with simulated inductors, the mirror of the low-pass ladder.

    Parameters
    ----------
    ladder : Ladder
        Of the low-pass.
    gain : float
        Wanted at high frequencies.
    level : float
        Resistance of the source, in ohm.
    capacitance : float
        Of the impedance converters, in farad; best near 1/(w0 level).
    """
    a = Assembly()
    here = a.node()
    a.add("R", level, "in", here)
    for arm in ladder.arms:
        if arm.series:
            there = a.node()
            a.add("C", 1 / (arm.inductance * ladder.w0 * level), here, there)
            here = there
            continue
        top = here
        if arm.inductance:
            top = a.node()
            a.add("C", 1 / (arm.inductance * ladder.w0 * level), here, top)
        plain = ("R", level)
        last = 1 / (arm.capacitance * ladder.w0 * capacitance)
        a.converter(top, (plain, plain, plain, ("C", capacitance), ("R", last)))
    a.add("R", level * ladder.load, here, "0")
    a.output(here, gain / ladder.loss, level)
    return a.finished("high-pass ladder with simulated inductors")


# -- leapfrog --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _States:
    """Arms as equations (e_k s + d_k) x_k = x_{k-1} - x_{k+1}, x_0 the source.

    ``size`` is the largest |x_k| over frequency, ``out`` what x_n is multiplied by at the output.
    """

    e: tuple[float, ...]
    d: tuple[float, ...]
    size: tuple[float, ...]
    out: float


def _states(ladder: Ladder) -> _States:
    arms = ladder.arms
    if any(a.inductance and a.capacitance for a in arms):
        raise TargetError(
            "leapfrog is for responses without zeros beside DC and infinity; choose another form, "
            "or a family without zeros"
        )
    e = tuple(a.inductance or a.capacitance for a in arms)
    end = ladder.load if arms[-1].series else 1 / ladder.load
    d = [0.0] * len(arms)
    d[0] += 1.0
    d[-1] += end
    size = _sizes(np.array(e), np.array(d))
    return _States(e, tuple(d), size, ladder.load if arms[-1].series else 1.0)


def _sizes(e: npt.NDArray[np.float64], d: npt.NDArray[np.float64]) -> tuple[float, ...]:
    n = len(e)
    couple = np.diag(-np.ones(n - 1), -1) + np.diag(np.ones(n - 1), 1)
    w = np.concatenate([[0.0], np.geomspace(0.05, 5.0, _PEAK_POINTS)])
    left = 1j * w[:, None, None] * np.diag(e) + np.diag(d) + couple
    source = np.zeros((len(w), n, 1))
    source[:, 0] = 1.0
    return tuple(float(x) for x in np.abs(np.linalg.solve(left, source))[:, :, 0].max(axis=0))


def leapfrog(ladder: Ladder, gain: float, capacitance: float) -> Network:
    """Return the low-pass of one integrator for each arm, with equal peaks at every output.

    Every integrator inverts; those of every other arm have an inverter behind them, which gives
    each loop of two the sign it needs.

    Parameters
    ----------
    ladder : Ladder
        Without zeros.
    gain : float
        Wanted at DC, of either sign.
    capacitance : float
        Of every integrator, in farad.
    """
    states = _states(ladder)
    n = len(states.e)
    signs = [-1]
    for k in range(1, n):
        signs.append(-signs[-1] if k % 2 else signs[-1])
    wanted = 1 if gain > 0 else -1
    # inverters behind arms 2, 4, ...; behind 1, 3, ... where only that gives the sign
    parity = 1 if n % 2 == 0 or signs[-1] == wanted else 0
    if parity == 0:
        signs = [-1]
        for k in range(1, n):
            signs.append(signs[-1] if k % 2 else -signs[-1])
    level = 1 / (ladder.w0 * capacitance)
    factor = [states.size[-1] / x for x in states.size]  # y_k = factor x_k
    total = gain / (ladder.loss * states.out)  # wanted y_n over x_n
    a = Assembly()
    plain = [a.node() for _ in range(n)]
    inverted = {k: a.node() for k in range(n) if k % 2 == parity}
    end = n - 1
    if end in inverted and signs[end] != wanted:
        inverted[end] = "out"
    else:
        plain[end] = "out"
    for k in range(n):
        into = a.node()
        unit = states.e[k] * level
        if k == 0:
            a.add("R", unit / (factor[0] * abs(total)), "in", into)
        else:
            a.add("R", unit * factor[k - 1] / factor[k], _tap(k - 1, plain, inverted), into)
        if k < end:
            a.add("R", unit * factor[k + 1] / factor[k], _tap(k + 1, plain, inverted), into)
        if states.d[k]:
            a.add("R", unit / states.d[k], into, plain[k])
        a.add("C", capacitance, into, plain[k])
        a.op_amp("0", into, plain[k])
        if k in inverted:
            _inverter(a, plain[k], inverted[k], level)
    return a.finished("low-pass leapfrog")


def _tap(k: int, plain: Sequence[str], inverted: dict[int, str]) -> str:
    """Return where a neighbour takes arm k: behind its inverter if it has one."""
    return inverted.get(k, plain[k])


def _inverter(a: Assembly, start: str, end: str, level: float) -> None:
    into = a.node()
    a.add("R", level, start, into)
    a.add("R", level, into, end)
    a.op_amp("0", into, end)


def leapfrog_resonators(ladder: Ladder, gain: float, w0: float, capacitance: float) -> Network:
    """Return the band-pass of one two-integrator resonator for each arm of the low-pass.

    Parameters
    ----------
    ladder : Ladder
        Of the low-pass, without zeros; its frequency unit is that of s -> (s^2 + w0^2)/s.
    gain : float
        Wanted at the centre, of either sign.
    w0 : float
        Centre in rad/s.
    capacitance : float
        Of every integrator, in farad.
    """
    states = _states(ladder)
    n = len(states.e)
    level = 1 / (w0 * capacitance)
    narrow = w0 / ladder.w0
    factor = [states.size[-1] / x for x in states.size]
    total = gain / (ladder.loss * states.out)
    a = Assembly()
    minus = [a.node() for _ in range(n)]
    plus = [a.node() for _ in range(n)]
    end = n - 1
    (plus if gain > 0 else minus)[end] = "out"
    for k in range(n):
        into, second, third = a.node(), a.node(), a.node()
        unit = states.e[k] * level * narrow
        if k == 0:
            a.add("R", unit / (factor[0] * abs(total)), "in", into)
        else:
            a.add("R", unit * factor[k - 1] / factor[k], plus[k - 1], into)
        if k < end:
            a.add("R", unit * factor[k + 1] / factor[k], minus[k + 1], into)
        if states.d[k]:
            a.add("R", unit / states.d[k], into, minus[k])
        a.add("C", capacitance, into, minus[k])
        a.op_amp("0", into, minus[k])
        _inverter(a, minus[k], plus[k], level)
        a.add("R", level, plus[k], second)
        a.add("C", capacitance, second, third)
        a.op_amp("0", second, third)
        a.add("R", level, third, into)
    return a.finished("band-pass leapfrog of resonators")
