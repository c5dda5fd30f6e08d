"""The records as text for a terminal of 80 columns."""

from __future__ import annotations

import math
from collections.abc import Sequence
from math import pi

from synth.analysis.symbolic import Formula
from synth.analysis.zeros import Zero
from synth.masks.limits import band_words
from synth.network.model import UNITS, Network
from synth.realisation.design import Realisation
from synth.realisation.loudness import OutputNoise
from synth.report.asked import NOTHING, Asked
from synth.report.layout import labelled, shortened, table, wrapped
from synth.report.record import Analysis, RealisationRecord, Response, TransformRecord
from synth.report.sketch import sketch
from synth.target.target import MEETS_DB, MEETS_DEGREES, MEETS_SHARE, Target
from synth.tolerances.remarks import share_text
from synth.tolerances.spread import Spread
from synth.transfer.section import Section, polynomial_text, section_figures
from synth.transfer.transfer import Transfer
from synth.transform.step import Step
from synth.units import format_si, plain

CAUTION = (
    "Low-voltage signal circuits only. Anything on mains, in medical or hearing devices or in a "
    "safety function needs licensed practice and the local codes."
)
#: Longest formula that is printed whole.
_FORMULA = 1200
_TERMINAL_FORMULA = 300


# -- analyse ---------------------------------------------------------------------------------------


def analysis_text(analysis: Analysis, notes: Sequence[str] = ()) -> str:
    """Return the report on one circuit."""
    network = analysis.network
    numbers = analysis.response.numbers
    lines = wrapped(network.title or "circuit without a title")
    lines += [*_count_line(network), *_notes(notes), ""]
    lines += _input_lines(analysis)
    if numbers is not None:
        lines += _sketch_lines(numbers.transfer)
        lines += [""]
        lines += labelled("modes (rad/s)", _roots(numbers.modes))
        lines += labelled("poles (rad/s)", _roots(numbers.transfer.poles))
        lines += labelled("zeros (rad/s)", _roots(numbers.transfer.zeros))
    lines += [""]
    for s in analysis.stages:
        feeds = ", ".join(s.feeds) or "nothing"
        lines += wrapped(f"stage {s.name}: {', '.join(s.parts)}; fed from {feeds}", hanging="  ")
    lines += ["", *_terminal_lines(analysis), *_findings(analysis.findings)]
    return _text(lines)


def _input_lines(analysis: Analysis) -> list[str]:
    """Return H; with several inputs the transfer of each, that of ground, and their sum."""
    if len(analysis.inputs) == 1:
        return response_lines(analysis.response, "H(s)")
    lines: list[str] = []
    for row in analysis.inputs:
        lines += labelled(f"H({row.name}): from input {row.node}", _short(row.formula))
        lines += transfer_lines(row.transfer)
    lines += labelled("T(ground): everything at ground driven", _short(analysis.ground.formula))
    lines += transfer_lines(analysis.ground.transfer)
    total = " + ".join(f"H({row.name})" for row in analysis.inputs)
    lines += wrapped(f"{total} + T(ground) = {_exactly(analysis)}", hanging="  ")
    return [*lines, "", *response_lines(analysis.response, "all inputs driven alike")]


def _terminal_lines(analysis: Analysis) -> list[str]:
    numbers = analysis.response.numbers
    rows = []
    for row in analysis.terminals:
        if row.numerator is None:
            shown = shortened(str(row.formula), _TERMINAL_FORMULA)
        else:
            shown = _polynomial(row.numerator)
        held = f" (stays: {row.terminal.held})" if row.terminal.held else ""
        rows.append((str(row.terminal), row.terminal.at, shown + held))
    if numbers is None:
        lines = ["transfers T_k(s) of the terminals"]
    else:
        lines = ["transfers of the terminals: T_k(s) = N_k(s)/D(s), with"]
        lines += wrapped(f"D(s) = {_polynomial(numbers.denominator)}", "  ", "    ")
    what = "T_k" if numbers is None else "N_k"
    lines += table(("terminal", "at", what), rows)
    return [*lines, f"the sum of all T_k is {_exactly(analysis)}"]


