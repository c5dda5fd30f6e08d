"""The explanation, last part: real amplifiers, sums that are not 1, circuits that do not work."""

from __future__ import annotations

import math

from synth.analysis.defect import Limits
from synth.report import mathematics as m
from synth.report.document import Block, Equation, Grid, Heading, say
from synth.report.explanation import Explanation, HeldCase, RealCase, UnstableCase
from synth.report.mathematics import Math
from synth.units import format_si

_H = m.symbol("H")
_OTHER = Math("H'", "H'")
_BOTH = m.total([_H, _OTHER])
_HIDDEN = m.symbol("T", "hidden")
_LAW = Math("T/(1 + T)", r"\frac{T}{1 + T}")


def real_story(record: Explanation) -> list[Block]:
    """Return what is left with real amplifiers, and where the property ends."""
    return [*_amplifiers(record), *_exceptions(record), *_unstable(record)]


# -- 7 real amplifiers -----------------------------------------------------------------------------


def _amplifiers(record: Explanation) -> list[Block]:
    blocks: list[Block] = [Heading("7. What remains with real amplifiers")]
    both = record.network.complement_sum
    if not record.network.op_amps and not record.real:
        return [
            *blocks,
            say("There is no op amp: ", m.equal(_BOTH, m.raw(str(both))), " at every frequency."),
        ]
    model = record.model
    bandwidth = format_si(model.gain_bandwidth / (2 * math.pi), "Hz", 4)
    gain = Math("A(s) = A0/(1 + s A0/wt)", r"A(s) = \frac{A_0}{1 + s A_0/\omega_t}")
    blocks += [
        say(
            "Take every op amp with one pole, ",
            gain,
            f", A0 = {model.dc_gain:g} and a gain-bandwidth of {bandwidth}. The reference in the "
            "op amp stays at ground when the terminals are interchanged, so with ",
            _OTHER,
            " the response after the interchange",
        ),
        Equation(m.equal(_BOTH, m.less(both, [_HIDDEN]))),
    ]
    if record.held is not None and record.held.actual:
        held = ", ".join(str(t) for t in record.held.terminals)
        blocks.append(
            say(
                f"Here the held terminals ({held}) are counted as interchanged too; section 8 has "
                "their share."
            )
        )
    if len(record.network.inputs) > 1:
        blocks.append(say("H is the response to all inputs driven alike."))
    if not record.real:
        return [*blocks, say("Its size needs values: give every part one.")]
    for case in record.real:
        blocks += _case(case)
    return blocks


def _case(case: RealCase) -> list[Block]:
    both = case.network.complement_sum
    law = case.rows[0].loop_gain is not None
    head: list[str | Math] = ["frequency", m.magnitude(_HIDDEN), m.magnitude(_BOTH)]
    if law:
        head += [m.raw("T"), m.magnitude(_LAW)]
    rows: list[tuple[str | Math, ...]] = []
    for r in case.rows:
        row: list[str | Math] = [
            format_si(r.frequency_hz, "Hz", 4),
            m.number(abs(r.hidden), 4),
            m.number(abs(both - r.hidden), 7),
        ]
        if r.loop_gain is not None:
            row += [
                m.complex_number(r.loop_gain, 4),
                m.number(abs(r.loop_gain / (1 + r.loop_gain)), 7),
            ]
        rows.append(tuple(row))
    blocks: list[Block] = [
        say(f"For {case.what}:"),
        Grid(tuple(head), tuple(rows)),
        say(m.equal(_BOTH, m.raw(str(both))), f" holds {_within(case.limits)}."),
    ]
    if law:
        (u,) = case.network.op_amps
        blocks.append(
            say(
                f"The only op amp, {u.name}, has the output {u.out} at its own output: then ",
                m.equal(_BOTH, _LAW),
                ", where T is its loop gain with all terminals at zero, worked out by itself: the "
                "two last columns of the table are from T, the two before from ",
                _HIDDEN,
                ".",
            )
        )
    return blocks


def _within(limits: Limits) -> str:
    if limits.tenth_db is None:  # a sum of 0 has no decibels
        return f"within 0.01 {_up_to(limits.one_per_cent)}"
    return (
        f"within 1 % {_up_to(limits.one_per_cent)}, and within 0.1 dB in magnitude "
        f"{_up_to(limits.tenth_db)}"
    )


