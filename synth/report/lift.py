"""What a lift does, as plain records, and their text."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from synth.analysis.feedback import Feedback, feedback
from synth.analysis.loop import Loop, analyse
from synth.analysis.numbers import common_form, transfer
from synth.analysis.zeros import Zero, transmission_zeros
from synth.errors import TargetError, TransformError
from synth.network.model import UNITS, Network
from synth.report.layout import labelled, table, wrapped
from synth.report.text import CAUTION, part_lines, zero_text
from synth.search.cancel import ModeFactor
from synth.search.goal import Goal, article, goal, goal_from_numerator, goals
from synth.search.lift import WINDOWS, Lift, Plan, first_reached
from synth.search.reach import Nearest, Reach, nearest, reach
from synth.transfer.kinds import describe
from synth.transfer.section import polynomial_text
from synth.transfer.transfer import Transfer
from synth.transform.lift import LiftTerminals
from synth.transform.step import Step
from synth.units import format_si, plain


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
    response : Transfer
        H as the output shows it, cancelled modes taken out.
    levels : tuple of (str, float)
        The gain at each of `Goal.levels`.
    zeros : tuple of Zero
    added : int
        Parts more than before.
    """

    plan: Plan
    network: Network
    step: Step
    numerator: tuple[float, ...]
    response: Transfer
    levels: tuple[tuple[str, float], ...]
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
    feedback : Feedback
        Of the loop, the same before and after.
    """

    network: Network
    goal: Goal
    tolerance: float
    denominator: tuple[float, ...]
    before: tuple[float, ...]
    options: tuple[LiftOption, ...]
    reach: Reach
    nearest: Nearest | None
    feedback: Feedback


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
        If there are several inputs, no terminal is at ground, or none may move, or the tolerance
        is out of range.
    TargetError
        If the goal does not suit the order, and no drive cancels modes so that it does.
    NetworkError
        If a part has no value.
    """
    if not 0 < tolerance < 0.5:
        raise TransformError(
            f"a tolerance of {tolerance * 100:g} % is out of range; give one above 0 and below 50 %"
        )
    _check_terminals(network)
    loop = analyse(network)
    form = common_form(loop)
    denominator = tuple(float(c) for c in reversed(form.denominator))
    before = tuple(float(c) for c in reversed(form.numerator)) or (0.0,)
    if numerator is not None:
        wanted: tuple[Goal, ...] = (goal_from_numerator(numerator, denominator),)
    else:
        wanted = goals(loop, kind or "", at_hz)
    reached, found = first_reached(loop, wanted, top)
    if not found and reached.cancelled:
        _refuse(kind or "", denominator, at_hz)
    return LiftRecord(
        network,
        reached,
        tolerance,
        denominator,
        before,
        tuple(_option(network, reached, p, tolerance) for p in found),
        reach(loop, reached),
        None if found else nearest(loop, reached),
        feedback(loop),
    )


def _check_terminals(network: Network) -> None:
    if len(network.inputs) != 1:
        raise TransformError(
            f"a lift needs one input; this network has {len(network.inputs)}, so name one of them"
        )
    terminals = network.terminals
    if not any(t.at == "ground" for t in terminals):
        raise TransformError(
            "no part touches the ground, so there is no ground to lift; this loop gives only H"
        )
    if all(t.held for t in terminals if t.at == "ground"):
        held = ", ".join(f"{t} ({t.held})" for t in terminals if t.held)
        raise TransformError(f"no ground may be lifted: {held}")


def _refuse(kind: str, denominator: tuple[float, ...], at_hz: float | None) -> None:
    """Say why the order does not have the kind, and that no drive makes it lower."""
    try:
        goal(kind, denominator, at_hz)
    except TargetError as error:
        raise TargetError(f"{error}, and no drive cancels modes so that it could") from None


