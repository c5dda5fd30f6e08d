"""From examined circuits to the record of a page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from math import inf, isfinite

from synth.checking.small_rules import snr_db
from synth.errors import NetworkError
from synth.pages.lines import (
    noise_lines,
    op_amp_lines,
    part_lines,
    root_lines,
    sensitivity_lines,
)
from synth.pages.record import CircuitPage, Netlist, Page, Quantity, StepLine, ZeroLine
from synth.pages.schematic import drawing_of
from synth.pages.words import kind_words
from synth.pages.zeros import MOST_STORAGE, zero_lines
from synth.plots.figures import figures
from synth.plots.response import comparison
from synth.plots.scales import si_text
from synth.realisation.design import Design
from synth.realisation.saved import design_text
from synth.report import mathematics as m
from synth.report.document import Block, Heading, say
from synth.report.examined import Examined
from synth.report.explain import explanation
from synth.report.explanation_steps import NO_STEP
from synth.report.explanation_story import story
from synth.report.parts_list import parts_list
from synth.report.text import CAUTION
from synth.report.variants import OpAmpChoice, variant_deck
from synth.report.version import version
from synth.target.target import realised_error
from synth.tolerances.spread import Spread
from synth.transform.step import Step

_MODEL_CAUTION = (
    "The op amps of this page are models with round figures; put the figures of your own part in "
    "before you rely on margins, noise and levels."
)


def page(circuits: Sequence[Examined], command: str = "", title: str = "") -> Page:
    """Return the record of a page about one or several circuits.

    Parameters
    ----------
    circuits : sequence of Examined
    command : str
        What makes the page again.
    title : str
        By default that of the only circuit.

    Raises
    ------
    NumberError
        If there are more circuits than one figure can tell apart.
    """
    several = len(circuits) > 1
    labels = [_letter(k) if several else "" for k in range(len(circuits))]
    made = tuple(circuit_page(c, label) for c, label in zip(circuits, labels, strict=True))
    if not title:
        title = (
            f"{len(circuits)} circuits side by side" if several else made[0].title or made[0].name
        )
    together = None
    if several:
        named = [(f"{c.label}: {_short(c.name)}", e) for c, e in zip(made, circuits, strict=True)]
        together = comparison(named)
    active = any(c.network.op_amps for c in circuits)
    cautions = (CAUTION, _MODEL_CAUTION) if active else (CAUTION,)
    printed = command.encode("utf-8", "backslashreplace").decode()
    return Page(title, made, together, cautions, printed, version())


def circuit_page(found: Examined, label: str = "") -> CircuitPage:
    """Return everything about one circuit."""
    numbers = found.analysis.numbers
    made, zeros = figures(found), zero_lines(found)
    built = Design(found.network, found.target, _derivation(found))
    return CircuitPage(
        label=label,
        name=found.name,
        title=found.network.title,
        warning=_warning(found),
        asked=_asked(found),
        formula=m.fraction(found.analysis.response.formula),
        numbers=m.ratio(numbers.numerator, numbers.denominator),
        keys=_keys(found),
        drawing=drawing_of(found.network, found.placement),
        parts=part_lines(found),
        buy=parts_list(found.network, found.wishes.spread),
        values_note=_values_note(found),
        figures=made,
        no_figures=(found.no_time,) if found.no_time else (),
        op_amp=_op_amp(found),
        findings=found.checked.findings,
        op_amps=op_amp_lines(found),
        roots=root_lines(found),
        zeros=zeros,
        zeros_note=_zeros_note(found, zeros),
        noise=noise_lines(found),
        noise_note=_noise_note(found),
        sensitivities=sensitivity_lines(found),
        sensitivity_note=_sensitivity_note(found),
        steps=tuple(StepLine(str(s), s.theorem, s.notes) for s in built.derivation),
        derivation=_story(found),
        netlists=_netlists(found),
        design=design_text(built),
        notes=found.notes,
    )


def _short(name: str) -> str:
    """Return the last part of a path."""
    return name.rstrip("/").rpartition("/")[2] or name


def _letter(k: int) -> str:
    return chr(ord("A") + k) if k < 26 else f"No. {k + 1}"


def _warning(found: Examined) -> str:
    codes = found.checked.unusable
    if not codes:
        return ""
    return (
        f"Not to be built as it stands: {' and '.join(codes)} (see the findings). The algebra "
        "holds all the same; margins, levels, noise and curves with real op amps mean nothing "
        "until that is mended."
    )


def _asked(found: Examined) -> tuple[str, ...]:
    kind = kind_words(found.H)
    if found.target is None:
        steps = [s for s in found.design.derivation if s.name != "stage"]
        made = f", made by {', then '.join(map(str, steps))}" if steps else ""
        port = found.network.reading
        read = f", read {port}" if port.against else ""
        asked = f"A circuit at hand, {found.name}{made}{read}: {kind_words(found.given)}."
        if found.preferred.choice is None or kind == kind_words(found.given):
            return (asked,)
        return (asked, f"With the values bought it is {kind}.")
    error = realised_error(found.target, found.H)
    met = "met" if error.misses <= 1 else "not met"
    return (
        f"{found.target.description}; {found.target.meaning}.",
        f"The circuit's H differs from it by up to {error.error_db:.3g} dB within 40 dB of the "
        f"maximum: {met}. It is {kind}.",
    )


def _keys(found: Examined) -> tuple[Quantity, ...]:
    facts, target = found.facts, found.target
    small, levels = facts.small, facts.levels
    error = None if target is None else realised_error(target, found.H).error_db
    first = small.roots.dominant
    margin = min((x.phase_margin_deg for x in small.margins), default=inf)
    point = small.operating_point
    network = found.network
    snr = snr_db(facts)
    counts = dict.fromkeys(("serious", "caution", "note"), 0)
    for f in found.checked.findings:
        counts[f.severity] += 1
    yield_ = found.tolerances.yield_
    usable = not found.checked.unusable
    active = bool(network.op_amps)

    def real(value: float | None) -> float | None:
        """Leave out what means nothing while the circuit cannot be used."""
        return value if usable and value is not None and isfinite(value) else None

    def shift(share: float | None) -> float | None:
        return real(_per_cent(share)) if active else None

    return (
        Quantity("findings", _counts(counts)),
        Quantity("order", float(found.H.order)),
        Quantity("op amps", float(len(network.op_amps)) if active else None),
        Quantity("parts without op amps", float(len(network.branches))),
        Quantity("f0 of the sharpest pole", None if first is None else first.f0_hz, "Hz"),
        Quantity("its Q", None if first is None else first.q),
        Quantity("largest deviation from the target", error, "dB"),
        Quantity("spread of resistors", _spread(found, 0)),
        Quantity("spread of capacitors", _spread(found, 1)),
        Quantity("shift of f0 by real op amps", shift(small.f0_shift), "%"),
        Quantity("shift of Q by real op amps", shift(small.q_shift), "%"),
        Quantity("least phase margin", real(margin), "deg"),
        Quantity("noise at the output", real(small.noise_vrms), "V", "rms"),
        Quantity("signal to noise at the largest sine", real(snr), "dB"),
        Quantity("largest sine at the input", real(levels.largest_input.value), "V", "peak"),
        Quantity(
            "offset at the output, at most",
            None if point is None else real(point.output_worst_v),
            "V",
        ),
        Quantity("least input impedance", _finite(levels.input_impedance.value), "ohm"),
        Quantity("supply current of all op amps", facts.supply_current if active else None, "A"),
        Quantity(
            "yield against the mask",
            None if yield_ is None else 100 * yield_.value,
            "%",
            ""
            if yield_ is None
            else f"(95 % sure: {100 * yield_.low:.3g} to {100 * yield_.high:.3g} %)",
        ),
    )


def _counts(counts: Mapping[str, int]) -> str:
    """Write how many findings there are of each severity."""
    words = {"serious": "serious", "caution": "cautions", "note": "notes"}
    return ", ".join(f"{n} {s if n == 1 else words[s]}" for s, n in counts.items())


def _spread(found: Examined, power: int) -> float | None:
    values = [b.value for b in found.network.branches if b.power == power and b.value]
    return max(values) / min(values) if values else None


def _per_cent(share: float | None) -> float | None:
    return None if share is None or not isfinite(share) else 100 * share


def _finite(value: float) -> float | None:
    return value if isfinite(value) else None


def _values_note(found: Examined) -> str:
    choice = found.preferred.choice
    if choice is not None:
        odd = ", ".join(found.preferred.odd)
        size = f"{choice.error:.3g} {choice.unit}" if choice.unit else f"{100 * choice.error:.3g} %"
        return (
            f"Not in {_series(found)} as given: {odd}. The preferred values, chosen near the "
            f"given ones, differ from the response of those by {size} ({choice.metric}); "
            f"{choice.certificate}."
        )
    if found.preferred.odd:
        return f"Some values are not in {_series(found)}; see the notes."
    if found.preferred.left:
        return f"Kept as given, not in {_series(found)}: {', '.join(found.preferred.left)}."
    return f"Every value is in {_series(found)} as given."


def _series(found: Examined) -> str:
    """Return the series asked for."""
    kinds = (("resistors", 0, found.wishes.resistors), ("capacitors", 1, found.wishes.capacitors))
    powers = {b.power for b in found.network.branches}
    used = [f"{series} ({word})" for word, power, series in kinds if power in powers]
    return f"the preferred series {' and '.join(used)}"


def _op_amp(found: Examined) -> str:
    model, wishes = found.model, found.wishes
    if not found.network.op_amps:
        return ""
    low, high = model.output_range
    why = "" if wishes.op_amp is not None else " (a usual class, since none was named)"
    around = found.facts.conditions
    text = (
        f"{model.name}{why}: gain-bandwidth {si_text(model.gain_bandwidth, 'Hz', 3)}, DC gain "
        f"{si_text(model.dc_gain, '', 3)}, slew rate {model.slew_rate / 1e6:.3g} V/µs, offset "
        f"{si_text(model.offset, 'V', 3)}, rails {si_text(model.supply_negative, 'V', 3)} and "
        f"{si_text(model.supply_positive, 'V', 3)}, outputs {si_text(low, 'V', 3)} to "
        f"{si_text(high, 'V', 3)}"
    )
    if around.source_resistance:
        text += f"; source {si_text(around.source_resistance, 'ohm', 3)}"
    if around.load is not None:
        text += f"; load {si_text(around.load, 'ohm', 3)}"
    return text


def _zeros_note(found: Examined, zeros: Sequence[ZeroLine]) -> str:
    if zeros:
        return ""
    if sum(b.power != 0 for b in found.network.branches) > MOST_STORAGE:
        return f"Zeros are told apart in circuits of up to {MOST_STORAGE} capacitors only."
    return "There is no zero at DC, on the axis or at infinity."


def _noise_note(found: Examined) -> str:
    n = found.facts.small.noise
    low, high = n.band_hz
    return (
        f"{si_text(n.vrms, 'V', 3)} rms at the output from {si_text(low, 'Hz', 3)} to "
        f"{si_text(high, 'Hz', 3)}; {si_text(n.spot, 'V', 3)}/√Hz at "
        f"{si_text(n.spot_hz, 'Hz', 3)}, at {n.temperature_k:g} K."
    )


def _sensitivity_note(found: Examined) -> str:
    studied = found.tolerances
    low, high = studied.band
    return (
        "f0 and Q are those of the sharpest pole, gain the largest of |H|. The share is that of "
        f"the variance of |H| from {si_text(low, 'Hz', 3)} to {si_text(high, 'Hz', 3)}, parts "
        f"{studied.spread.distribution}: the part to tighten first is on top."
    )


def _derivation(found: Examined) -> tuple[Step, ...]:
    choice = found.preferred.choice
    more = () if choice is None else choice.circuit(0)[1]
    return (*found.design.derivation, *more)


def _story(found: Examined) -> tuple[Block, ...]:
    one_pole = replace(found.model.amplifier, second_pole=inf, output_resistance=0.0)
    blocks = story(explanation(found.network, (), one_pole))
    steps = say("The steps that made the circuit stand above.") if _derivation(found) else NO_STEP
    return tuple(
        steps if b == NO_STEP else b
        for b in blocks
        if not (isinstance(b, Heading) and b.level == 1)
    )


def _netlists(found: Examined) -> tuple[Netlist, ...]:
    spread = found.wishes.spread
    plain = Spread(spread.resistors, spread.capacitors, spread.parts, spread.distribution)
    model = found.model
    wanted: list[tuple[str, OpAmpChoice, Spread | None]] = [
        ("As it stands: its own op-amp models, or ideal ones", "own", None),
        (f"With {model.name} op amps: gain, two poles, output resistance", model.amplifier, None),
        ("The same with parts that vary from run to run", model.amplifier, plain),
    ]
    if not found.network.op_amps:
        wanted = [wanted[0], (wanted[2][0], "own", plain)]
    lists = []
    for title, choice, variation in wanted:
        try:
            lists.append(Netlist(title, variant_deck(found.network, choice, variation)))
        except NetworkError as error:
            lists.append(Netlist(title, "", str(error)))
    return tuple(lists)
