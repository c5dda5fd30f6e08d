"""The transformations from their text, as the command line and the stage files write them.

A transformation is imported when a step names it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from difflib import get_close_matches
from typing import NamedTuple

from synth.errors import TransformError
from synth.transform.step import Transformation
from synth.units import parse_si


class StepForm(NamedTuple):
    """How a step is written, what it does, and how it is made from what follows the ``=``."""

    form: str
    meaning: str
    make: Callable[[str | None], Transformation]
    needs_value: bool = False


def _names(text: str | None) -> tuple[str, ...]:
    return tuple(n.strip() for n in (text or "").split(",") if n.strip())


def _swap(text: str | None) -> Transformation:
    from synth.transform.drive import Swap

    return Swap(text or "")


def _lift(text: str | None) -> Transformation:
    """Read ``C2.2,R1.1:0.4``: terminals with their fractions of the input, 1 where none is said."""
    from synth.transform.lift import LiftTerminals

    found: dict[tuple[str, str], float] = {}
    for item in _names(text):
        name, colon, fraction = item.partition(":")
        part, dot, pin = name.strip().rpartition(".")
        if not dot or not part or not pin:
            raise TransformError(
                f"{item!r} names no terminal; write part.pin, or part.pin:fraction, as in "
                "lift=C2.2,R1.1:0.4 (`synth analyse` lists the terminals)"
            )
        if (part, pin) in found:
            raise TransformError(f"terminal {part}.{pin} is named twice; give it one fraction")
        found[part, pin] = parse_si(fraction) if colon else 1.0
    return LiftTerminals(tuple(found.items()))


def _rc_cr(text: str | None) -> Transformation:
    from synth.transform.impedance import ImpedanceSwap

    return ImpedanceSwap(None if text is None else parse_si(text, "Hz"))


def _loop_complement(text: str | None) -> Transformation:
    from synth.transform.loop_complement import LoopComplement

    return LoopComplement(_names(text))


def _output(text: str | None) -> Transformation:
    from synth.transform.output import ReadAt

    return ReadAt(text or "")


def _pair_op_amps(text: str | None) -> Transformation:
    """Read ``U2.plus:x,U3.minus:0``: op-amp input pins with the nodes they go to."""
    from synth.transform.repair import PairOpAmps

    found = []
    for item in _names(text):
        terminal, colon, node = item.partition(":")
        name, dot, pin = terminal.partition(".")
        if not (colon and node and dot):
            raise TransformError(
                f"{item!r} names no op-amp pin and node; write them as in pair-op-amps=U2.plus:x"
            )
        found.append(((name.strip(), pin.strip()), node.strip()))
    return PairOpAmps(tuple(found))


def _scale_frequency(text: str | None) -> Transformation:
    from synth.transform.scale import ScaleFrequency

    return ScaleFrequency(parse_si(text or ""))


def _scale_impedance(text: str | None) -> Transformation:
    from synth.transform.scale import ScaleImpedance

    return ScaleImpedance(parse_si(text or ""))


def _prune(_: str | None) -> Transformation:
    from synth.transform.prune import Prune

    return Prune()


def _merge(_: str | None) -> Transformation:
    from synth.transform.merge import Merge

    return Merge()


#: Name -> form.
STEPS: Mapping[str, StepForm] = {
    "swap": StepForm(
        "swap, swap=STAGE",
        "input and ground interchanged: H becomes 1 - H; with STAGE only within one stage of a "
        "cascade, by its number in `synth analyse` or its parts, as in swap=R3,R4,C3,C4,U2",
        _swap,
    ),
    "lift": StepForm(
        "lift=C2.2,R1.1:0.4",
        "terminals (part.pin) driven by a fraction of the input, 1 where none is said, 0 for "
        "ground; the natural modes stay. `synth lift` finds the fractions for a response",
        _lift,
        True,
    ),
    "rc-cr": StepForm(
        "rc-cr, rc-cr=1kHz",
        "resistors and capacitors change places: H(s) becomes H(w0^2/s), w0 by default the mean "
        "of the natural modes",
        _rc_cr,
    ),
    "loop-complement": StepForm(
        "loop-complement, loop-complement=C1",
        "ground and the op-amp output interchanged around the only op amp, its inputs exchanged: "
        "another circuit with the same natural modes; driven at C1 (or C1.2, or several joined "
        "by commas), by default at the pin with the simplest numerator",
        _loop_complement,
    ),
    "output": StepForm(
        "output=NODE, output=NODE,NODE",
        "the response read at another op-amp output, or between two of them or one and the input "
        "(a differential output): the natural modes stay",
        _output,
        True,
    ),
    "pair-op-amps": StepForm(
        "pair-op-amps=U2.plus:x,U3.minus:0",
        "op-amp input pins moved to other nodes so that the ideal H stays; `synth pairings` finds "
        "those worth having",
        _pair_op_amps,
        True,
    ),
    "scale-frequency": StepForm(
        "scale-frequency=2",
        "every frequency of the response times 2",
        _scale_frequency,
        True,
    ),
    "scale-impedance": StepForm(
        "scale-impedance=10",
        "every impedance times 10; H unchanged",
        _scale_impedance,
        True,
    ),
    "prune": StepForm("prune", "parts without effect on the output removed", _prune),
    "merge": StepForm("merge", "like parts in parallel made one", _merge),
}
_WITHOUT_VALUE = ("prune", "merge")


def read_step(text: str) -> Transformation:
    """Return the transformation that a step of the command line names.

    Raises
    ------
    TransformError
        If there is no such step (the message names the close one), or its argument is missing.
    NumberError
        If its number cannot be read.

    Examples
    --------
    >>> read_step("rc-cr=1kHz")
    ImpedanceSwap(frequency_hz=1000.0)
    """
    name, equals, argument = text.partition("=")
    if name not in STEPS:
        close = get_close_matches(name, STEPS, n=1)
        advice = f"did you mean {close[0]}? " if close else ""
        raise TransformError(
            f"there is no step {name!r}; {advice}the steps are "
            f"{', '.join(s.form for s in STEPS.values())}"
        )
    step = STEPS[name]
    if (equals and not argument) or (step.needs_value and not equals):
        raise TransformError(f"step {name} needs a value after =; write it as {step.form}")
    if equals and name in _WITHOUT_VALUE:
        raise TransformError(f"step {name} takes no value; write it as {step.form}")
    return step.make(argument if equals else None)