def _exactly(analysis: Analysis) -> str:
    total = analysis.network.terminal_sum
    return f"{total} (exact)" if analysis.law_holds else f"NOT {total}: a fault of the analysis"


# -- transform -------------------------------------------------------------------------------------


def transform_text(record: TransformRecord, notes: Sequence[str] = ()) -> str:
    """Return what a chain of transformations did."""
    lines = wrapped(record.after.network.title or "circuit without a title")
    lines += [*_notes(notes), ""]
    for step in record.steps:
        lines += _step_lines(step)
    lines += ["", *response_lines(record.before, "H before")]
    lines += ["", *response_lines(record.after, "H after")]
    if record.after.numbers is not None:
        lines += _sketch_lines(record.after.numbers.transfer)
    if record.sum is not None:
        lines += ["", *labelled("H before + H after (exact)", str(record.sum))]
    lines += _findings(record.findings)
    if record.advice:
        lines += [""]
        for advice in record.advice:
            lines += wrapped(advice.text + (":" if advice.command else ""), "! ", "  ")
            lines += [f"    {advice.command}"] if advice.command else []  # whole, to be copied
    lines += ["", *part_lines(record.after.network), *wrapped(CAUTION)]
    return _text(lines)


def _step_lines(step: Step) -> list[str]:
    lines = wrapped(f"step {step}", hanging="  ")
    lines += wrapped(f"because {step.theorem}", "  ")
    for note in step.notes:
        lines += wrapped(f"note: {note}", "  ", "    ")
    return lines


# -- realise ---------------------------------------------------------------------------------------


def realise_text(
    target: Target,
    records: Sequence[RealisationRecord],
    picked: int = 1,
    asked: Asked = NOTHING,
) -> str:
    """Return the ranked circuits for a target, and the parts of the picked one.

    Parameters
    ----------
    target : Target
    records : sequence of RealisationRecord
    picked : int
    asked : Asked
        Lines to put under the target, and under each circuit.
    """
    lines = [*labelled("target", target.description), *wrapped(target.meaning, "  "), *asked.head]
    if not any(record.realisation.meets for record in records):
        lines += ["", *wrapped(_none_meets(target), "! ", "  ")]
    for record in records:
        lines += ["", *_realisation_lines(record), *asked.remarks.get(record.number, ())]
    chosen = records[picked - 1]
    parts = part_lines(chosen.realisation.network)
    lines += [*_sketch_lines(chosen.transfer, f" of circuit {picked}"), ""]
    lines += [f"parts of circuit {picked}", *parts, *wrapped(CAUTION)]
    return _text(lines)


def _none_meets(target: Target) -> str:
    phase = f" and {MEETS_DEGREES:g} degrees" if target.kind == "allpass" else ""
    return (
        f"no circuit meets the target within {MEETS_DB:g} dB (or {100 * MEETS_SHARE:g} % of the "
        f"maximum, where that is more){phase} with these series and windows: finer series "
        "(--resistors E192, --capacitors E24), wider windows or a lower order come nearer"
    )


def _realisation_lines(record: RealisationRecord) -> list[str]:
    r = record.realisation
    lines = wrapped(f"{record.number}. {r.label}", hanging="   ")
    size = f"error {r.error_db:.3g} dB, stop-band error {r.stop_error:.2g}"
    if r.allpass:
        size += f", phase error {r.phase_error:.2g} degrees"
    if not r.meets:
        size += " (misses the target)"
    elif r.error_db > MEETS_DB:
        size += f" (beside a zero: less than {100 * MEETS_SHARE:g} % of the maximum)"
    lines += wrapped(f"{size}; {count_text(r.network)}; spread {plain(r.spread)}", "   ")
    for k, use in enumerate(r.stages, start=1):
        what = f"stage {k}: {use.title}"
        if use.pairs:
            what += ", " + "; ".join(map(_pair_text, use.pairs))
        parts = ", ".join(new for _, new in use.parts)
        lines += wrapped(f"{what}: {parts}", "   ", "     ")
        lines += wrapped(f"values {use.certificate}", "     ", "       ")
        for step in use.steps:
            told = f"; {step.notes[0]}" if step.name == "swap" and step.notes else ""
            lines += wrapped(f"{step.name}{told}", "     ", "       ")
    if r.excess_db is not None:
        lines += wrapped(_mask_text(r), "   ", "     ")
    lines += wrapped(f"whole: {r.whole}", "   ", "     ")
    lines += wrapped(_level_text(r), "   ", "     ")
    if r.noise is not None:
        lines += wrapped(_noise_text(r.noise), "   ", "     ")
    if r.balanced_zeros:
        lines += wrapped(
            f"{r.balanced_zeros} zero coefficient(s) of H only while parts match", "   "
        )
    for note in r.notes:
        lines += wrapped(f"note: {note}", "   ", "     ")
    return lines


