"""A design: a network with values, what was asked, and how it was obtained."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from synth.masks.verify import ROUNDING
from synth.network.model import Network
from synth.realisation.certificate import Certificate
from synth.realisation.loudness import Loudness, OutputNoise
from synth.shown import shown
from synth.target.target import MEETS_DB, MEETS_DEGREES, Target
from synth.tolerances.spread import Spread
from synth.tolerances.yields import Yield
from synth.transform.merge import TIDY
from synth.transform.step import Step


@dataclass(frozen=True)
class Design:
    """A circuit to keep.

    Parameters
    ----------
    network : Network
        With values.
    target : Target or None
        What was asked, where a target was.
    derivation : tuple of Step
        How the circuit was obtained.
    """

    network: Network
    target: Target | None = None
    derivation: tuple[Step, ...] = ()

    def _repr_svg_(self) -> str | None:
        return shown(self, "svg")

    def _repr_latex_(self) -> str | None:
        return shown(self, "latex")

    def _repr_html_(self) -> str | None:
        return shown(self, "html")


def pole_pairs(denominator: Sequence[float], w0: float) -> tuple[tuple[float, float], ...]:
    """Return frequency in rad/s and Q of each pair of roots, ascending; one half of a real root.

    Of second order the pair has one f0 and Q, whether its roots are real or not.

    Parameters
    ----------
    denominator : sequence of float
        Ascending, in s/w0, monic.
    w0 : float
        Rad/s.

    Examples
    --------
    >>> pole_pairs([1.0, 0.5, 1.0], 10.0)
    ((10.0, 2.0),)
    """
    if len(denominator) == 3:
        size, slope, _ = denominator
        return ((w0 * math.sqrt(size), math.sqrt(size) / slope),)
    roots = [complex(p) for p in np.roots(denominator[::-1]) if p.imag >= 0]
    return tuple(
        sorted((w0 * abs(p), abs(p) / max(-2 * p.real, 1e-12) if p.imag else 0.5) for p in roots)
    )


@dataclass(frozen=True)
class StageUse:
    """One stage of a realisation.

    Parameters
    ----------
    stage, title, source : str
        The catalogue stage it comes from.
    steps : tuple of Step
        What was done to it.
    parts : tuple of (str, str)
        Name in the stage (after its steps) -> name in the whole circuit.
    order : int
        Number of its poles.
    w0 : float
        Pole frequency wanted, rad/s (of more than a pair the geometric mean); 0 for a plain gain.
    q : float
        Largest pole Q wanted; one half for a first-order stage, 0 for a plain gain.
    pairs : tuple of (float, float)
        Frequency in rad/s and Q of each pair of poles wanted; a real pole has Q one half.
    error : float
        Largest relative error of a coefficient of the stage.
    bound : float
        No choice from the values looked at has a smaller error of w0, Q, gain and zeros; 0 when
        nothing is known.
    proved : bool
        Whether the values are proved best by error, floor and spread.
    held : tuple of str
        Parts that kept their values in the proof, which is then about the choices of the others;
        empty where it is about all choices, or nothing is proved.
    certificate : str
        The same in a sentence.
    can_oscillate : bool
        Whether more than 1 in 100 of it oscillate with the tolerances of their parts.
    """

    stage: str
    title: str
    source: str
    steps: tuple[Step, ...]
    parts: tuple[tuple[str, str], ...]
    order: int
    w0: float
    q: float
    pairs: tuple[tuple[float, float], ...]
    error: float
    bound: float
    proved: bool
    held: tuple[str, ...]
    certificate: str
    can_oscillate: bool = False

    @property
    def sharing(self) -> bool:
        """Whether two pairs of poles share the amplifier of the stage."""
        return self.order > 3

    @property
    def label(self) -> str:
        """Stage name and steps, for a reader."""
        return self.stage + "".join(f" + {s.name}" for s in self.steps if s.name not in TIDY)


@dataclass(frozen=True)
class Realisation:
    """A design offered for a target, with the figures it is ranked by.

    Parameters
    ----------
    design : Design
    stages : tuple of StageUse
    error_db : float
        Largest deviation in dB where the target is within 40 dB of its maximum.
    stop_error : float
        Largest deviation elsewhere, relative to the target's maximum.
    deviation : float
        Largest deviation of magnitude over what counts as met; see
        `synth.target.target.RealisedError`.
    phase_error : float
        Largest deviation of phase in degrees where the target is within 40 dB of its maximum.
    spread : float
        Largest over smallest resistor, and the same of capacitors: the larger of the two.
    balanced_zeros : int
        Coefficients of the numerator that vanish only because parts match.
    levels : Loudness
        At the outputs of its op amps.
    aim : str
        What its sections were arranged for: a key of `synth.search.arrange.AIMS`.
    whole : Certificate
        How near the whole is to the best there can be.
    excess_db : float or None
        By how much |H| passes the mask, negative inside; None without a mask.
    delay_excess : float or None
        By which share of its limit the ripple of the delay passes it, negative inside; None where
        the mask does not limit the delay.
    yield_ : Yield or None
        Share of circuits that keep the mask, its delay too, with the tolerances of the parts; None
        without one.
    tolerances : Spread or None
        Those tolerances.
    expected : float or None
        The same share as `synth.realisation.expected` has it, before circuits are drawn.
    noise : OutputNoise or None
        At the output, where it was asked for.
    notes : tuple of str
        What the user should know.
    """

    design: Design
    stages: tuple[StageUse, ...]
    error_db: float
    stop_error: float
    deviation: float
    phase_error: float
    spread: float
    balanced_zeros: int
    levels: Loudness
    whole: Certificate
    aim: str = "range"
    excess_db: float | None = None
    yield_: Yield | None = None
    tolerances: Spread | None = None
    expected: float | None = None
    noise: OutputNoise | None = None
    notes: tuple[str, ...] = ()
    delay_excess: float | None = None

    @property
    def network(self) -> Network:
        """The circuit."""
        return self.design.network

    @property
    def allpass(self) -> bool:
        """Whether the target is an all-pass, of which the phase counts."""
        return self.design.target is not None and self.design.target.kind == "allpass"

    @property
    def misses(self) -> float:
        """Largest error over what counts as met: at most 1 when the target, or the mask, is met."""
        if self.excess_db is not None:
            late = 0.0 if self.delay_excess is None else self.delay_excess - ROUNDING
            return 1 + max(self.excess_db / MEETS_DB, late, 0.0)
        return max(self.deviation, self.phase_error / MEETS_DEGREES if self.allpass else 0.0)

    @property
    def meets(self) -> bool:
        """Whether the target is met, by the measure of `synth.target.target`."""
        return self.misses <= 1

    @property
    def growing(self) -> int:
        """Number of stages of which more than 1 in 100 oscillate."""
        return sum(use.can_oscillate for use in self.stages)

    @property
    def label(self) -> str:
        """Stages and steps in one line."""
        return " -> ".join(s.label for s in self.stages)

    def _repr_svg_(self) -> str | None:
        return shown(self, "svg")

    def _repr_latex_(self) -> str | None:
        return shown(self, "latex")

    def _repr_html_(self) -> str | None:
        return shown(self, "html")
