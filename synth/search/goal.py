"""What a lift is asked for: a numerator over the loop's own denominator, its gain left free.

The kinds are normalised so that the gain is the one a designer means: at DC, at infinity, or at
the centre of the band.  A mode may be cancelled: the numerator is then a kind of lower order times
the factor of D that holds the mode, so every pole stays and one is not seen at the output.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, islice
from math import pi

import numpy as np

from synth.analysis.loop import Loop
from synth.errors import TargetError
from synth.search.cancel import ModeFactor, mode_factors
from synth.transfer import polynomial as poly
from synth.transfer.kinds import describe
from synth.transfer.transfer import Transfer

#: Kinds of numerator that can be asked for by name.
KINDS = (
    "lowpass",
    "highpass",
    "bandpass",
    "bandstop",
    "allpass",
    "lowpass-notch",
    "highpass-notch",
)
#: At most so many sets of modes to cancel are tried.
_MOST_SETS = 64


@dataclass(frozen=True)
class Goal:
    """A numerator to reach with the poles locked.

    Parameters
    ----------
    name : str
        As asked.
    numerator : tuple of float
        For the gain 1: ascending powers of s/w0, as long as the denominator.
    denominator : tuple of float
        D in ascending powers of s/w0, monic.
    w0 : float
        Normalising angular frequency in rad/s: the geometric mean of the modes.
    seen : (tuple of float, tuple of float)
        What is left of numerator and denominator after cancelling, descending powers of s
        (rad/s), the denominator monic.
    levels : tuple of (str, float)
        Where the response has which gain, for the gain 1: ``DC``, ``infinity``, ``centre``
        (band-pass of order 2), ``peak`` (above), ``middle`` (the factor of (s/w0)^(n/2) over D of
        a band-pass whose peak is infinite), ``numerator`` (the factor of the numerator given).
    cancelled : tuple of ModeFactor
        The factors of D that the numerator cancels.
    """

    name: str
    numerator: tuple[float, ...]
    denominator: tuple[float, ...]
    w0: float
    seen: tuple[tuple[float, ...], tuple[float, ...]]
    levels: tuple[tuple[str, float], ...]
    cancelled: tuple[ModeFactor, ...] = ()


def article(kind: str) -> str:
    """Return the kind with its indefinite article."""
    return f"{'an' if kind[:1] in 'aeiou' else 'a'} {kind}"


def mean_frequency(denominator: tuple[float, ...]) -> float:
    """Return the geometric mean of the modes that are not at the origin, rad/s; 1 without any.

    The coefficients are in descending powers.
    """
    present = [c for c in denominator if c]
    n = max(k for k, c in enumerate(denominator) if c)
    return float(abs(present[-1] / denominator[0]) ** (1 / n)) if n else 1.0


def goal(kind: str, denominator: tuple[float, ...], at_hz: float | None = None) -> Goal:
    """Return the numerator of a named kind over `denominator`, nothing cancelled.

    Parameters
    ----------
    kind : str
        One of `KINDS`.
    denominator : tuple of float
        D in descending powers of s (rad/s), monic.
    at_hz : float or None
        Frequency of the zero for the two kinds of unequal notch; not for others.

    Raises
    ------
    TargetError
        If the kind is unknown, the order does not have it, a mode lies at the origin, or the
        frequency is missing or on the wrong side of the poles.
    """
    _check_question(kind, at_hz)
    n = len(denominator) - 1
    if n == 0:
        raise TargetError("the loop has no natural mode, so it has no kinds of response to choose")
    if not denominator[-1]:
        raise TargetError(
            f"this loop has a natural mode at the origin (an ideal integrator), so no drive that "
            f"leaves it visible gives {article(kind)}"
        )
    w0 = mean_frequency(denominator)
    d = _normalised(denominator, w0)
    if at_hz is not None:
        name, (top, levels) = f"{kind}={at_hz:g}Hz", _notch(kind, n, at_hz, w0)
    else:
        name, (top, levels) = kind, _plain(kind, d)
    return Goal(name, top, d, w0, (_in_s(top, w0, n), denominator), levels)


def goals(loop: Loop, kind: str, at_hz: float | None = None) -> tuple[Goal, ...]:
    """Return the goals that are a `kind` at the output, the fewest modes cancelled first.

    Parameters
    ----------
    loop : Loop
        With values.
    kind, at_hz
        As for `goal`.

    Raises
    ------
    TargetError
        As for `goal`, if no set of modes left makes the kind possible.
    NetworkError
        If a part has no value.
    """
    _check_question(kind, at_hz)
    denominator, factors = mode_factors(loop)
    found: list[Goal] = []
    reason: TargetError | None = None
    try:
        found.append(goal(kind, denominator, at_hz))
    except TargetError as error:
        reason = error
    for gone in islice(_sets(factors, len(denominator) - 1), _MOST_SETS):
        kept = [f for k, f in enumerate(factors) if k not in gone]
        try:
            left = goal(kind, poly.to_floats(poly.product(f.poly for f in kept)), at_hz)
        except TargetError:
            continue
        found.append(_with_cancelled(left, denominator, [factors[k] for k in gone]))
    if not found and reason is not None:
        raise reason
    return tuple(found)


def _sets(factors: Sequence[ModeFactor], order: int) -> Iterator[tuple[int, ...]]:
    """Yield the sets of factors to cancel by the number of modes; one mode at least is left."""
    places = range(len(factors))
    every = (c for size in range(1, len(factors)) for c in islice(combinations(places, size), 500))
    sized = [(sum(poly.degree(factors[k].poly) for k in c), c) for c in every]
    known: set[tuple[poly.Poly, ...]] = set()
    for size, chosen in sorted(sized, key=lambda x: (x[0], _rank(factors, x[1]))):
        gone = tuple(factors[k].poly for k in chosen)
        if size < order and gone not in known:
            known.add(gone)
            yield chosen


def _rank(factors: Sequence[ModeFactor], chosen: tuple[int, ...]) -> tuple[int, int]:
    """Modes that no drive shows first, then those known exactly."""
    return (
        sum(not factors[k].hidden for k in chosen),
        sum(not factors[k].exact for k in chosen),
    )


def _with_cancelled(left: Goal, denominator: tuple[float, ...], gone: Sequence[ModeFactor]) -> Goal:
    factor = poly.to_floats(poly.product(f.poly for f in gone))
    top = tuple(float(c) for c in np.convolve(left.seen[0], factor))
    top = (0.0,) * (len(denominator) - len(top)) + top
    w0 = mean_frequency(denominator)
    return replace(
        left,
        numerator=_normalised(top, w0),
        denominator=_normalised(denominator, w0),
        w0=w0,
        cancelled=tuple(gone),
    )


def goal_from_numerator(numerator: tuple[float, ...], denominator: tuple[float, ...]) -> Goal:
    """Return a numerator given in descending powers of s (rad/s) as a goal.

    Raises
    ------
    TargetError
        If it is zero or of higher degree than the loop.
    """
    n = len(denominator) - 1
    top = tuple(numerator)
    while len(top) > 1 and not top[0]:
        top = top[1:]
    if not any(top):
        raise TargetError("the numerator is zero; give at least one coefficient that is not")
    if len(top) - 1 > n:
        raise TargetError(
            f"the numerator has degree {len(top) - 1} and the loop order {n}; a lift keeps the "
            "order, so give a numerator of at most that degree"
        )
    w0 = mean_frequency(denominator)
    text = " ".join(f"{c:g}" for c in numerator)
    return Goal(
        f"numerator {text}",
        _normalised((0.0,) * (n + 1 - len(top)) + top, w0),
        _normalised(denominator, w0),
        w0,
        (top, denominator),
        (("numerator", 1.0),),
    )


def _check_question(kind: str, at_hz: float | None) -> None:
    if kind not in KINDS:
        raise TargetError(f"there is no kind {kind}; choose one of {', '.join(KINDS)}")
    if kind.endswith("notch"):
        if at_hz is None or at_hz <= 0:
            raise TargetError(f"a {kind} needs the frequency of its zero, as in {kind}=2kHz")
    elif at_hz is not None:
        raise TargetError(f"{article(kind)} takes no frequency: its poles are the loop's own")


_Shape = tuple[tuple[float, ...], tuple[tuple[str, float], ...]]


def _plain(kind: str, d: tuple[float, ...]) -> _Shape:
    """Numerator of gain 1 over d, both ascending in s/w0, and where the gain is that."""
    n = len(d) - 1
    top = np.zeros(n + 1)
    if kind == "lowpass":
        top[0] = d[0]
        return _floats(top), (("DC", 1.0),)
    if kind == "highpass":
        top[n] = 1.0
        return _floats(top), (("infinity", 1.0),)
    if kind == "allpass":
        top[:] = [c * (-1) ** k for k, c in enumerate(d)]
        return _floats(top), (("DC", 1.0), ("infinity", (-1.0) ** n))
    if n % 2:
        raise TargetError(f"a {kind} has an even order; this loop has order {n}")
    if kind == "bandstop":
        return _power((1.0, 0.0, 1.0), n // 2), (("DC", 1 / d[0]), ("infinity", 1.0))
    middle, level = _centre(d)
    top[n // 2] = middle
    return _floats(top), ((level, 1.0),)


def _centre(d: tuple[float, ...]) -> tuple[float, str]:
    """Return the middle coefficient of a band-pass whose gain at the centre is 1."""
    n = len(d) - 1
    if n == 2 and abs(d[1]) > 1e-12:
        return d[1], "centre"  # H(j w0) = N1/D1
    shape = Transfer.from_tf([1.0] + [0.0] * (n // 2), d[::-1])
    peak = describe(shape).peak
    if n == 2 or not 0 < peak < float("inf"):
        return 1.0, "middle"
    return 1 / peak, "peak"


def _notch(kind: str, n: int, at_hz: float, w0: float) -> _Shape:
    if n != 2:
        raise TargetError(f"a {kind} has order 2; this loop has order {n}")
    ratio = 2 * pi * at_hz / w0
    if (ratio > 1) != (kind == "lowpass-notch"):
        side = "above" if kind == "lowpass-notch" else "below"
        raise TargetError(
            f"the zero of a {kind} lies {side} the poles, which are at {w0 / 2 / pi:.6g} Hz; "
            f"{at_hz:g} Hz does not"
        )
    if kind == "lowpass-notch":
        return (1.0, 0.0, ratio**-2), (("DC", 1.0), ("infinity", ratio**-2))
    return (ratio**2, 0.0, 1.0), (("infinity", 1.0), ("DC", ratio**2))


def _normalised(descending: Sequence[float], w0: float) -> tuple[float, ...]:
    """Ascending powers of s/w0 of a polynomial over w0**n, n its formal degree."""
    return tuple(c * w0**-k for k, c in enumerate(descending))[::-1]


def _in_s(ascending: Sequence[float], w0: float, n: int) -> tuple[float, ...]:
    """Undo `_normalised`, leading zeros taken off."""
    top = [c * w0 ** (n - k) for k, c in enumerate(ascending)]
    while len(top) > 1 and not top[-1]:
        top.pop()
    return tuple(reversed(top))


def _floats(values: Iterable[float]) -> tuple[float, ...]:
    return tuple(float(c) for c in values)


def _power(p: tuple[float, ...], k: int) -> tuple[float, ...]:
    result: tuple[float, ...] = (1.0,)
    for _ in range(k):
        result = _floats(np.convolve(result, p))
    return result
