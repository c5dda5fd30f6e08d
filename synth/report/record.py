"""What is reported about a circuit, as plain frozen records; renderers live elsewhere.

`analysis_record`, `transform_record` and `realisation_records` compute everything once from
their arguments; `synth.report.text` and `synth.report.answer` only write it down.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from synth.analysis.bias import inputs_without_dc_path
from synth.analysis.feedback import Feedback, feedback
from synth.analysis.loop import Loop, analyse, law_holds
from synth.analysis.numbers import CommonForm, common_form, modes, transfer
from synth.analysis.stages import CircuitStage, circuit_stages
from synth.analysis.symbolic import Formula, formula
from synth.errors import NetworkError
from synth.network.model import Network, Terminal
from synth.realisation.design import Realisation
from synth.report.advice import Advice, complement_advice
from synth.report.inputs import InputRow, ground_row, input_rows
from synth.transfer import polynomial as exact
from synth.transfer.kinds import Description, describe
from synth.transfer.transfer import Transfer
from synth.transform.drive import Swap
from synth.transform.prune import Prune
from synth.transform.step import Step, Transformation


@dataclass(frozen=True)
class Numbers:
    """What a circuit does, in numbers.

    Parameters
    ----------
    numerator, denominator : tuple of float
        Of H in descending powers of s (rad/s) over the common denominator, which is monic;
        nothing is cancelled.
    transfer : Transfer
        H with common factors cancelled.
    modes : tuple of complex
        Every natural mode in rad/s, seen at the output or not.
    description : Description
        Kind, slopes and peak.
    feedback : Feedback
        Whether every op amp is in negative feedback.
    """

    numerator: tuple[float, ...]
    denominator: tuple[float, ...]
    transfer: Transfer
    modes: tuple[complex, ...]
    description: Description
    feedback: Feedback


@dataclass(frozen=True)
class Response:
    """H of a circuit: in the part names, and in numbers where every part has a value."""

    network: Network
    formula: Formula
    numbers: Numbers | None


@dataclass(frozen=True)
class TerminalRow:
    """A terminal with its transfer T_k: in the part names, and its numerator over D."""

    terminal: Terminal
    formula: Formula
    numerator: tuple[float, ...] | None


@dataclass(frozen=True)
class Analysis:
    """A circuit analysed exactly; ``str`` gives the report.

    Parameters
    ----------
    response : Response
        H, modes, kind, feedback; with several inputs H is that of all inputs driven alike.
    inputs : tuple of InputRow
        The transfer from each input, the others at zero.
    ground : InputRow
        The transfer from everything at ground; with those of the inputs it sums to 1, or to 0
        where the output is differential.
    terminals : tuple of TerminalRow
        Every place where the circuit touches an input or ground.
    law_holds : bool
        Whether the transfers of all terminals sum to what they must, 1 or, for a differential
        output, 0, checked exactly.
    stages : tuple of CircuitStage
        The circuit cut at op-amp outputs.
    without_bias : tuple of (str, str)
        (op amp, pin) of inputs without a DC path.
    """

    response: Response
    inputs: tuple[InputRow, ...]
    ground: InputRow
    terminals: tuple[TerminalRow, ...]
    law_holds: bool
    stages: tuple[CircuitStage, ...]
    without_bias: tuple[tuple[str, str], ...]

    @property
    def network(self) -> Network:
        """The circuit."""
        return self.response.network

    @property
    def sum_is_one(self) -> bool:
        """Whether the transfers of all terminals sum to 1, checked exactly."""
        return self.law_holds and self.network.terminal_sum == 1

    @property
    def numbers(self) -> Numbers:
        """Everything that needs values; NetworkError when a part has none."""
        if self.response.numbers is None:
            missing = ", ".join(b.name for b in self.network.branches if b.value is None)
            raise NetworkError(f"no value for {missing}; give every part a value for numbers")
        return self.response.numbers

    @property
    def H(self) -> Transfer:
        """The transfer function, common factors cancelled; of several inputs driven alike."""
        return self.numbers.transfer

    @property
    def modes(self) -> tuple[complex, ...]:
        """Every natural mode, rad/s."""
        return self.numbers.modes

    @property
    def findings(self) -> tuple[str, ...]:
        """What a builder should know: feedback, modes on the axis, missing bias paths."""
        return findings(self.response, self.without_bias)

    def __str__(self) -> str:
        from synth.report.text import analysis_text

        return analysis_text(self)


@dataclass(frozen=True)
class TransformRecord:
    """A circuit before and after a chain of transformations.

    Parameters
    ----------
    before, after : Response
    steps : tuple of Step
    sum : Transfer or None
        H before plus H after, exact, where the chain is a swap of the whole; else None.
    without_bias : tuple of (str, str)
        (op amp, pin) of inputs without a DC path afterwards.
    advice : tuple of Advice
        What to do where the complement is not what was probably wanted.
    """

    before: Response
    after: Response
    steps: tuple[Step, ...]
    sum: Transfer | None
    without_bias: tuple[tuple[str, str], ...]
    advice: tuple[Advice, ...]

    @property
    def findings(self) -> tuple[str, ...]:
        """What a builder of the new circuit should know."""
        return findings(self.after, self.without_bias)


@dataclass(frozen=True)
class RealisationRecord:
    """A realisation with what its circuit does.

    ``number`` counts from 1, best first.
    """

    number: int
    realisation: Realisation
    transfer: Transfer


# -- computing them --------------------------------------------------------------------------------


def response_of(network: Network, loop: Loop | None = None) -> Response:
    """Return H of a circuit, in part names and, where all parts have values, in numbers.

    Raises
    ------
    SingularError
        If the equations have no unique solution.
    """
    loop = loop or analyse(network)
    whole = loop.transfer()
    symbolic = formula(whole, loop.denominators, network.branches)
    if not _has_values(network):
        return Response(network, symbolic, None)
    form = common_form(loop)
    h = transfer(loop, whole)
    numbers = Numbers(
        _floats(form.numerator),
        _floats(form.denominator),
        h,
        modes(loop),
        describe(h),
        feedback(loop),
    )
    return Response(network, symbolic, numbers)


def analysis_record(network: Network) -> Analysis:
    """Return everything the exact analysis says about a circuit.

    Raises
    ------
    SingularError
        If the equations have no unique solution.
    NetworkError
        If the circuit has no input or several outputs, or its determinant vanishes.
    """
    if not network.inputs:
        raise NetworkError("the network has no input; name one before it is analysed")
    loop = analyse(network)
    form = common_form(loop) if _has_values(network) else None
    rows = tuple(
        TerminalRow(
            t,
            formula(loop.numerators.get(t), loop.denominators, network.branches),
            None if form is None else _floats(form.terminals[t]),
        )
        for t in network.terminals
    )
    return Analysis(
        response_of(network, loop),
        input_rows(loop, form),
        ground_row(loop, form),
        rows,
        law_holds(loop) if form is None else _sum_holds(network, form),
        circuit_stages(network),
        inputs_without_dc_path(network),
    )


def transform_record(
    network: Network, chain: Sequence[tuple[str, Transformation]], command: str
) -> TransformRecord:
    """Apply a chain of transformations and return what it did.

    Parameters
    ----------
    network : Network
    chain : sequence of (str, Transformation)
        Each with its text on the command line.
    command : str
        The beginning of a command that names the circuit, for advice: ``synth transform FILE``.

    Raises
    ------
    TransformError
        If a step does not apply.
    SingularError
        If a circuit on the way has no unique solution.
    """
    _ = network.input
    first = last = response_of(network)
    steps: list[Step] = []
    advice: tuple[Advice, ...] = ()
    for k, (_, transformation) in enumerate(chain):
        changed, step = transformation.apply(last.network)
        steps.append(step)
        now = response_of(changed)
        plain = not last.network.reading.against
        if plain and _is_whole_swap(transformation) and last.numbers and now.numbers:
            route = " ".join([command, *(text for text, _ in chain[:k])])
            advice = complement_advice(
                last.network, last.numbers.transfer, now.numbers.transfer, route
            )
        last = now
    whole_swaps = sum(_is_whole_swap(t) for _, t in chain)
    others = any(not _is_whole_swap(t) and not isinstance(t, Prune) for _, t in chain)
    return TransformRecord(
        first,
        last,
        tuple(steps),
        _sum(first.network, last.network) if whole_swaps % 2 and not others else None,
        inputs_without_dc_path(last.network),
        advice,
    )


def realisation_records(found: Sequence[Realisation]) -> tuple[RealisationRecord, ...]:
    """Return the realisations, numbered, with the transfers of their circuits."""
    records = []
    for number, r in enumerate(found, start=1):
        loop = analyse(r.network)
        h = transfer(loop, loop.transfer())
        records.append(RealisationRecord(number, r, h))
    return tuple(records)


def findings(response: Response, without_bias: Sequence[tuple[str, str]]) -> tuple[str, ...]:
    """Return sentences about feedback and bias paths."""
    found = []
    if response.numbers is not None and response.numbers.feedback.reason:
        found.append(response.numbers.feedback.reason)
    for name, pin in without_bias:
        found.append(
            f"the {pin} input of {name} has no DC path for its bias current; connect it through "
            "a resistor to ground, the input or an op-amp output"
        )
    return tuple(found)


def _is_whole_swap(transformation: Transformation) -> bool:
    return isinstance(transformation, Swap) and not transformation.stage


def _has_values(network: Network) -> bool:
    return all(b.value is not None for b in network.branches)


def _floats(p: exact.Poly) -> tuple[float, ...]:
    """Return coefficients as floats in descending powers; (0.0,) for zero."""
    try:
        return exact.to_floats(p)
    except OverflowError:
        raise NetworkError(
            "a coefficient of the transfer function is too large for a number; scale the "
            "frequency down first, as in synth transform CIRCUIT scale-frequency=1e-3"
        ) from None


def _sum_holds(network: Network, form: CommonForm) -> bool:
    total = exact.ZERO
    for p in form.terminals.values():
        total = exact.add(total, p)
    return total == (form.denominator if network.terminal_sum else exact.ZERO)


def _sum(before: Network, after: Network) -> Transfer | None:
    """Return the sum of the transfers of two circuits, exact; None without values."""
    if not (_has_values(before) and _has_values(after)):
        return None
    a, b = common_form(analyse(before)), common_form(analyse(after))
    if a.denominator == b.denominator:
        num, den = exact.add(a.numerator, b.numerator), a.denominator
    else:
        num = exact.add(
            exact.mul(a.numerator, b.denominator), exact.mul(b.numerator, a.denominator)
        )
        den = exact.mul(a.denominator, b.denominator)
    if len(num) == len(den) and all(
        x == y * Fraction(num[-1], den[-1]) for x, y in zip(num, den, strict=True)
    ):
        return Transfer(float(Fraction(num[-1], den[-1])))
    return Transfer.from_polynomials(num, den)
