"""A stage with preferred values for a section of the target, and what it costs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from math import log2

from synth.network.model import Network
from synth.realisation.ranking import WIDE
from synth.search.candidates import Candidate, SectionTarget
from synth.values.section import SectionFit


@dataclass(frozen=True)
class Proof:
    """What is proved of the values of a stage.

    Parameters
    ----------
    error : float
        By the metric of `synth.values.metrics.section_metric`.
    bound : float
        No choice from the same values has an error below this; 0 when nothing is known.
    proved : bool
        Whether the choice is the best by error, floor and spread.
    certificate : str
        The same in a sentence, but for `held`.
    held : tuple of str
        Parts that kept their values in the proof: the certificate is about the choices of the
        others.  Empty where it is about all choices, or nothing is proved.
    taken : str
        Said before that of a choice which is not the best of the stage, but was for the whole.
    """

    error: float
    bound: float
    proved: bool
    certificate: str
    held: tuple[str, ...] = ()
    taken: str = ""

    def told(self, names: Mapping[str, str]) -> str:
        """Return what is proved in a sentence; `names` are those of the parts in the circuit."""
        if not self.held:
            return f"{self.taken}{self.certificate}"
        kept = ", ".join(sorted(names[n] for n in self.held))
        return f"{self.taken}proved with {kept} as given: {self.certificate}"


@dataclass(frozen=True)
class FittedStage:
    """A fit that has passed the feedback check, with its cost; ``proof`` where one was sought."""

    fit: SectionFit
    proof: Proof | None = None

    @property
    def network(self) -> Network:
        """The stage with its values."""
        return self.fit.candidate.network.with_values(self.fit.choice.values)

    @property
    def label(self) -> str:
        """Stage name and steps."""
        return self.fit.candidate.label

    @property
    def balanced_zeros(self) -> int:
        """Numerator coefficients that vanish only by balance."""
        rows = self.fit.candidate.terms.numerator
        wanted = self.fit.target.numerator
        return sum(1 for row, w in zip(rows, wanted, strict=True) if not w and row.any())

    @cached_property
    def cost(self) -> float:
        """Amplifiers, balance, parts, spread and error, in the order of the ranking."""
        choice = self.fit.choice
        return (
            least_cost(self.fit.candidate, self.fit.target)
            + (15.0 if spread_of(self.network) > WIDE else 0.0)
            + 0.3 * log2(choice.spread)
            + 2000.0 * max(0.0, choice.error - 0.02)
        )


def least_cost(candidate: Candidate, target: SectionTarget) -> float:
    """Return what a stage costs by its structure, whatever its values."""
    amplifiers = len(candidate.network.op_amps) + (not candidate.buffered)
    rows = zip(candidate.terms.numerator, target.numerator, strict=True)
    balanced = sum(1 for row, wanted in rows if not wanted and row.any())
    capacitors = sum(b.power == 1 for b in candidate.network.branches)
    parts = len(candidate.network.branches)
    return 100.0 * amplifiers + 20.0 * balanced + 4.0 * capacitors + 2.0 * parts


def spread_of(network: Network) -> float:
    """Return the largest ratio of resistors, or of capacitors if that is larger."""
    worst = 1.0
    for power in (0, 1):
        values = [b.value for b in network.branches if b.power == power and b.value]
        if values:
            worst = max(worst, max(values) / min(values))
    return worst
