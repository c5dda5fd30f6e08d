"""Which responses keep a mask: the lowest order of each family, equalised where delay asks for it.

A limit of the delay is met in one of two ways: by a family whose own delay is flat enough at some
order, or by a lower order followed by all-pass sections; whichever has fewer poles is kept.  A
function of no family is fitted when it may have fewer poles still: when the bands are those of no
prototype, or their levels differ.  For one ripple and one attenuation the elliptic low-pass is
the lowest there is [1]_.

References
----------
.. [1] W. Cauer, "Synthesis of linear communication networks", McGraw-Hill (1958).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from synth.errors import TargetError
from synth.masks.direct import DirectFit, direct_fit
from synth.masks.equaliser import equaliser
from synth.masks.figures import largest_q, overshoot, pass_band_delay_ripple
from synth.masks.limits import DelayLimit, Mask
from synth.masks.orders import Fit, lowest_order, numbers_of
from synth.masks.shape import Shape, shape_of
from synth.masks.verify import Kept, verified
from synth.progress import Progress, counter
from synth.target.families import FAMILIES, MAX_ORDER, prototype
from synth.target.target import Target
from synth.transfer.transfer import Transfer

#: The name of the response of no family.
FITTED = "fitted"
#: The name of a given response whose delay is equalised.
GIVEN = "given"
#: All-pass sections that are tried at most, and the highest order of a fit that is sought.
_MOST_SECTIONS, _HIGHEST_FIT = 4, 12


@dataclass(frozen=True)
class Candidate:
    """A response that keeps a mask, with the figures it is compared by.

    Parameters
    ----------
    name : str
        The family, ``fitted``, or ``given``.
    target : Target
        With its equaliser.
    margin : float
        The share by which all limits could be tighter still.
    rows : tuple of Kept
        Each limit with what is left of it.
    q_max : float
    delay_ripple : float or None
        (largest - smallest)/(largest + smallest) over the pass band; None where it has no end.
    overshoot : float or None
        Of the step response; None where that ends at zero.
    equaliser : int
        All-pass sections of second order among the whole.
    """

    name: str
    target: Target
    margin: float
    rows: tuple[Kept, ...]
    q_max: float
    delay_ripple: float | None
    overshoot: float | None
    equaliser: int = 0

    @property
    def order(self) -> int:
        """Number of poles."""
        return self.target.transfer.order

    @property
    def op_amps(self) -> int:
        """Op amps of a cascade with one for each pair of poles: the fewest in common practice."""
        return (self.order + 1) // 2


@dataclass(frozen=True)
class Comparison:
    """What keeps a mask, the fewest poles first, and what does not and why."""

    mask: Mask
    shape: Shape
    candidates: tuple[Candidate, ...]
    absent: tuple[tuple[str, str], ...]


def compare(
    mask: Mask,
    *,
    families: Sequence[str] = tuple(FAMILIES),
    numbers: Mapping[str, float] | None = None,
    direct: bool = False,
    progress: Progress | None = None,
) -> Comparison:
    """Return the lowest order of each family that keeps a mask.

    Parameters
    ----------
    mask : Mask
    families : sequence of str
        Keys of `FAMILIES`, and ``fitted``.
    numbers : mapping, optional
        ``phase_degrees`` and ``delay_ripple`` of the families that have them.
    direct : bool
        Fit a function of no family even where a family should be the lowest.
    progress : callable, optional
        Called with (done, total).

    Raises
    ------
    TargetError
        If the mask contradicts itself, has no pass band or no stop band, or a number of a family
        is out of range.
    """
    shape = shape_of(mask)
    own = numbers or {}
    for family in families:
        if family != FITTED:
            prototype(family, 1, **numbers_of(FAMILIES[family], own))
    found: list[Candidate] = []
    absent: list[tuple[str, str]] = []
    tick = counter(progress, len(families) + 1)
    for family in (f for f in families if f != FITTED):
        made = None if shape.kind == "several" else _family(mask, shape, family, own)
        if made is None:
            absent.append((family, _reason(shape)))
        else:
            found.append(made)
        tick()
    if direct or FITTED in families or (set(families) >= set(FAMILIES) and _may_be_lower(shape)):
        fitted = _fitted(mask, shape, found, direct)
        if fitted is not None:
            found.append(fitted)
        else:
            absent.append((FITTED, f"no lower order was found up to {_HIGHEST_FIT}"))
    tick()
    ranked = sorted(found, key=lambda c: (c.order, -c.margin))
    return Comparison(mask, shape, tuple(ranked), tuple(absent))


def _reason(shape: Shape) -> str:
    if shape.kind == "several":
        return "its bands are those of no low-pass prototype"
    return f"no order up to {MAX_ORDER} keeps the mask"


def _family(
    mask: Mask, shape: Shape, family: str, numbers: Mapping[str, float]
) -> Candidate | None:
    """Return a family's design of the fewest poles, equalised or not."""
    own = dict(numbers)
    relative = [d.ripple for d in mask.delays if not d.absolute]
    if FAMILIES[family].delay and relative and "delay_ripple" not in own:
        own["delay_ripple"] = min(0.2, max(4e-5, 0.9 * min(relative)))
    plain = lowest_order(mask, shape, family, own)
    if not mask.delays:
        return None if plain is None else _candidate(mask, shape, plain)
    ceiling = MAX_ORDER if plain is None else plain.order - 1
    bare = lowest_order(replace(mask, delays=()), shape, family, own)
    room = 0 if bare is None else (ceiling - bare.order) // 2
    if bare is not None and room > 0:
        for made in _equalised(mask, shape, bare, min(room, _MOST_SECTIONS)):
            return made
    return None if plain is None else _candidate(mask, shape, plain)


