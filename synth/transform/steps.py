"""The transformations from their text, as the command line and the stage files write them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from difflib import get_close_matches
from typing import NamedTuple

from synth.errors import TransformError
from synth.transform.drive import Swap
from synth.transform.impedance import ImpedanceSwap
from synth.transform.lift import LiftTerminals
from synth.transform.loop_complement import LoopComplement
from synth.transform.merge import Merge
from synth.transform.output import ReadAt
from synth.transform.prune import Prune
from synth.transform.repair import PairOpAmps
from synth.transform.scale import ScaleFrequency, ScaleImpedance
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


def _fractions(text: str) -> LiftTerminals:
    """Read ``C2.2,R1.1:0.4``: terminals with their fractions of the input, 1 where none is said."""
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


def _pins(text: str) -> PairOpAmps:
    """Read ``U2.plus:x,U3.minus:0``: op-amp input pins with the nodes they go to."""
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


#: Name -> form.
STEPS: Mapping[str, StepForm] = {
    "swap": StepForm(
        "swap, swap=STAGE",
        "input and ground interchanged: H becomes 1 - H; with STAGE only within one stage of a "
        "cascade, by its number in `synth analyse` or its parts, as in swap=R3,R4,C3,C4,U2",
        lambda x: Swap(x or ""),
    ),
    "lift": StepForm(
        "lift=C2.2,R1.1:0.4",
        "terminals (part.pin) driven by a fraction of the input, 1 where none is said, 0 for "
        "ground; the natural modes stay. `synth lift` finds the fractions for a response",
        lambda x: _fractions(x or ""),
        True,
    ),
    "rc-cr": StepForm(
        "rc-cr, rc-cr=1kHz",
        "resistors and capacitors change places: H(s) becomes H(w0^2/s), w0 by default the mean "
        "of the natural modes",
        lambda x: ImpedanceSwap(None if x is None else parse_si(x, "Hz")),
    ),
    "loop-complement": StepForm(
        "loop-complement, loop-complement=C1",
        "ground and the op-amp output interchanged around the only op amp, its inputs exchanged: "
        "another circuit with the same natural modes; driven at C1 (or C1.2, or several joined "
        "by commas), by default at the pin with the simplest numerator",
        lambda x: LoopComplement(_names(x)),
    ),
    "output": StepForm(
        "output=NODE, output=NODE,NODE",
        "the response read at another op-amp output, or between two of them or one and the input "
        "(a differential output): the natural modes stay",
        lambda x: ReadAt(x or ""),
        True,
    ),
    "pair-op-amps": StepForm(
        "pair-op-amps=U2.plus:x,U3.minus:0",
        "op-amp input pins moved to other nodes so that the ideal H stays; `synth pairings` finds "
        "those worth having",
        lambda x: _pins(x or ""),
        True,
    ),
    "scale-frequency": StepForm(
        "scale-frequency=2",
        "every frequency of the response times 2",
        lambda x: ScaleFrequency(parse_si(x or "")),
        True,
    ),
    "scale-impedance": StepForm(
        "scale-impedance=10",
        "every impedance times 10; H unchanged",
        lambda x: ScaleImpedance(parse_si(x or "")),
        True,
    ),
    "prune": StepForm("prune", "parts without effect on the output removed", lambda _: Prune()),
    "merge": StepForm("merge", "like parts in parallel made one", lambda _: Merge()),
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
