"""What a page says about one or several circuits, as plain frozen records.

Everything a page shows is here: texts, numbers in plain units, figures, the drawing, the
derivation as blocks.  `synth.pages.build` computes it; `synth.pages.html` writes it down.
"""

from __future__ import annotations

from dataclasses import dataclass

from synth.checking.findings import Finding
from synth.drawing.model import Drawing
from synth.plots.record import Figure
from synth.report.document import Block
from synth.report.mathematics import Math
from synth.report.parts_list import PartsList


@dataclass(frozen=True)
class Quantity:
    """A figure with its name; ``value`` is a number in `unit`, words, or None for none."""

    label: str
    value: float | str | None
    unit: str = ""
    remark: str = ""


@dataclass(frozen=True)
class PartLine:
    """One part of the signal path.

    ``given`` is None where the value as given is the one that is built; ``remark`` says what a
    value that is no preferred one is.
    """

    name: str
    kind: str
    nodes: tuple[str, ...]
    given: float | None
    value: float | None
    unit: str
    tolerance: float | None
    remark: str = ""


@dataclass(frozen=True)
class RootLine:
    """A pole or zero with ideal op amps, and how the real ones shift it (relative changes)."""

    what: str
    f0_hz: float
    q: float | None
    f0_shift: float
    q_shift: float | None


@dataclass(frozen=True)
class ZeroLine:
    """A transmission zero: where, how often, ``structural`` or ``balanced``, what parts leave."""

    frequency_hz: float
    count: int
    kind: str
    floor_db: float | None
    depth_db: float | None
    text: str


@dataclass(frozen=True)
class OpAmpLine:
    """One op amp: margin in degrees, offset in V, largest gain to its output and where, in Hz."""

    name: str
    phase_margin_deg: float
    offset_v: float | None
    peak: float
    peak_hz: float
    source_v: float
    cause: str


@dataclass(frozen=True)
class NoiseLine:
    """One contributor: V rms at the output, share of the power, density in V/sqrt(Hz)."""

    part: str
    kind: str
    vrms: float
    share: float
    density: float


@dataclass(frozen=True)
class SensitivityLine:
    """One part: change in % for 1 % of f0, Q and the largest gain; share of the variance."""

    part: str
    f0: float | None
    q: float | None
    gain: float | None
    share: float


@dataclass(frozen=True)
class StepLine:
    """One step of the derivation of a circuit."""

    text: str
    theorem: str
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Netlist:
    """A deck, with what it is for; where there is none, `reason` says why."""

    title: str
    text: str
    reason: str = ""


@dataclass(frozen=True)
class CircuitPage:
    """Everything about one circuit.

    Parameters
    ----------
    label : str
        Short, unique on the page: a letter where there are several circuits.
    name, title : str
        As it was named, and its own title.
    warning : str
        Why the circuit cannot be used as it stands; empty where it can.
    asked : tuple of str
        What was asked for, in sentences.
    formula : Math
        H in part names.
    numbers : Math
        H in numbers.
    keys : tuple of Quantity
        The figures it is compared by: the same labels for every circuit.
    drawing : Drawing or None
    parts : tuple of PartLine
    buy : PartsList
    values_note : str
        How the values were chosen, and what is proved.
    figures : tuple of Figure
    no_figures : tuple of str
        Why a usual figure is missing.
    op_amp : str
        The op amp that was assumed.
    findings : tuple of Finding
    op_amps : tuple of OpAmpLine
    roots : tuple of RootLine
    zeros : tuple of ZeroLine
    zeros_note : str
    noise : tuple of NoiseLine
    noise_note : str
    sensitivities : tuple of SensitivityLine
    sensitivity_note : str
    steps : tuple of StepLine
    derivation : tuple of Block
    netlists : tuple of Netlist
    design : str
        The saved design, as JSON text.
    notes : tuple of str
    """

    label: str
    name: str
    title: str
    warning: str
    asked: tuple[str, ...]
    formula: Math
    numbers: Math
    keys: tuple[Quantity, ...]
    drawing: Drawing | None
    parts: tuple[PartLine, ...]
    buy: PartsList
    values_note: str
    figures: tuple[Figure, ...]
    no_figures: tuple[str, ...]
    op_amp: str
    findings: tuple[Finding, ...]
    op_amps: tuple[OpAmpLine, ...]
    roots: tuple[RootLine, ...]
    zeros: tuple[ZeroLine, ...]
    zeros_note: str
    noise: tuple[NoiseLine, ...]
    noise_note: str
    sensitivities: tuple[SensitivityLine, ...]
    sensitivity_note: str
    steps: tuple[StepLine, ...]
    derivation: tuple[Block, ...]
    netlists: tuple[Netlist, ...]
    design: str
    notes: tuple[str, ...]

    def figure(self, name: str) -> Figure | None:
        """Return a figure by its name."""
        return next((f for f in self.figures if f.name == name), None)


@dataclass(frozen=True)
class Page:
    """A whole page; ``html`` writes it with the plain style.

    Parameters
    ----------
    title : str
    circuits : tuple of CircuitPage
    comparison : Figure or None
        Of several circuits.
    cautions : tuple of str
    command : str
        What makes the page again.
    version : str
        Of the program.
    """

    title: str
    circuits: tuple[CircuitPage, ...]
    comparison: Figure | None
    cautions: tuple[str, ...]
    command: str
    version: str

    @property
    def html(self) -> str:
        """The page as one self-contained file."""
        from synth.pages.html import page_html

        return page_html(self)

    def _repr_html_(self) -> str:
        from html import escape

        return f'<iframe style="width:100%;height:40em" srcdoc="{escape(self.html)}"></iframe>'
