"""Why the complement works in one circuit, step by step, as a record of this circuit's values.

`synth.report.explain` computes it; `synth.report.explanation_story` says it in words.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from synth.analysis.amplifier import Amplifier
from synth.analysis.defect import Limits
from synth.analysis.finite import HiddenTransfer
from synth.analysis.symbolic import Formula, Term
from synth.network.model import Network, Terminal
from synth.report.inputs import InputRow
from synth.report.record import Analysis, Response
from synth.transfer.transfer import Transfer
from synth.transform.step import Step


@dataclass(frozen=True)
class Coefficient:
    """One power of s in the numerators and in D, all cleared by the same factor.

    Parameters
    ----------
    power : int
    terms : tuple of (Terminal, terms)
        Of each terminal that has the power.
    denominator : tuple of Term
        Of D; the terms of the terminals add up to it.
    """

    power: int
    terms: tuple[tuple[Terminal, tuple[Term, ...]], ...]
    denominator: tuple[Term, ...]


@dataclass(frozen=True)
class Spot:
    """The terminals' transfers at one frequency, in Hz, and their sum."""

    frequency_hz: float
    values: tuple[tuple[Terminal, complex], ...]

    @property
    def total(self) -> complex:
        """The sum over the terminals."""
        return sum((v for _, v in self.values), 0j)


@dataclass(frozen=True)
class PartState:
    """A part as it is connected: nodes of its pins, kind, value in ohm, F, H or None."""

    name: str
    kind: str
    nodes: tuple[str, ...]
    value: float | None


@dataclass(frozen=True)
class PartChange:
    """A part before and after a step; None where it is new or gone."""

    old: PartState | None
    new: PartState | None


@dataclass(frozen=True)
class ExplainedStep:
    """A step: what it used, what moved, H before and after.

    ``sum`` is H before plus H after where the whole was swapped, else None.
    """

    step: Step
    before: Response
    after: Response
    changes: tuple[PartChange, ...]
    sum: Transfer | None


@dataclass(frozen=True)
class RealRow:
    """One frequency with real amplifiers; `loop_gain` is None unless the law T/(1 + T) holds."""

    frequency_hz: float
    hidden: complex
    loop_gain: complex | None


@dataclass(frozen=True)
class RealCase:
    """What one-pole amplifiers leave of H + H' = 1 in a circuit.

    ``what`` names the circuit; ``limits`` are frequencies in Hz.
    """

    what: str
    network: Network
    model: Amplifier
    limits: Limits
    rows: tuple[RealRow, ...]


@dataclass(frozen=True)
class HeldCase:
    """Terminals that stay at ground, so that H + H' lacks their share.

    ``actual`` says whether the circuit holds them or the case is only put; ``spot`` is the share
    at the frequency `frequency_hz`, None without values.
    """

    terminals: tuple[Terminal, ...]
    actual: bool
    share: Formula
    frequency_hz: float | None
    spot: complex | None


@dataclass(frozen=True)
class UnstableCase:
    """A circuit whose algebra holds and which does not work.

    Parameters
    ----------
    what : str
        Which circuit.
    exchanged : str
        The op amp whose inputs were exchanged to put the case; empty for a circuit as it is.
    formula : Formula
        Its H with ideal op amps.
    total : int
        What its terminals must sum to: 1, or 0 for a differential output.
    law_holds : bool
        Whether they do, checked exactly.
    reason : str
    mode : complex or None
        A natural mode in the right half-plane, rad/s.
    ideal : bool
        Whether that mode is there with ideal op amps already.
    """

    what: str
    exchanged: str
    formula: Formula
    total: int
    law_holds: bool
    reason: str
    mode: complex | None
    ideal: bool

    @property
    def sum_is_one(self) -> bool:
        """Whether its terminals sum to 1, checked exactly."""
        return self.law_holds and self.total == 1


@dataclass(frozen=True)
class Explanation:
    """The derivation of one circuit; ``str`` gives it as plain text.

    Parameters
    ----------
    analysis : Analysis
        Parts, terminals with their T_k, inputs, H.
    model : Amplifier
        The real amplifier of the figures.
    complement : InputRow or None
        The response with input and ground interchanged where a differential output goes on
        reading the input, which the sum over the terminals at ground alone is not; else None.
    coefficients : tuple of Coefficient
        The sum of the numerators power by power; empty when it has too many terms to be read.
    spot : Spot or None
        The same at one frequency; None without values.
    hidden : HiddenTransfer or None
        T_hidden with gains of their own; None without op amps, or with too many terms.
    steps : tuple of ExplainedStep
    real : tuple of RealCase
        None without op amps or values.
    held : HeldCase or None
        None where nothing is at ground.
    unstable : tuple of UnstableCase
    """

    analysis: Analysis
    model: Amplifier
    complement: InputRow | None
    coefficients: tuple[Coefficient, ...]
    spot: Spot | None
    hidden: HiddenTransfer | None
    steps: tuple[ExplainedStep, ...]
    real: tuple[RealCase, ...]
    held: HeldCase | None
    unstable: tuple[UnstableCase, ...]

    @property
    def network(self) -> Network:
        """The circuit explained."""
        return self.analysis.network

    @cached_property
    def text(self) -> str:
        """The derivation as plain text of 80 columns."""
        from synth.report.explanation_story import story
        from synth.report.explanation_text import plain_text

        return plain_text(story(self))

    @cached_property
    def markdown(self) -> str:
        """The derivation as Markdown with formulas."""
        from synth.report.explanation_markdown import markdown
        from synth.report.explanation_story import story

        return markdown(story(self))

    def __str__(self) -> str:
        return self.text

    def _repr_markdown_(self) -> str:
        return self.markdown