def _option(network: Network, wanted: Goal, plan: Plan, tolerance: float) -> LiftOption:
    change = LiftTerminals(tuple((x.terminal.key, x.fraction) for x in plan.lifts if x.moved))
    lifted, step = change.apply(network)
    lifted = replace(lifted, title=f"{network.title}; lifted to {wanted.name}".lstrip("; "))
    n = len(wanted.denominator) - 1
    top = [plan.gain * c * wanted.w0 ** (n - k) for k, c in enumerate(wanted.numerator)]
    while len(top) > 1 and not top[-1]:
        top.pop()
    seen = tuple(plan.gain * c for c in wanted.seen[0])
    loop = analyse(lifted)
    _verify(loop, wanted, plan, top)
    return LiftOption(
        plan,
        lifted,
        step,
        tuple(reversed(top)),
        Transfer.from_tf(seen, wanted.seen[1]),
        tuple((place, plan.gain * level) for place, level in wanted.levels),
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
    if record.feedback.reason:
        lines += ["", *wrapped(f"finding: {record.feedback.reason}", hanging="  ")]
    if record.options:
        chosen = record.options[picked - 1].network
        lines += ["", f"parts of plan {picked}", *part_lines(chosen), *wrapped(CAUTION)]
    return "\n".join(lines) + "\n"


def _option_lines(record: LiftRecord, number: int, option: LiftOption) -> list[str]:
    added = f"{option.added} part{'' if option.added == 1 else 's'} more"
    head = f"plan {number}: gain {_levels_text(option.levels)}; {added}{_strain_text(option)}"
    lines = wrapped(head, hanging="  ")
    rows = [(str(x.terminal), _drive_text(x), _was(x)) for x in option.plan.lifts if x.moved]
    if rows:
        lines += [f"  {line}" for line in table(("terminal", "driven by", "before"), rows)]
    else:
        lines += ["  as it is: nothing moves"]
    for note in option.step.notes:
        lines += wrapped(f"note: {note}", "  ", "    ")
    lines += wrapped(f"N = {_plain(option.numerator)}", "  ", "    ")
    for factor in record.goal.cancelled:
        lines += wrapped(_cancelled_text(factor), "  ", "    ")
    lines += wrapped(str(describe(option.response)), "  ", "    ")
    for zero in option.zeros:
        lines += wrapped(zero_text(zero, record.tolerance), "  ", "    ")
    return lines


_PLACES = {
    "numerator": "times the numerator given",
    "middle": "times (s/w0)^(n/2)/D, whose peak is infinite",
}


def _levels_text(levels: Sequence[tuple[str, float]]) -> str:
    """Return the gain at each place; places of equal gain together."""
    places: dict[str, list[str]] = {}
    for place, level in levels:
        places.setdefault(plain(level, 5), []).append(place)
    return ", ".join(
        f"{level} {_PLACES[at[0]]}" if at[0] in _PLACES else f"{level} at {_listed(at)}"
        for level, at in places.items()
    )


def _listed(places: Sequence[str]) -> str:
    return " and ".join(p if p in ("DC", "infinity") else f"the {p}" for p in places)


def _strain_text(option: LiftOption) -> str:
    """Name the parts of a split that nobody sells."""
    strained = {t.part for t in option.plan.strained}
    new = {name for old, name in option.step.map if old in strained}
    rows = []
    for b in option.network.branches:
        if b.name not in new or b.power not in WINDOWS or b.value is None:
            continue
        low, high = (format_si(x, UNITS[b.power]) for x in WINDOWS[b.power])
        if not WINDOWS[b.power][0] <= b.value <= WINDOWS[b.power][1]:
            value = format_si(b.value, UNITS[b.power])
            rows.append(f"{b.name} of {value} lies outside {low} to {high}")
    return "".join(f"; {row}" for row in rows)


def _cancelled_text(factor: ModeFactor) -> str:
    roots = factor.roots
    z = roots[-1]
    if len(roots) == 2:
        what, stays = (
            f"modes s = {plain(z.real, 6)} +- {plain(abs(z.imag), 6)}j rad/s cancel",
            "they stay",
        )
    else:
        what, stays = f"mode s = {plain(z.real, 6)} rad/s cancels", "it stays"
    if factor.hidden:
        return f"{what} under every drive, with these values: {stays} in the loop, unseen"
    if factor.exact:
        return f"{what} under this drive: {stays} in the loop, unseen"
    return f"{what}, to rounding, under this drive: {stays} in the loop, unseen while parts match"


def _drive_text(x: Lift) -> str:
    if not x.split:
        return "the input" if x.fraction else "ground"
    return f"{plain(x.fraction, 5)} of the input"


def _was(x: Lift) -> str:
    return "ground" if x.terminal.at == "ground" else "the input"


def _missing_lines(record: LiftRecord) -> list[str]:
    n = len(record.denominator) - 1
    lines = wrapped(f"no drive of this loop gives {article(record.goal.name)}")
    lines += wrapped(
        f"its {len(record.reach.rows)} free terminals span {record.reach.rank} of {n + 1} "
        "dimensions:"
    )
    rows = [(str(t), t.at, _plain(row) if any(row) else "0") for t, row in record.reach.rows]
    lines += [f"  {line}" for line in table(("terminal", "at", "N_k"), rows)]
    signs = ", ".join(f"s^{n - k} {sign}" for k, sign in enumerate(record.reach.signs))
    lines += wrapped(f"signs at hand: {signs}", "  ", "    ")
    if record.nearest is None:
        lines += wrapped("no drive comes nearer to it than no signal at all, by 0.02 % or more")
        return lines
    drive = ", ".join(
        f"{x.terminal} {plain(x.fraction, 4)}" for x in record.nearest.lifts if x.fraction
    )
    lines += wrapped(
        f"nearest with these poles: {drive}; it deviates by up to "
        f"{plain(100 * record.nearest.deviation)} % of the wanted peak",
        "",
        "  ",
    )
    return lines


def _plain(coefficients: Sequence[float]) -> str:
    return polynomial_text(tuple(coefficients)).strip("()")
