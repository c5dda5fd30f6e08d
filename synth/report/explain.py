"""Compute the explanation of a circuit: everything from this circuit's own parts and values."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

import numpy as np

from synth.analysis.amplifier import Amplifier, same_everywhere
from synth.analysis.defect import defect_frequencies, limits
from synth.analysis.feedback import feedback
from synth.analysis.finite import hidden_transfer
from synth.analysis.loop import Loop, analyse, expanded
from synth.analysis.numbers import common_form, transfer
from synth.analysis.real import real_system
from synth.analysis.sweep import Sweep
from synth.analysis.symbolic import Term, cleared_together, formula
from synth.errors import NetworkError
from synth.network.model import KINDS, Network
from synth.report.explanation import (
    Coefficient,
    ExplainedStep,
    Explanation,
    HeldCase,
    PartChange,
    PartState,
    RealCase,
    RealRow,
    Spot,
    UnstableCase,
)
from synth.report.inputs import InputRow, complement_row
from synth.report.record import Analysis, Response, analysis_record, transform_record
from synth.transform.step import Step, Transformation

#: Gain-bandwidth in Hz and DC gain of a common op amp (common practice).
GAIN_BANDWIDTH = 1e6
DC_GAIN = 2e5
#: With more terms than this the sum is shown in numbers only.
_MOST_TERMS = 150


def explanation(
    network: Network,
    chain: Sequence[tuple[str, Transformation]] = (),
    model: Amplifier | None = None,
) -> Explanation:
    """Explain a circuit, and the steps that turn it into another.

    Parameters
    ----------
    network : Network
    chain : sequence of (str, Transformation)
        Each with its text on the command line.
    model : Amplifier, optional
        The real amplifier of the figures; by default 1 MHz and a DC gain of 200,000.

    Raises
    ------
    TransformError
        If a step does not apply.
    SingularError
        If a circuit has no unique solution.
    NetworkError
        If the circuit has no input or several outputs, or the amplifier's figures are wrong.
    """
    model = model or Amplifier(2 * math.pi * GAIN_BANDWIDTH, DC_GAIN)
    if not (0 < model.gain_bandwidth < math.inf and model.dc_gain > 1):
        raise NetworkError(
            f"an amplifier of gain-bandwidth {model.gain_bandwidth / (2 * math.pi):g} Hz and DC "
            f"gain {model.dc_gain:g} is none; give a positive frequency and a gain above 1"
        )
    analysis = analysis_record(network)
    loop = analyse(network)
    steps = _steps(network, chain)
    frequency = _frequency(analysis.response, model)
    circuits = [("this circuit", network)]
    if steps:
        circuits.append(("the circuit after the steps", steps[-1].after.network))
    return Explanation(
        analysis,
        model,
        _complement(loop, analysis),
        _coefficients(loop),
        None if frequency is None else _spot(loop, analysis, frequency),
        hidden_transfer(network) if network.op_amps else None,
        steps,
        _real(circuits, model),
        _held(loop, frequency),
        _unstable(analysis.response, steps, model),
    )


# -- the algebra -----------------------------------------------------------------------------------


def _complement(loop: Loop, analysis: Analysis) -> InputRow | None:
    network = loop.network
    if len(network.inputs) > 1 or network.complement_sum == network.terminal_sum:
        return None
    return complement_row(loop, common_form(loop) if analysis.response.numbers else None)


def _coefficients(loop: Loop) -> tuple[Coefficient, ...]:
    terminals = [t for t in loop.network.terminals if t in loop.numerators]
    sizes = [math.prod(map(len, loop.numerators[t])) for t in terminals]
    if sum(sizes) + math.prod(map(len, loop.denominators)) > 20 * _MOST_TERMS:
        return ()  # not multiplied out: the product of the factors may be very large
    polys = [expanded(loop.numerators[t]) for t in terminals]
    polys.append(expanded(loop.denominators))
    if sum(map(len, polys)) > _MOST_TERMS:
        return ()
    *tops, bottom = cleared_together(polys, loop.network.branches)
    powers = sorted({k for row in (*tops, bottom) for k, _, _ in row}, reverse=True)

    def at(row: tuple[Term, ...], power: int) -> tuple[Term, ...]:
        return tuple(t for t in row if t[0] == power)

    return tuple(
        Coefficient(
            k,
            tuple((t, at(row, k)) for t, row in zip(terminals, tops, strict=True) if at(row, k)),
            at(bottom, k),
        )
        for k in powers
    )


def _frequency(response: Response, model: Amplifier) -> float | None:
    """Return a frequency in Hz that is typical of the circuit and at no natural mode."""
    if response.numbers is None:
        return None
    sizes = [abs(p) for p in response.numbers.modes if p]
    if not sizes:
        return model.gain_bandwidth / (2 * math.pi) / 1e3
    w = math.exp(sum(map(math.log, sizes)) / len(sizes))
    if any(abs(1j * w - p) < 1e-3 * w for p in response.numbers.modes):
        w /= 2
    return w / (2 * math.pi)


def _spot(loop: Loop, analysis: Analysis, frequency: float) -> Spot:
    s = 2j * math.pi * frequency
    found = []
    for row in analysis.terminals:
        whole = loop.transfer({row.terminal: Fraction(1)})
        found.append((row.terminal, complex(transfer(loop, whole)(s))))
    return Spot(frequency, tuple(found))


def _held(loop: Loop, frequency: float | None) -> HeldCase | None:
    grounded = [t for t in loop.network.terminals if t.at == "ground"]
    held = [t for t in grounded if t.held and t in loop.numerators]
    actual = bool(held)
    if not held:
        names = {b.name for b in loop.network.branches}
        live = sorted(
            (t for t in grounded if t in loop.numerators), key=lambda t: t.part not in names
        )
        held = [t for t in live if t.part == live[0].part]
    if not held:
        return None
    whole = loop.transfer({t: Fraction(1) for t in held})
    share = formula(whole, loop.denominators, loop.network.branches)
    spot = None
    if frequency is not None:
        spot = complex(transfer(loop, whole)(2j * math.pi * frequency))
    return HeldCase(tuple(held), actual, share, frequency, spot)


# -- the steps -------------------------------------------------------------------------------------


def _steps(
    network: Network, chain: Sequence[tuple[str, Transformation]]
) -> tuple[ExplainedStep, ...]:
    found = []
    for text, transformation in chain:
        record = transform_record(network, [(text, transformation)], "synth transform CIRCUIT")
        (step,) = record.steps
        changes = _changes(step, network, record.after.network)
        found.append(ExplainedStep(step, record.before, record.after, changes, record.sum))
        network = record.after.network
    return tuple(found)


def _changes(step: Step, before: Network, after: Network) -> tuple[PartChange, ...]:
    old, new = _states(before), _states(after)
    found = []
    for a, b in step.map:
        if a in old and b in new and old[a] != new[b]:
            found.append(PartChange(old[a], new[b]))
    kept, made = {a for a, _ in step.map}, {b for _, b in step.map}
    found += [PartChange(state, None) for name, state in old.items() if name not in kept]
    found += [PartChange(None, state) for name, state in new.items() if name not in made]
    return tuple(found)


def _states(network: Network) -> dict[str, PartState]:
    states = {b.name: PartState(b.name, KINDS[b.power], b.nodes, b.value) for b in network.branches}
    states |= {
        u.name: PartState(u.name, "op amp", (u.plus, u.minus, u.out), None) for u in network.op_amps
    }
    return states


# -- real amplifiers -------------------------------------------------------------------------------


def _real(circuits: Sequence[tuple[str, Network]], model: Amplifier) -> tuple[RealCase, ...]:
    """Return a case for each circuit with a T_hidden of its own; a swap leaves it as it was."""
    found: list[RealCase] = []
    for what, network in circuits:
        if not network.op_amps or any(b.value is None for b in network.branches):
            continue
        case = _real_case(what, network, model)
        if found and _alike(found[-1], case):
            found[-1] = replace(found[-1], what="this circuit, before and after the steps alike")
        else:
            found.append(case)
    return tuple(found)


def _real_case(what: str, network: Network, model: Amplifier) -> RealCase:
    loop = analyse(network)
    system = real_system(network, same_everywhere(network, model))
    f0 = _frequency(analysis_record(network).response, model) or 1.0
    found = limits(Sweep(system, defect_frequencies(system, loop)))
    top = model.gain_bandwidth / (2 * math.pi)
    frequencies = np.array(sorted({f0 / 10, f0, 10 * f0, top / 10, top}))
    sweep = Sweep(system, frequencies)
    hidden = sweep.hidden
    single = len(network.op_amps) == 1 and network.reading.nodes == (network.op_amps[0].out,)
    gains = sweep.return_ratio(network.op_amps[0].name) if single else None
    rows = tuple(
        RealRow(float(f), complex(h), None if gains is None else complex(gains[k]))
        for k, (f, h) in enumerate(zip(frequencies, hidden, strict=True))
    )
    return RealCase(what, loop.network, model, found, rows)


def _alike(a: RealCase, b: RealCase) -> bool:
    return [r.frequency_hz for r in a.rows] == [r.frequency_hz for r in b.rows] and all(
        abs(x.hidden - y.hidden) <= 1e-9 * abs(x.hidden)
        for x, y in zip(a.rows, b.rows, strict=True)
    )


def _unstable(
    response: Response, steps: Sequence[ExplainedStep], model: Amplifier
) -> tuple[UnstableCase, ...]:
    if response.numbers is None:
        return ()
    cases = [_unstable_case("this circuit", response, model)]
    cases += [
        _unstable_case(f"the circuit after step {n} ({s.step.name})", s.after, model)
        for n, s in enumerate(steps, start=1)
    ]
    found = [c for c in cases if c is not None]
    return tuple(found) if found else _exchanged(response.network, model)


def _unstable_case(what: str, response: Response, model: Amplifier) -> UnstableCase | None:
    numbers = response.numbers
    if numbers is None or numbers.feedback.negative:
        return None
    network = response.network
    right = [p for p in numbers.modes if p.real > 1e-9 * abs(p)]
    ideal = bool(right)
    if not right:
        right = _right_modes(network, model)
    mode = max(right, key=lambda p: p.real) if right else None
    holds, total = analysis_record(network).law_holds, network.terminal_sum
    reason = numbers.feedback.reason
    return UnstableCase(what, "", response.formula, total, holds, reason, mode, ideal)


def _right_modes(network: Network, model: Amplifier) -> list[complex]:
    if not network.op_amps or any(b.power not in (0, 1) for b in network.branches):
        return []
    system = real_system(network, same_everywhere(network, model))
    found = sorted((complex(p) for p in system.modes(_rate(network, model))), key=abs)
    return [p for p in found if p.real > 1e-9 * abs(p)]


def _rate(network: Network, model: Amplifier) -> float:
    sizes = [abs(p) for p in feedback(analyse(network)).ideal if p]
    if not sizes:
        return model.gain_bandwidth
    return math.exp(sum(map(math.log, sizes)) / len(sizes))


def _exchanged(network: Network, model: Amplifier) -> tuple[UnstableCase, ...]:
    """Put the case with this circuit: exchange the inputs of an op amp, the nullor is the same."""
    for u in network.op_amps:
        other = replace(u, plus=u.minus, minus=u.plus)
        op_amps = tuple(other if x.name == u.name else x for x in network.op_amps)
        changed = replace(network, op_amps=op_amps)
        found = analysis_record(changed)
        said, right = found.numbers.feedback, _right_modes(changed, model)
        if said.negative or not right:
            continue
        mode = max(right, key=lambda p: p.real)
        what = f"this circuit with the inputs of {u.name} exchanged"
        h = found.response.formula
        total, holds = network.terminal_sum, found.law_holds
        return (UnstableCase(what, u.name, h, total, holds, said.reason, mode, False),)
    return ()