def _equalised(mask: Mask, shape: Shape, bare: Fit, most: int) -> Iterator[Candidate]:
    """Yield the design followed by an equaliser, if one keeps every limit of the delay."""
    rows = verified(Mask((), mask.delays), bare.target.transfer)
    try:
        made = equaliser(bare.target.transfer, _delay_of(min(rows, key=_share_left)), most)
    except TargetError:
        return
    target = equalised_target(bare.target, made.transfer, made.sections)
    rows = verified(mask, target.transfer)
    left = (_share_left(r) for r in rows if isinstance(r.limit, DelayLimit))
    whole = Fit(bare.family, 0, target, min(bare.margin, *left), rows)
    if all(r.kept for r in whole.rows):
        yield _candidate(mask, shape, whole, made.sections)


def equalise(
    target: Target, delays: Sequence[DelayLimit], progress: Progress | None = None
) -> Candidate:
    """Return a target followed by the fewest all-pass sections that keep limits of its delay.

    Parameters
    ----------
    target : Target
    delays : sequence of DelayLimit
        Of several the one that is missed by most is designed for, and all are verified.
    progress : callable, optional

    Raises
    ------
    TargetError
        If no equaliser of at most `MAX_ORDER` poles in all keeps them.
    """
    tick = counter(progress, 1)
    mask = Mask((), tuple(delays))
    rows = verified(mask, target.transfer)
    if all(r.kept for r in rows):
        return _given(target, rows, 0)
    worst = min(rows, key=_share_left)
    made = equaliser(target.transfer, _delay_of(worst), (MAX_ORDER - target.transfer.order) // 2)
    whole = equalised_target(target, made.transfer, made.sections)
    rows = verified(mask, whole.transfer)
    broken = [r for r in rows if not r.kept]
    if broken:
        raise TargetError(
            f"an equaliser for {worst.limit} does not keep {broken[0].limit}; join the two in one "
            "band, or leave one out"
        )
    tick()
    return _given(whole, rows, made.sections)


def _given(target: Target, rows: tuple[Kept, ...], sections: int) -> Candidate:
    h = target.transfer
    margin = min(_share_left(r) for r in rows)
    return Candidate(GIVEN, target, margin, rows, largest_q(h), None, None, sections)


def _delay_of(row: Kept) -> DelayLimit:
    if not isinstance(row.limit, DelayLimit):
        raise TypeError(f"{row.limit} is no limit of a delay")
    return row.limit


def _share_left(row: Kept) -> float:
    return row.margin / _delay_of(row).ripple


def equalised_target(target: Target, allpass: Transfer, sections: int) -> Target:
    """Return a target followed by its equaliser."""
    plural = "" if sections == 1 else "s"
    return replace(
        target,
        transfer=target.transfer * allpass,
        description=f"{target.description}, with {sections} all-pass section{plural} for its delay",
    )


def _candidate(mask: Mask, shape: Shape, fit: Fit | DirectFit, sections: int = 0) -> Candidate:
    h = fit.target.transfer
    return Candidate(
        fit.family if isinstance(fit, Fit) else FITTED,
        fit.target,
        fit.margin,
        fit.rows,
        largest_q(h),
        pass_band_delay_ripple(shape, h),
        overshoot(h) if shape.kind in ("lowpass", "bandstop") else None,
        sections,
    )


def _may_be_lower(shape: Shape) -> bool:
    """Whether a function of no family may have fewer poles than the lowest of the families."""
    return shape.kind == "several" or not (shape.simple and _even(shape))


def fitted_to_order(mask: Mask, order: int) -> Comparison:
    """Return the comparison that holds only the best fit of an order, which may miss the mask.

    Raises
    ------
    TargetError
        If the mask contradicts itself, or the order leaves no place for the zeros it needs.
    """
    if not 1 <= order <= MAX_ORDER:
        raise TargetError(f"the order {order} is out of range; choose 1 to {MAX_ORDER}")
    shape = shape_of(mask)
    made = _candidate(mask, shape, direct_fit(mask, shape, order))
    return Comparison(mask, shape, (made,), ())


def _even(shape: Shape) -> bool:
    """Whether a band-pass or band-stop has the same ratios of edges on both sides."""
    if shape.kind not in ("bandpass", "bandstop"):
        return True
    inner, outer = shape.passes, shape.stops
    if shape.kind == "bandstop":
        inner, outer = outer, inner
    low, high = min(b.low for b in inner), max(b.high for b in inner)
    below = max(b.high for b in outer if b.high < low)
    above = min(b.low for b in outer if b.low > high)
    return abs(below * above / (low * high) - 1) < 0.02


def _fitted(mask: Mask, shape: Shape, found: Sequence[Candidate], direct: bool) -> Candidate | None:
    """Return a function of no family with fewer poles than those found; `direct`: or as many."""
    most = min((c.order for c in found), default=0) - 1
    if most > _HIGHEST_FIT:
        return None
    if most < 0:  # upwards two by two until one is found
        made = (_try(mask, shape, n) for n in range(2, _HIGHEST_FIT + 1, 2))
        best = next((m for m in made if m is not None), None)
        most = best.order - 1 if best is not None else 0
    else:
        best = None
    while most > 0 and (lower := _try(mask, shape, most)) is not None:
        best, most = lower, most - 1
    if best is None and direct and found and most < _HIGHEST_FIT:
        best = _try(mask, shape, most + 1)
    return None if best is None else _candidate(mask, shape, best)


def _try(mask: Mask, shape: Shape, order: int) -> DirectFit | None:
    """Return a function of an order that keeps the whole mask, if one is found."""
    try:
        made = direct_fit(mask, shape, order)
    except TargetError:
        return None
    return made if made.kept else None