def _up_to(frequency: float) -> str:
    if math.isinf(frequency):
        return "at every frequency looked at"
    if not frequency:
        return "at no frequency"
    return f"up to {format_si(frequency, 'Hz', 4)}"


# -- 8 where the sum is not 1 ----------------------------------------------------------------------


def _exceptions(record: Explanation) -> list[Block]:
    both = record.network.complement_sum
    blocks: list[Block] = [Heading(f"8. Where H and its complement do not sum to {both}")]
    if record.held is None:
        blocks.append(
            say(
                "No terminal with an effect on the output is at ground, so there is no complement "
                f"to speak of: {m.less(record.network.terminal_sum, [_H]).plain} is 0."
            )
        )
    else:
        blocks += _held(record.held, both)
    for case in record.real:
        row = case.rows[len(case.rows) // 2]
        blocks.append(
            say(
                f"Real amplifiers: in {case.what} at {format_si(row.frequency_hz, 'Hz', 4)}, ",
                m.equal(_BOTH, m.complex_number(case.network.complement_sum - row.hidden, 6)),
                ".",
            )
        )
    return blocks


def _held(case: HeldCase, both: int) -> list[Block]:
    pins = ", ".join(str(t) for t in case.terminals)
    share = m.total([m.symbol("T", str(t)) for t in case.terminals])
    if case.actual:
        why = "; ".join(f"{t}: {t.held}" for t in case.terminals)
        told = f"Held: {pins} stay where they are whatever is interchanged ({why}). Their share"
    else:
        part = case.terminals[0].part
        told = (
            f"Held: nothing is held here. Had {part} to stay at ground, as a load does "
            f"(--keep-grounded {part}), the share of {pins}"
        )
    blocks: list[Block] = [
        say(f"{told} {'is' if case.actual else 'would be'} missing:"),
        Equation(
            m.equal(
                _BOTH,
                m.less(both, [m.grouped(share)]),
                m.less(both, [m.grouped(m.fraction(case.share))]),
            )
        ),
    ]
    if case.spot is not None and case.frequency_hz is not None:
        at = format_si(case.frequency_hz, "Hz", 4)
        blocks.append(say(f"At {at} ", m.equal(_BOTH, m.complex_number(both - case.spot)), "."))
    return blocks


# -- 9 circuits that do not work -------------------------------------------------------------------


def _unstable(record: Explanation) -> list[Block]:
    blocks: list[Block] = [Heading("9. Where the algebra holds and the circuit does not")]
    if not record.unstable:
        why = (
            "there is no op amp to be in positive feedback"
            if not record.network.op_amps
            else "this circuit puts no such case that can be shown with its values"
        )
        return [*blocks, say(f"Here {why}.")]
    for case in record.unstable:
        blocks += _case_of_failure(case)
    return blocks


def _case_of_failure(case: UnstableCase) -> list[Block]:
    start = f"{case.what[0].upper()}{case.what[1:]}"
    if case.exchanged:
        opening = (
            f"The feedback of this circuit is negative. {start}: an ideal op amp has no more than "
            "v+ = v-, which reads the same both ways, so with ideal op amps still"
        )
    else:
        opening = f"{start}: {case.reason}. With ideal op amps still"
    holds = f"still sum to {case.total}"
    if not case.law_holds:
        holds = f"do NOT sum to {case.total}, a fault of the analysis"
    blocks: list[Block] = [
        say(opening),
        Equation(m.equal(_H, m.fraction(case.formula))),
        say(f"and the transfers of all terminals {holds}: the algebra holds."),
    ]
    if case.mode is not None:
        which = "ideal op amps" if case.ideal else "the real amplifiers of section 7"
        blocks.append(
            say(
                f"The circuit does not: with {which} it has a natural mode at ",
                m.equal(m.raw("s"), m.complex_number(case.mode)),
                " rad/s, right of the axis. It grows e-fold every "
                f"{format_si(1 / case.mode.real, 's', 3)} until an output is at a supply rail.",
            )
        )
    return blocks