def _pair_text(pair: tuple[float, float]) -> str:
    """Return f0 and Q; of a real pole, which has one half, f0 alone."""
    w0, q = pair
    return f"f0 {format_si(w0 / (2 * pi), 'Hz')}" + ("" if q == 0.5 else f", Q {q:.4g}")


def _mask_text(r: Realisation) -> str:
    """Return how the response stands to the limits, and the yield."""
    excess = r.excess_db or 0.0
    text = f"limits passed by {excess:.3g} dB" if excess > 0 else f"margin {-excess:.3g} dB"
    if r.delay_excess is not None:
        text += f"; the delay takes {100 * (1 + r.delay_excess):.3g} % of its limit"
    if r.yield_ is not None:
        y = r.yield_
        text += f"; yield {share_text(y.value)} ({share_text(y.low)} to {share_text(y.high)})"
    if r.tolerances is not None:
        text += f" with {_tolerance_text(r.tolerances)}"
    return text


def _tolerance_text(spread: Spread) -> str:
    return (
        f"resistors of {100 * spread.resistors:g} % and capacitors of "
        f"{100 * spread.capacitors:g} %, {spread.distribution}"
    )


def _level_text(r: Realisation) -> str:
    """Return the level at every op-amp output, and what it costs."""
    levels = r.levels
    outputs = ", ".join(
        f"{o.op_amp} {20 * math.log10(max(o.peak, 1e-15)):+.1f}" for o in levels.outputs
    )
    if levels.loss_db < 0.05:
        cost = "none louder than the output or fainter in the pass band"
    else:
        cost = f"{levels.loss_db:.1f} dB of dynamic range lost"
        cost += f", {levels.headroom_db:.1f} of them headroom" if levels.headroom_db > 0.05 else ""
    return f"peak levels (dB): {outputs}; {cost}"


def _noise_text(noise: OutputNoise) -> str:
    return (
        f"noise at the output {format_si(noise.vrms, 'V', 3)} rms over "
        f"{band_words(*noise.band_hz)}, {noise.source}, {noise.temperature_k:g} K"
    )


# -- pieces ----------------------------------------------------------------------------------------


def response_lines(response: Response, label: str) -> list[str]:
    """Return H in part names, in numbers, and its kind."""
    read = f", {read_text(response.network)}" if response.network.reading.against else ""
    lines = labelled(label + read, _short(response.formula))
    n = response.numbers
    if n is None:
        return lines
    lines += transfer_lines(n.transfer)
    return [*lines, *wrapped(str(n.description), "  ", "    ")]


def _sketch_lines(transfer: Transfer, whose: str = "") -> list[str]:
    drawn = sketch(transfer)
    return ["", f"|H|{whose}, in dB over frequency", *drawn] if drawn else []


def transfer_lines(transfer: Transfer | None) -> list[str]:
    """Return gain and sections of a transfer function; nothing where there are no values."""
    if transfer is None:
        return []
    lines = wrapped(f"gain {transfer.gain:.6g}", "  ")
    for s in transfer.sections:
        lines += wrapped(f"section {_section(s)}", "  ", "    ")
    return lines


def _short(symbolic: Formula) -> str:
    return shortened(str(symbolic), _FORMULA)


