"""Low-pass prototypes of the classical families, and where their edge lies.

Every prototype has its natural edge at 1 rad/s and 1 as its largest pass-band gain.  The roots come
from `synth.prototypes`, where the sources are named.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from synth.errors import TargetError
from synth.prototypes import closed, spectral
from synth.prototypes.closed import Roots
from synth.prototypes.elliptic import elliptic
from synth.transfer.transfer import Transfer

#: The highest order a target may have.
MAX_ORDER = 20
#: Ripple and stop-band attenuation in dB where none is asked for: common practice.
DEFAULT_RIPPLE_DB = 0.5
DEFAULT_STOP_DB = 40.0
#: Ripple of the phase in degrees and of the delay as a fraction where none is asked for.
DEFAULT_PHASE_DEGREES = 0.05
DEFAULT_DELAY_RIPPLE = 0.01


@dataclass(frozen=True)
class Family:
    """What a family is called, where its edge lies, and which numbers it takes.

    Parameters
    ----------
    name : str
    edge : str
        A key of `EDGES`.
    ripple, stop : bool
        Whether it has a pass-band ripple, and equal stop-band attenuation.
    phase, delay : bool
        Whether its phase or its delay has a ripple that can be chosen.
    flat : bool
        Whether it can be normalised to unit delay.
    """

    name: str
    edge: str
    ripple: bool = False
    stop: bool = False
    phase: bool = False
    delay: bool = False
    flat: bool = False


#: The families by the name a user gives.
FAMILIES: Mapping[str, Family] = {
    f.name: f
    for f in (
        Family("butterworth", "3dB"),
        Family("chebyshev", "ripple", ripple=True),
        Family("inverse-chebyshev", "stop", stop=True),
        Family("elliptic", "ripple", ripple=True, stop=True),
        Family("bessel", "3dB", flat=True),
        Family("legendre", "3dB"),
        Family("gaussian", "3dB"),
        Family("linear-phase", "3dB", phase=True, flat=True),
        Family("equal-delay", "3dB", delay=True, flat=True),
        Family("synchronous", "3dB"),
    )
}

#: What each edge means, for help texts.
EDGES: Mapping[str, str] = {
    "3dB": "half power (3.01 dB below the largest pass-band gain)",
    "ripple": "the end of the pass band, where the attenuation reaches the ripple",
    "stop": "the start of the stop band, where the stop-band attenuation is reached",
    "delay": "unit delay (2*pi times it times the delay at DC is 1)",
}


@dataclass(frozen=True)
class Prototype:
    """A low-pass with zeros and poles in units of its edge frequency; largest gain 1.

    ``ripple_db``, ``stop_db`` and the ripples of phase (degrees) and delay (a fraction) are None
    where the family has no such number.
    """

    family: Family
    order: int
    zeros: tuple[complex, ...]
    poles: tuple[complex, ...]
    gain: float
    edge: str
    ripple_db: float | None
    stop_db: float | None
    phase_degrees: float | None = None
    delay_ripple: float | None = None

    @property
    def transfer(self) -> Transfer:
        """The prototype as a function of s in units of its edge."""
        return Transfer.from_zpk(self.zeros, self.poles, self.gain)


def prototype(
    family: str,
    order: int,
    *,
    ripple_db: float | None = None,
    stop_attenuation_db: float | None = None,
    phase_degrees: float | None = None,
    delay_ripple: float | None = None,
    edge: str | None = None,
) -> Prototype:
    """Return the low-pass prototype of a family.

    Parameters
    ----------
    family : str
        A key of `FAMILIES`.
    order : int
        1 to 20.
    ripple_db : float, optional
        Pass-band ripple of chebyshev and elliptic (default 0.5 dB); with ``edge="ripple"`` the
        pass-band attenuation that marks the edge of any family.
    stop_attenuation_db : float, optional
        Stop-band attenuation of inverse-chebyshev and elliptic (default 40 dB); with
        ``edge="stop"`` the attenuation that marks the edge of any family.
    phase_degrees : float, optional
        Largest departure of the phase of linear-phase from a straight line (default 0.05).
    delay_ripple : float, optional
        Largest departure of the delay of equal-delay, as a fraction (default 0.01).
    edge : str, optional
        A key of `EDGES`; by default the family's own.

    Returns
    -------
    Prototype

    Raises
    ------
    TargetError
        If the family or the edge is unknown, a number is out of range, or does not belong to
        the family.

    Examples
    --------
    >>> prototype("bessel", 2, edge="delay").transfer
    <Transfer 3 / (s^2 + 3 s + 3)>
    """
    kind = FAMILIES.get(family)
    if kind is None:
        raise TargetError(
            f"the family {family!r} is unknown; the families are {', '.join(FAMILIES)}"
        )
    chosen = _edge(kind, edge)
    _check_order(order)
    ripple = _decibels("ripple", ripple_db, kind.ripple, chosen == "ripple", DEFAULT_RIPPLE_DB)
    stop = _decibels(
        "stop-band attenuation", stop_attenuation_db, kind.stop, chosen == "stop", DEFAULT_STOP_DB
    )
    if ripple is not None and stop is not None and stop <= ripple:
        raise TargetError(
            f"the stop-band attenuation of {stop:g} dB must exceed the ripple of {ripple:g} dB"
        )
    phase = _deviation("phase", phase_degrees, kind.phase, DEFAULT_PHASE_DEGREES, 5, "degrees")
    delay = _deviation("delay", delay_ripple, kind.delay, DEFAULT_DELAY_RIPPLE, 0.2, "")
    zeros, poles, gain = _roots(kind, order, ripple or 0.0, stop or 0.0, phase or delay or 0.0)
    native = Prototype(kind, order, zeros, poles, gain, chosen, ripple, stop, phase, delay)
    factor = 1 / _edge_position(native)
    return Prototype(
        kind,
        order,
        tuple(z * factor for z in zeros),
        tuple(p * factor for p in poles),
        gain * factor ** (len(poles) - len(zeros)),
        chosen,
        ripple,
        stop,
        phase,
        delay,
    )


def _edge(family: Family, edge: str | None) -> str:
    chosen = family.edge if edge is None else edge
    if chosen not in EDGES:
        raise TargetError(f"the edge {chosen!r} is unknown; the edges are {', '.join(EDGES)}")
    if chosen == "delay" and not family.flat:
        names = ", ".join(f.name for f in FAMILIES.values() if f.flat)
        raise TargetError(
            f"the edge 'delay' belongs to {names} and not to {family.name}; leave it out"
        )
    return chosen


def _check_order(order: int) -> None:
    if not 1 <= order <= MAX_ORDER:
        raise TargetError(f"the order {order} is out of range; choose 1 to {MAX_ORDER}")


def _decibels(
    what: str, value: float | None, has: bool, marks_edge: bool, default: float
) -> float | None:
    if not has and not marks_edge:
        if value is not None:
            raise TargetError(f"this family has no {what}; leave it out, or choose another family")
        return None
    chosen = default if value is None else value
    if not (math.isfinite(chosen) and 0.001 <= chosen <= 200):
        raise TargetError(f"a {what} of {chosen:g} dB is out of range; choose 0.001 to 200 dB")
    return chosen


def _deviation(
    what: str, value: float | None, has: bool, default: float, most: float, unit: str
) -> float | None:
    if not has:
        if value is not None:
            raise TargetError(
                f"this family has no {what} ripple; leave it out, or choose another family"
            )
        return None
    chosen = default if value is None else value
    if not most / 5000 <= chosen <= most:
        raise TargetError(
            f"a {what} ripple of {chosen:g} {unit} is out of range; choose {most / 5000:g} to "
            f"{most:g}"
        )
    return chosen


def _roots(kind: Family, order: int, ripple: float, stop: float, deviation: float) -> Roots:
    """Return the roots of a family in units of its own frequency."""
    if kind.phase or kind.delay:
        from synth.prototypes.equal_ripple import equal_delay, linear_phase

        return (linear_phase if kind.phase else equal_delay)(order, deviation)
    if kind.ripple:
        return elliptic(order, ripple, stop) if kind.stop else closed.chebyshev(order, ripple)
    if kind.stop:
        return closed.inverse_chebyshev(order, stop)
    plain = {
        "butterworth": closed.butterworth,
        "bessel": spectral.bessel,
        "legendre": spectral.legendre,
        "gaussian": spectral.gaussian,
        "synchronous": closed.synchronous,
    }
    return plain[kind.name](order)


#: Families whose own frequency is that of half power.
_HALF = ("butterworth", "legendre", "synchronous")


def _edge_position(native: Prototype) -> float:
    """Return where the chosen edge lies, in units of the prototype's own frequency."""
    family = native.family
    if native.edge == "delay" or (family.name in _HALF and native.edge == "3dB"):
        return 1.0
    if (family.ripple or family.stop) and native.edge == family.edge:
        return 1.0
    if native.edge == "3dB":
        attenuation = 10 * math.log10(2)
    else:
        attenuation = (native.ripple_db if native.edge == "ripple" else native.stop_db) or 0.0
    if family.ripple and native.ripple_db is not None and attenuation < native.ripple_db:
        raise TargetError(
            f"with a ripple of {native.ripple_db:g} dB the gain is {attenuation:.4g} dB down "
            "inside the pass band already; use the edge 'ripple', or a smaller ripple"
        )
    if family.stop and native.stop_db is not None and attenuation > native.stop_db:
        raise TargetError(
            f"the edge at {attenuation:.4g} dB lies beyond the stop-band attenuation of "
            f"{native.stop_db:g} dB; raise that"
        )
    return falling(native, attenuation)


def falling(p: Prototype, attenuation_db: float) -> float:
    """Return where the attenuation is reached, beyond the ripple and before the first zero.

    |H| is monotone there: beyond the ripple of a Chebyshev or elliptic response, or all the way
    from DC for the others.

    Parameters
    ----------
    p : Prototype
        With its own edge at 1.
    attenuation_db : float
        At least the ripple, and at most the stop-band attenuation.
    """
    level = 10 ** (-attenuation_db / 20)
    low = 1.0 if p.family.ripple else 0.0
    high = min((abs(z) for z in p.zeros), default=math.inf)
    if math.isinf(high):
        high = 2 * max(low, 1.0)
        while magnitude(p, high) > level:
            low, high = high, 2 * high
    while True:
        middle = (low + high) / 2
        if not low < middle < high:
            return high
        if magnitude(p, middle) > level:
            low = middle
        else:
            high = middle


def magnitude(p: Prototype, w: float) -> float:
    """Return |H(jw)| of a prototype."""
    value = abs(p.gain)
    for z in p.zeros:
        value *= abs(complex(z.real, z.imag - w))
    for r in p.poles:
        value /= abs(complex(r.real, r.imag - w))
    return value
