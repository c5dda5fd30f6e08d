"""Low-pass prototypes of the classical families, and where their edge lies.

Every prototype has its natural edge at 1 rad/s and 1 as its largest pass-band gain.

References
----------
.. [1] S. Butterworth, "On the theory of filter amplifiers", Wireless Engineer 7 (1930) 536-541.
.. [2] W. Cauer, "Synthesis of linear communication networks", McGraw-Hill (1958): Chebyshev and
   elliptic responses.
.. [3] W. E. Thomson, "Delay networks having maximally flat frequency characteristics", Proc.
   IEE 96 (1949) 487-490: the response called Bessel; its denominators are the reverse Bessel
   polynomials.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import ArrayLike

from synth.errors import TargetError
from synth.transfer import polynomial as poly
from synth.transfer.transfer import Transfer

#: The highest order a target may have.
MAX_ORDER = 10
#: Ripple and stop-band attenuation in dB where none is asked for: common practice.
DEFAULT_RIPPLE_DB = 0.5
DEFAULT_STOP_DB = 40.0


@dataclass(frozen=True)
class Family:
    """What a family is called, where its edge lies, and which numbers it takes."""

    name: str
    edge: str
    ripple: bool = False
    stop: bool = False


#: The families by the name a user gives.
FAMILIES: Mapping[str, Family] = {
    f.name: f
    for f in (
        Family("butterworth", "3dB"),
        Family("chebyshev", "ripple", ripple=True),
        Family("inverse-chebyshev", "stop", stop=True),
        Family("elliptic", "ripple", ripple=True, stop=True),
        Family("bessel", "3dB"),
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

    ``ripple_db`` and ``stop_db`` are None where the family has no such number.
    """

    family: Family
    order: int
    zeros: tuple[complex, ...]
    poles: tuple[complex, ...]
    gain: float
    edge: str
    ripple_db: float | None
    stop_db: float | None

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
    edge: str | None = None,
) -> Prototype:
    """Return the low-pass prototype of a family.

    Parameters
    ----------
    family : str
        A key of `FAMILIES`.
    order : int
        1 to 10.
    ripple_db : float, optional
        Pass-band ripple of chebyshev and elliptic (default 0.5 dB); with ``edge="ripple"`` the
        pass-band attenuation that marks the edge of any family.
    stop_attenuation_db : float, optional
        Stop-band attenuation of inverse-chebyshev and elliptic (default 40 dB); with
        ``edge="stop"`` the attenuation that marks the edge of any family.
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
    zeros, poles, gain = _zpk(kind.name, order, ripple or 0.0, stop or 0.0)
    native = Prototype(kind, order, zeros, poles, gain, chosen, ripple, stop)
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
    )


def _edge(family: Family, edge: str | None) -> str:
    chosen = family.edge if edge is None else edge
    if chosen not in EDGES:
        raise TargetError(f"the edge {chosen!r} is unknown; the edges are {', '.join(EDGES)}")
    if chosen == "delay" and family.name != "bessel":
        raise TargetError(
            f"the edge 'delay' belongs to the bessel family, not to {family.name}; leave it out"
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


def _zpk(
    family: str, order: int, ripple_db: float, stop_db: float
) -> tuple[tuple[complex, ...], tuple[complex, ...], float]:
    if family == "bessel":
        return _bessel(order)
    from scipy import signal

    if family == "butterworth":
        z, p, k = signal.buttap(order)
    elif family == "chebyshev":
        z, p, k = signal.cheb1ap(order, ripple_db)
    elif family == "inverse-chebyshev":
        z, p, k = signal.cheb2ap(order, stop_db)
    else:
        z, p, k = signal.ellipap(order, ripple_db, stop_db)
    # scipy returns the only pole of an elliptic response of order one as a bare number
    return _roots(z), _roots(p), float(k)


def _roots(values: ArrayLike) -> tuple[complex, ...]:
    return tuple(complex(z) for z in np.atleast_1d(np.asarray(values, dtype=complex)))


def _bessel(order: int) -> tuple[tuple[complex, ...], tuple[complex, ...], float]:
    """Return the prototype of unit delay: roots of the reverse Bessel polynomial [3]_."""
    coefficients = tuple(
        Fraction(
            math.factorial(2 * order - k),
            2 ** (order - k) * math.factorial(k) * math.factorial(order - k),
        )
        for k in range(order + 1)
    )
    return (), poly.roots(coefficients), float(coefficients[0])


def _edge_position(native: Prototype) -> float:
    """Return where the chosen edge lies, in units of the prototype's own frequency."""
    name = native.family.name
    if native.edge == "delay" or (native.edge == native.family.edge and name != "bessel"):
        return 1.0
    if native.edge == "3dB":
        attenuation = 10 * math.log10(2)
    else:
        attenuation = (native.ripple_db if native.edge == "ripple" else native.stop_db) or 0.0
    start = 1.0 if native.family.ripple else 0.0
    if native.family.ripple and native.ripple_db is not None and attenuation < native.ripple_db:
        raise TargetError(
            f"with a ripple of {native.ripple_db:g} dB the gain is {attenuation:.4g} dB down "
            "inside the pass band already; use the edge 'ripple', or a smaller ripple"
        )
    if native.family.stop and native.stop_db is not None and attenuation > native.stop_db:
        raise TargetError(
            f"the edge at {attenuation:.4g} dB lies beyond the stop-band attenuation of "
            f"{native.stop_db:g} dB; raise that"
        )
    return _falling(native.transfer, 10 ** (-attenuation / 20), start)


def _falling(transfer: Transfer, level: float, start: float) -> float:
    """Return where |H| falls to the level, on the stretch from start to the first zero.

    |H| is monotone there: beyond the ripple of a Chebyshev or elliptic response, or all the way
    from DC for the others.
    """
    zeros = [abs(z) for z in transfer.zeros]
    low, high = start, min(zeros, default=2 * max(start, 1.0))
    while not zeros and abs(transfer(1j * high)) > level:
        low, high = high, 2 * high
    while True:
        middle = (low + high) / 2
        if not low < middle < high:
            return high
        if abs(transfer(1j * middle)) > level:
            low = middle
        else:
            high = middle
