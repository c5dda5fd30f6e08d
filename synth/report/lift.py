"""What a lift does, as plain records, with their text and JSON forms."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from synth.analysis.loop import Loop, analyse
from synth.analysis.numbers import common_form, transfer
from synth.analysis.zeros import Zero, transmission_zeros
from synth.errors import TransformError
from synth.network.model import Network
from synth.realisation.saved import VERSION, Json, branch_json, step_json
from synth.report.answer import zeros_json
from synth.report.layout import labelled, table, wrapped
from synth.report.netlist import deck_text
from synth.report.text import CAUTION, part_lines, zero_text
from synth.search.goal import Goal, goal, goal_from_numerator
from synth.search.lift import Lift, Plan, plans
from synth.search.reach import Nearest, Reach, nearest, reach
from synth.transfer.kinds import describe
from synth.transfer.section import polynomial_text
from synth.transfer.transfer import Transfer
from synth.transform.lift import LiftTerminals
from synth.transform.step import Step


@dataclass(frozen=True)
class LiftOption:
    """One plan, carried out.

    Parameters
    ----------
    plan : Plan
    network : Network
        The lifted circuit.
    step : Step
    numerator : tuple of float
        Of H after the lift over `LiftRecord.denominator`, descending powers; coefficients that
        the plan cancels are zero.
    zeros : tuple of Zero
    added : int
        Parts more than before.
    """

    plan: Plan
    network: Network
    step: Step
    numerator: tuple[float, ...]
    zeros: tuple[Zero, ...]
    added: int


@dataclass(frozen=True)
class LiftRecord:
    """A lift asked for, and what there is.

    Parameters
    ----------
    network : Network
        The circuit as it was.
    goal : Goal
    tolerance : float
        Of the parts, for the floors of balanced zeros.
    denominator : tuple of float
        D in descending powers of s (rad/s), monic: the same before and after.
    before : tuple of float
        N before, over D.
    options : tuple of LiftOption
        Least cost first; empty when no plan exists.
    reach : Reach
        What the loop's terminals span.
    nearest : Nearest or None
        The nearest response, when no plan exists.
    """

    network: Network
    goal: Goal
    tolerance: float
    denominator: tuple[float, ...]
    before: tuple[float, ...]
    options: tuple[LiftOption, ...]
    reach: Reach
    nearest: Nearest | None


def lift_record(
    network: Network,
    *,
    kind: str | None = None,
    at_hz: float | None = None,
    numerator: tuple[float, ...] | None = None,
    tolerance: float = 0.01,
    top: int = 5,
) -> LiftRecord:
    """Plan a lift of `network`.

    Parameters
    ----------
    network : Network
        With values, one input and one output.
    kind, at_hz : str, float or None
        A kind of `synth.search.goal.KINDS`, with the zero's frequency in Hz for an unequal notch.
    numerator : tuple of float or None
        Instead of a kind: descending powers of s in rad/s, its gain free.
    tolerance : float
        Of the parts, as a fraction, for the floors of balanced zeros.
    top : int
        At most so many plans.

    Raises
    ------
    TransformError
        If no terminal is at ground, or none may move, or the tolerance is out of range.
    TargetError
        If the goal does not suit the order.
    NetworkError
        If a part has no value.
    """
    if not 0 < tolerance < 0.5:
        raise TransformError(
            f"a tolerance of {tolerance * 100:g} % is out of range; give one above 0 and below 50 %"
        )
    terminals = network.terminals
    if not any(t.at == "ground" for t in terminals):
        raise TransformError(
            "no part touches the ground, so there is no ground to lift; this loop gives only H"
        )
    if all(t.held for t in terminals if t.at == "ground"):
        held = ", ".join(f"{t} ({t.held})" for t in terminals if t.held)
        raise TransformError(f"no ground may be lifted: {held}")
    loop = analyse(network)
    form = common_form(loop)
    denominator = tuple(float(c) for c in reversed(form.denominator))
    before = tuple(float(c) for c in reversed(form.numerator)) or (0.0,)
    wanted = (
        goal_from_numerator(numerator, denominator)
        if numerator is not None
        else goal(kind or "", denominator, at_hz)
    )
    options = tuple(_option(network, wanted, p, tolerance) for p in plans(loop, wanted, top))
    return LiftRecord(
        network,
        wanted,
        tolerance,
        denominator,
        before,
        options,
        reach(loop, wanted),
        None if options else nearest(loop, wanted),
    )


def _option(network: Network, wanted: Goal, plan: Plan, tolerance: float) -> LiftOption:
    change = LiftTerminals(tuple((x.terminal.key, x.fraction) for x in plan.lifts if x.moved))
    lifted, step = change.apply(network)
    lifted = replace(lifted, title=f"{network.title}; lifted to {wanted.name}".lstrip("; "))
    n = len(wanted.denominator) - 1
    top = [plan.gain * c * wanted.w0 ** (n - k) for k, c in enumerate(wanted.numerator)]
    while len(top) > 1 and not top[-1]:
        top.pop()
    loop = analyse(lifted)
    _verify(loop, wanted, plan, top)
    return LiftOption(
        plan,
        lifted,
        step,
        tuple(reversed(top)),
        transmission_zeros(loop, tolerance),
        len(lifted.branches) - len(network.branches),
    )


def _verify(loop: Loop, wanted: Goal, plan: Plan, top: Sequence[float]) -> None:
    """Analyse the lifted circuit exactly: the promised N and the old D must come out."""
    s = 1j * wanted.w0 * 1.37
    got = transfer(loop, loop.transfer())(s)
    d = sum(
        c * wanted.w0 ** (len(wanted.denominator) - 1 - k) * s**k
        for k, c in enumerate(wanted.denominator)
    )
    promised = sum(c * s**k for k, c in enumerate(top)) / d
    if abs(got - promised) > 1e-6 * max(abs(promised), abs(plan.gain)):
        raise TransformError(
            "the lifted circuit does not give the numerator promised; report this with the deck"
        )


# -- text --------------------------------------------------------------------------------------


def lift_text(record: LiftRecord, picked: int = 1) -> str:
    """Return the plans as text for a terminal of 80 columns."""
    lines = [*labelled("lift to", record.goal.name)]
    lines += ["", *wrapped("before: N/D with the poles that stay", "")]
    lines += wrapped(f"N = {_plain(record.before)}", "  ", "    ")
    lines += wrapped(f"D = {_plain(record.denominator)}", "  ", "    ")
    if not record.options:
        lines += ["", *_missing_lines(record)]
    for number, option in enumerate(record.options, start=1):
        lines += ["", *_option_lines(record, number, option)]
    if record.options:
        chosen = record.options[picked - 1].network
        lines += ["", f"parts of plan {picked}", *part_lines(chosen), *wrapped(CAUTION)]
    return "\n".join(lines) + "\n"


def _option_lines(record: LiftRecord, number: int, option: LiftOption) -> list[str]:
    added = f"{option.added} part{'' if option.added == 1 else 's'} more"
    lines = wrapped(f"plan {number}: gain {option.plan.gain:.5g}; {added}", hanging="  ")
    rows = [(str(x.terminal), _drive_text(x), _was(x)) for x in option.plan.lifts if x.moved]
    lines += [
        f"  {line}"
        for line in table(("terminal", "driven by", "before"), rows or [("-", "-", "-")])
    ]
    for note in option.step.notes:
        lines += wrapped(f"note: {note}", "  ", "    ")
    lines += wrapped(f"N = {_plain(option.numerator)}", "  ", "    ")
    h = Transfer.from_tf(option.numerator, record.denominator)
    lines += wrapped(str(describe(h)), "  ", "    ")
    for zero in option.zeros:
        lines += wrapped(zero_text(zero, record.tolerance), "  ", "    ")
    return lines


def _drive_text(x: Lift) -> str:
    if not x.split:
        return "the input" if x.fraction else "ground"
    return f"{x.fraction:.5g} of the input"


def _was(x: Lift) -> str:
    return "ground" if x.terminal.at == "ground" else "the input"


def _missing_lines(record: LiftRecord) -> list[str]:
    n = len(record.denominator) - 1
    lines = wrapped(f"no drive of this loop gives a {record.goal.name}")
    lines += wrapped(
        f"its {len(record.reach.rows)} free terminals span {record.reach.rank} of {n + 1} "
        "dimensions:"
    )
    rows = [(str(t), t.at, _plain(row) if any(row) else "0") for t, row in record.reach.rows]
    lines += [f"  {line}" for line in table(("terminal", "at", "N_k"), rows)]
    signs = ", ".join(f"s^{n - k} {sign}" for k, sign in enumerate(record.reach.signs))
    lines += wrapped(f"signs at hand: {signs}", "  ", "    ")
    if record.nearest is None:
        lines += wrapped("no drive comes nearer to it than no signal at all")
        return lines
    drive = ", ".join(f"{x.terminal} {x.fraction:.4g}" for x in record.nearest.lifts if x.fraction)
    lines += wrapped(
        f"nearest with these poles: {drive}; it deviates by up to "
        f"{100 * record.nearest.deviation:.3g} % of the wanted peak",
        "",
        "  ",
    )
    return lines


def _plain(coefficients: Sequence[float]) -> str:
    return polynomial_text(tuple(coefficients)).strip("()")


# -- JSON --------------------------------------------------------------------------------------


def lift_answer(record: LiftRecord, circuit: str, notes: Sequence[str]) -> Json:
    """Return the answer of ``lift``."""
    first = record.options[0] if record.options else None
    empty: Json = dict.fromkeys(("plan", "gain", "numerator", "zeros", "added_parts", "step"))
    return {
        "schema": VERSION,
        "command": "lift",
        "circuit": circuit,
        "goal": record.goal.name,
        "tolerance": record.tolerance,
        "numerator_before": list(record.before),
        "denominator": list(record.denominator),
        **(empty if first is None else _option_json(first)),
        "alternatives": [_option_json(o) for o in record.options[1:]],
        "parts": [] if first is None else [branch_json(b) for b in first.network.branches],
        "netlist": None if first is None else deck_text(first.network),
        "reach": {
            "rank": record.reach.rank,
            "signs": list(record.reach.signs),
            "terminals": [
                {"part": t.part, "pin": t.pin, "numerator": list(row)}
                for t, row in record.reach.rows
            ],
        },
        "nearest": _nearest_json(record.nearest),
        "notes": list(notes),
    }


def _option_json(option: LiftOption) -> Json:
    return {
        "plan": [_lift_json(x) for x in option.plan.lifts],
        "gain": option.plan.gain,
        "numerator": list(option.numerator),
        "zeros": zeros_json(option.zeros),
        "added_parts": option.added,
        "step": step_json(option.step),
    }


def _lift_json(x: Lift) -> Json:
    return {
        "part": x.terminal.part,
        "pin": x.terminal.pin,
        "fraction": x.fraction,
        "split": x.split,
    }


def _nearest_json(found: Nearest | None) -> Json | None:
    if found is None:
        return None
    return {
        "plan": [_lift_json(x) for x in found.lifts],
        "gain": found.gain,
        "deviation": found.deviation,
    }
