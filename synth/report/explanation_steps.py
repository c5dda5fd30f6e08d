"""The explanation, steps: what each used, what it moved, H before and after."""

from __future__ import annotations

import math

from synth.network.model import KINDS, UNITS
from synth.report import mathematics as m
from synth.report.document import Block, Equation, Grid, Heading, Items, say
from synth.report.explanation import ExplainedStep, Explanation, PartState
from synth.report.record import Response
from synth.transfer.section import section_figures
from synth.units import format_si

#: Where there are none.
NO_STEP = say("No step was asked for.")
_POWER_OF = {kind: power for power, kind in KINDS.items()}


def value_text(power: int, value: float | None) -> str:
    """Return a part's value with its unit, or a dash."""
    return "-" if value is None else format_si(value, UNITS[power])


def steps_story(record: Explanation) -> list[Block]:
    """Return each step: what it used, what moved, H before and after."""
    blocks: list[Block] = [Heading("6. The steps")]
    if not record.steps:
        blocks.append(NO_STEP)
    for n, step in enumerate(record.steps, start=1):
        blocks += _step(n, step)
    return blocks


def _step(n: int, explained: ExplainedStep) -> list[Block]:
    step = explained.step
    blocks: list[Block] = [
        Heading(f"Step {n}: {step}", 3),
        say(f"Used: {step.theorem}."),
    ]
    if explained.changes:
        blocks += [
            say("What moved:"),
            Grid(
                ("before", "after"),
                tuple((_state(c.old), _state(c.new)) for c in explained.changes),
            ),
        ]
    else:
        blocks.append(say("Nothing moved."))
    if step.notes:
        blocks.append(Items(tuple((note,) for note in step.notes)))
    blocks += _response("before", explained.before) + _response("after", explained.after)
    if explained.sum is not None:
        both = m.total([m.symbol("H", "before"), m.symbol("H", "after")])
        shown = m.ratio(explained.sum.numerator, explained.sum.denominator)
        blocks.append(Equation(m.equal(both, shown)))
    return blocks


def _state(state: PartState | None) -> str:
    if state is None:
        return "-"
    if state.kind == "op amp":
        plus, minus, out = state.nodes
        return f"{state.name}: op amp, + {plus}, - {minus}, output {out}"
    value = value_text(_POWER_OF[state.kind], state.value)
    return f"{state.name}: {state.kind} {value}, {' and '.join(state.nodes)}"


def _response(when: str, response: Response) -> list[Block]:
    h = m.symbol("H", when)
    blocks: list[Block] = [Equation(m.equal(h, m.fraction(response.formula)))]
    numbers = response.numbers
    if numbers is None:
        return blocks
    blocks.append(
        Equation(m.equal(h, m.ratio(numbers.transfer.numerator, numbers.transfer.denominator)))
    )
    figures = []
    for section in numbers.transfer.sections:
        w0, q = section_figures(section)
        if w0:
            f0 = format_si(w0 / (2 * math.pi), "Hz", 5)
            figures.append(f"f0 {f0}" + ("" if q is None else f", Q {q:.5g}"))
    blocks.append(say("; ".join([str(numbers.description), *figures]) + "."))
    return blocks