def part_lines(network: Network) -> list[str]:
    """Return the parts: name, value, nodes; then the op amps with their pins."""
    rows = [
        (b.name, "-" if b.value is None else format_si(b.value, UNITS[b.power]), " ".join(b.nodes))
        for b in network.branches
    ]
    lines = table(("part", "value", "nodes"), rows) if rows else []
    for u in network.op_amps:
        lines += wrapped(f"{u.name}  op amp: + {u.plus}, - {u.minus}, out {u.out}", hanging="    ")
    return lines


def zero_text(zero: Zero, tolerance: float) -> str:
    """Return where a transmission zero is, what it needs, and what parts leave of it."""
    end = {0.0: "DC", math.inf: "infinity"}.get(zero.frequency_hz)
    place = end or format_si(zero.frequency_hz, "Hz", 5)
    where = f"at {place}"
    times = "" if zero.count == 1 else f" (order {zero.count})"
    drawn = f"with parts uniform within {tolerance * 100:g} %"
    if zero.corner_hz is not None:
        side = "below" if end == "DC" else "above"
        return (
            f"zero {where}{times}, besides the structural: balanced; {drawn} it is lost {side} "
            f"{format_si(zero.corner_hz, 'Hz', 3)}, where |H| is near {zero.floor_db:.0f} dB "
            "(medians)"
        )
    there = "" if zero.depth_db is None else f"|H| at {place} itself is near {zero.depth_db:.0f} dB"
    if zero.floor_db is None:
        kept = f"zero {where}{times}: structural, no match of parts needed"
        return f"{kept}; {drawn} it moves, and {there} (median)" if there else kept
    if not there:
        return (
            f"zero {where}{times}: balanced; {drawn} the floor, |H| there, is near "
            f"{zero.floor_db:.0f} dB (median)"
        )
    return (
        f"zero {where}{times}: balanced; {drawn} it moves: the floor, the least |H| near where it "
        f"is then, is near {zero.floor_db:.0f} dB, and {there} (medians)"
    )


def _polynomial(coefficients: Sequence[float]) -> str:
    return polynomial_text(coefficients).strip("()")


def _section(s: Section) -> str:
    w0, q = section_figures(s)
    if not s.order or not w0:
        return str(s)
    shape = "" if q is None else f", Q {q:.5g}"
    return f"{s}; f0 {format_si(w0 / (2 * pi), 'Hz', 5)}{shape}"


def _roots(roots: Sequence[complex]) -> str:
    left = list(roots)
    texts = []
    while left:
        z = left.pop(0)
        if z.imag and z.conjugate() in left:
            left.remove(z.conjugate())
            texts.append(f"{_real(z.real)} +- {abs(z.imag):.6g}j")
        elif z.imag:
            texts.append(f"{_real(z.real)} {'-' if z.imag < 0 else '+'} {abs(z.imag):.6g}j")
        else:
            texts.append(_real(z.real))
    return ", ".join(texts) or "none"


def _real(x: float) -> str:
    return "0" if math.isclose(x, 0, abs_tol=1e-30) else f"{x:.6g}"


_KINDS = ((0, "resistor"), (1, "capacitor"), (-1, "inductor"), (2, "FDNR"))


def count_text(network: Network) -> str:
    """Return how many parts of each kind there are."""
    counts = [(sum(b.power == p for b in network.branches), name) for p, name in _KINDS]
    counts.append((len(network.op_amps), "op amp"))
    return ", ".join(f"{n} {name}{'s' if n > 1 else ''}" for n, name in counts if n)


def read_text(network: Network) -> str:
    """Return where the only output is read."""
    port = network.reading
    return f"read {port}" if port.against else f"output {port}"


def _count_line(network: Network) -> list[str]:
    nodes = ", ".join(p.node for p in network.inputs)
    inputs = f"input{'' if len(network.inputs) == 1 else 's'} {nodes}"
    return wrapped(f"{count_text(network)}; {inputs}, {read_text(network)}")


def _notes(notes: Sequence[str]) -> list[str]:
    return [line for note in notes for line in wrapped(f"note: {note}", hanging="  ")]


def _findings(found: Sequence[str]) -> list[str]:
    if not found:
        return []
    return ["", *(line for text in found for line in wrapped(f"finding: {text}", hanging="  "))]


def _text(lines: Sequence[str]) -> str:
    return "\n".join(line.rstrip() for line in lines) + "\n"
