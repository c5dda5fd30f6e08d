"""Split a transfer into sections: pairing, order and gains together.

`synth.search.arrange` finds what is best among all; beside it stand the pairing nearest to the
poles, sections with unit gain in the order of least peaks (they need the fewest parts), and poles
joined in sections of third or fourth order, which save an amplifier.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import exp, inf, log, sqrt

import numpy as np

from synth.errors import TargetError
from synth.search.arrange import DECIBELS, Arrangement, Arranger
from synth.search.candidates import SectionTarget
from synth.search.partial import Array, Choice, Factors, factors_of
from synth.transfer.transfer import Transfer

#: How many pairings are taken for the sake of their levels,
PAIRINGS = 2
#: when they win at least this much against the customary ones, dB; so must gains of their own
#: against unit gains.
WORTH_DB = 1.0
#: Customary pairings that lose more than this against each other, dB, are left out,
WORSE_DB = 6.0
#: and so is whatever loses this much more than the best.
_HOPELESS_DB = 20.0
#: A section so near to unit gain gets it, which saves parts, dB.
_NEAR_DB = 0.5
#: At most so many pairs are tried beside the real pole: those of lowest Q.
_JOINED = 2
#: and of Q up to this, without and with a real pole.
_JOINED_Q = (1.5, 5.0)


@dataclass(frozen=True)
class Piece:
    """One section without its gain: monic numerator and denominator in rad/s, ascending."""

    numerator: tuple[float, ...]
    denominator: tuple[float, ...]

    @property
    def order(self) -> int:
        """Degree of the denominator."""
        return len(self.denominator) - 1

    @property
    def w0(self) -> float:
        """Pole frequency, rad/s; the geometric mean for more than a pair."""
        return float(self.denominator[0] ** (1 / self.order))

    @property
    def q(self) -> float:
        """Pole Q; one half for a first-order piece, that of the pair for a third-order one."""
        if self.order < 2:
            return 0.5
        if self.order == 2:
            return sqrt(self.denominator[0]) / self.denominator[1]
        return float(max(abs(z) / (2 * abs(z.real)) for z in np.roots(self.denominator[::-1])))

    @property
    def ends(self) -> tuple[float, float]:
        """Gain at DC and at infinity."""
        n, d = self.numerator, self.denominator
        return abs(n[0] / d[0]), abs(n[-1] / d[-1])

    @property
    def centred(self) -> bool:
        """Whether the piece passes a band only: a zero at the origin and one at infinity."""
        return self.order == 2 and not self.numerator[0] and not self.numerator[-1]

    @property
    def level(self) -> float:
        """Gain where the piece passes most: at 0, at infinity, or at the centre."""
        if self.centred:
            return abs(self.numerator[1] / self.denominator[1])
        return max(self.ends)


@dataclass(frozen=True)
class Split:
    """A cascade to be.

    Parameters
    ----------
    pieces : tuple of Piece
        In the order of the signal.
    constants : tuple of float or None
        Of the pieces, all positive, their product the size of the whole's gain: every partial
        product has the peak of the whole.  None: unit gains where the pieces pass.
    loss_db : float
        What its levels lose of the dynamic range, the whole's own slope in the pass band not
        counted.
    """

    pieces: tuple[Piece, ...]
    constants: tuple[float, ...] | None
    loss_db: float

    def __len__(self) -> int:
        return len(self.pieces)


def splits(transfer: Transfer, aim: str = "range") -> tuple[Split, ...]:
    """Return ways to split `transfer`, those that lose least first.

    Parameters
    ----------
    transfer : Transfer
    aim : str
        What pairing, order and gains are best for: a key of `synth.search.arrange.AIMS`.

    Raises
    ------
    TargetError
        If it has no poles, more zeros than poles, or more sections than can be arranged.
    """
    factors = factors_of(transfer)
    found: list[Split] = []
    for k, parts in enumerate((factors, *_joined(factors))):
        try:
            arranger = Arranger(parts)
        except TargetError:
            if k == 0:
                raise
            continue
        for way in _ways(transfer, arranger, aim, own=k == 0):
            found += _of_way(arranger, way, abs(transfer.gain))
    least = min(s.loss_db for s in found)
    kept = [s for s in dict.fromkeys(found) if s.loss_db <= least + _HOPELESS_DB]
    return tuple(sorted(kept, key=lambda s: (len(s), s.loss_db)))


def _ways(transfer: Transfer, arranger: Arranger, aim: str, own: bool) -> list[Arrangement]:
    """Return pairings worth a try: the customary ones, and what is best if that wins by much."""
    best = arranger.ways(aim, PAIRINGS if own else 1)
    usual = [arranger.best(aim, only=c) for c in _customary(transfer, arranger)] if own else []
    known = {w.pairing: w for w in usual if w is not None}
    least = min((w.loss_db for w in known.values()), default=inf)
    ways = [w for w in known.values() if w.loss_db <= least + WORSE_DB]
    for w in best:
        if w.pairing not in known and w.loss_db <= min(
            least - WORTH_DB, best[0].loss_db + WORTH_DB
        ):
            ways.insert(0, w)
    return ways


def _of_way(arranger: Arranger, way: Arrangement, gain: float) -> Iterator[Split]:
    """Yield a pairing at unit gains, and with equal peaks where they win."""
    factors = arranger.factors
    pieces = {c: _section(factors, c) for c in way.choices}
    whole = log(gain) - sum(log(factors.scale) * _excess(p) for p in pieces.values())
    gains = arranger.unit_gains(way.choices)
    centred = all(p.centred for p in pieces.values())
    if centred:  # what band-pass sections lack beside their centres is shared alike
        share = (whole - sum(gains.values())) / len(gains)
        gains = {c: g + share for c, g in gains.items()}
    gains = {c: gains[c] for c in arranger.in_order(gains)}
    plain = arranger.loss_db(gains)
    ordered = tuple(pieces[c] for c in gains)
    yield Split(ordered, _constants(factors, gains, pieces) if centred else None, plain)
    equal = _near_unit(
        {c: log(x) for c, x in zip(way.choices, way.shares, strict=True)},
        arranger.unit_gains(way.choices),
        whole,
    )
    if plain - arranger.loss_db(equal) >= WORTH_DB:
        constants = _constants(factors, equal, pieces)
        yield Split(tuple(pieces[c] for c in equal), constants, arranger.loss_db(equal))


def _near_unit(
    gains: dict[Choice, float], units: Mapping[Choice, float], whole: float
) -> dict[Choice, float]:
    """Give sections near unit gain just that, and the others what is left over.

    `whole` is ln of the constant of all together, which the first section was without.
    """
    first = next(iter(gains))
    wanted = {c: g + (whole if c == first else 0.0) for c, g in gains.items()}
    near = {c for c, g in wanted.items() if abs(g - units[c]) * DECIBELS <= _NEAR_DB}
    if len(near) == len(wanted):
        near.discard(first)
    rest = sum(wanted[c] - units[c] for c in near) / (len(wanted) - len(near))
    return {c: units[c] if c in near else g + rest for c, g in wanted.items()}


def _constants(
    factors: Factors, gains: Mapping[Choice, float], pieces: Mapping[Choice, Piece]
) -> tuple[float, ...]:
    """Return constants for s in rad/s."""
    return tuple(exp(g) * factors.scale ** _excess(pieces[c]) for c, g in gains.items())


def _section(factors: Factors, choice: Choice) -> Piece:
    n: Array = np.ones(1)
    for j in choice.zeros:
        n = np.asarray(np.polynomial.polynomial.polymul(n, factors.zeros[j]), dtype=float)
    n = np.concatenate([np.zeros(choice.origin), n])
    return _piece(tuple(n), factors.poles[choice.pole])


def _excess(piece: Piece) -> int:
    """Poles minus finite zeros."""
    used = max(k for k, c in enumerate(piece.numerator) if c)
    return piece.order - used


def _customary(transfer: Transfer, arranger: Arranger) -> Iterator[tuple[Choice, ...]]:
    """Yield the transfer's own pairing, and one zero at the origin for every pair of poles."""
    factors, choices = arranger.factors, arranger.sets.choices
    pairs = [len(p) == 3 for p in factors.poles]
    if all(pairs) and not factors.zeros and factors.origin == len(pairs):
        yield tuple(c for c in choices if c.origin == 1)
    own = [s for s in transfer.sections if s.order]
    pieces = [_piece(s.numerator[::-1], s.denominator[::-1]) for s in own]
    yield tuple(c for c in choices if _alike(_section(factors, c), pieces[c.pole]))


