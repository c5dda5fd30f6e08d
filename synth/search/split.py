"""Split a transfer into sections of first and second order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

from synth.search.candidates import SectionTarget
from synth.transfer.transfer import Transfer


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
        """Pole frequency, rad/s."""
        return float(self.denominator[0] ** (1 / self.order))

    @property
    def q(self) -> float:
        """Pole Q; one half for a first-order piece."""
        return sqrt(self.denominator[0]) / self.denominator[1] if self.order == 2 else 0.5

    @property
    def ends(self) -> tuple[float, float]:
        """Gain at DC and at infinity."""
        n, d = self.numerator, self.denominator
        return abs(n[0] / d[0]), abs(n[-1] / d[-1])

    @property
    def level(self) -> float:
        """Gain where the piece passes most: at 0, at infinity, or at the centre."""
        if self.order == 2 and not self.numerator[0] and not self.numerator[-1]:
            return abs(self.numerator[1] / self.denominator[1])
        return max(self.ends)


def splits(transfer: Transfer) -> tuple[tuple[Piece, ...], ...]:
    """Return ways to split `transfer`, each a tuple of pieces by rising pole Q.

    A band-pass with half its zeros at the origin is split into sections with one zero there
    each, and also into the transfer's own pairing.
    """
    own = tuple(_piece(s.numerator[::-1], s.denominator[::-1]) for s in transfer.sections)
    ways = [own]
    zeros = transfer.zeros
    twos = [p for p in own if p.order == 2]
    if len(twos) == len(own) and len(zeros) == len(own) and all(z == 0 for z in zeros):
        ways.insert(0, tuple(Piece((0.0, 1.0, 0.0), p.denominator) for p in own))
    unique = list(dict.fromkeys(tuple(sorted(w, key=lambda p: p.q)) for w in ways))
    return tuple(unique)


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