def _alike(a: Piece, b: Piece) -> bool:
    size = a.w0
    x, y = (
        np.array([c * size ** (k - p.order) for k, c in enumerate(p.numerator)]) for p in (a, b)
    )
    return len(x) == len(y) and bool(np.allclose(x, y, rtol=1e-9, atol=1e-12))


def _joined(factors: Factors) -> Iterator[Factors]:
    """Yield the factors with poles joined in a section of third or fourth order.

    A real pole is joined to one of the pairs of lowest Q, else those two pairs to each other, in
    plain low-passes and high-passes only.
    """
    if factors.zeros or (factors.infinity and factors.origin):
        return
    singles = [p for p in factors.poles if len(p) == 2]
    pairs = sorted((p for p in factors.poles if len(p) == 3), key=lambda p: sqrt(p[0]) / p[1])
    if len(singles) > 1 or len(singles) + len(pairs) < 2:
        return
    joins = [(singles[0], p) for p in pairs[:_JOINED]] if singles else [(pairs[0], pairs[1])]
    for a, b in joins:
        if sqrt(b[0]) / b[1] > _JOINED_Q[len(singles)]:
            continue
        both = tuple(float(x) for x in np.polynomial.polynomial.polymul(a, b))
        rest = tuple(p for p in factors.poles if p is not a and p is not b)
        yield replace(factors, poles=(both, *rest))


def _piece(numerator: Sequence[float], denominator: Sequence[float]) -> Piece:
    n = tuple(float(x) for x in numerator)
    return Piece(n + (0.0,) * (len(denominator) - len(n)), tuple(float(x) for x in denominator))


def section_target(piece: Piece, constant: float) -> SectionTarget:
    """Return the piece times `constant` with s normalised to its pole frequency."""
    w0 = piece.w0
    n = piece.order
    top = tuple(constant * c * w0 ** (k - n) for k, c in enumerate(piece.numerator))
    bottom = tuple(c * w0 ** (k - n) for k, c in enumerate(piece.denominator))
    return SectionTarget(top, bottom, w0)
