"""The transfers from each input and from ground: with several inputs they sum to 1 too."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

from synth.analysis.loop import Loop
from synth.analysis.numbers import CommonForm, transfer
from synth.analysis.symbolic import Formula, formula
from synth.errors import NetworkError
from synth.network.model import Terminal
from synth.transfer import polynomial as exact
from synth.transfer.transfer import Transfer

#: What the terminals at the reference and the supplies are driven by.
GROUND = "ground"
#: What the terminals at ground are driven by when they and those at the input are interchanged.
COMPLEMENT = "complement"


@dataclass(frozen=True)
class InputRow:
    """The transfer from one input, the other inputs and ground at zero; or that from ground.

    Parameters
    ----------
    name, node : str
        Of the input port; ``"ground"`` and the reference for all grounded terminals together;
        ``"complement"`` and the input once they have changed places.
    formula : Formula
        The transfer in part names.
    numerator : tuple of float or None
        Over the circuit's common denominator, descending powers of s (rad/s); None without values.
    transfer : Transfer or None
        The same with common factors cancelled.
    """

    name: str
    node: str
    formula: Formula
    numerator: tuple[float, ...] | None
    transfer: Transfer | None


def input_rows(loop: Loop, form: CommonForm | None) -> tuple[InputRow, ...]:
    """Return a row for each input of the network.

    Parameters
    ----------
    loop : Loop
    form : CommonForm or None
        Of the same loop; None where parts have no values.

    Raises
    ------
    NetworkError
        If two inputs share a name.
    """
    names = [p.name for p in loop.network.inputs]
    for name in names:
        if names.count(name) > 1:
            raise NetworkError(f"two inputs are called {name!r}; give each a name of its own")
    return tuple(
        _row(loop, form, p.name, p.node, _driven(loop, p.name)) for p in loop.network.inputs
    )


def ground_row(loop: Loop, form: CommonForm | None) -> InputRow:
    """Return the transfer of everything at ground, driven together; parameters as `input_rows`."""
    return _row(loop, form, GROUND, loop.network.reference, _driven(loop, GROUND))


def _driven(loop: Loop, name: str) -> list[Terminal]:
    return [t for t in loop.network.terminals if t.at == name]


def complement_row(loop: Loop, form: CommonForm | None) -> InputRow:
    """Return the transfer of a circuit of one input with input and ground interchanged.

    None of the terminals at ground being held; where a differential output reads the input it
    goes on doing so.  Parameters as `input_rows`.
    """
    driven = [t for t in loop.network.terminals if t.at == GROUND or t.held]
    return _row(loop, form, COMPLEMENT, loop.network.input, driven)


def _row(
    loop: Loop, form: CommonForm | None, name: str, node: str, driven: Sequence[Terminal]
) -> InputRow:
    drive: Mapping[Terminal, Fraction] = dict.fromkeys(driven, Fraction(1))
    whole = loop.transfer(drive)
    symbolic = formula(whole, loop.denominators, loop.network.branches)
    if form is None:
        return InputRow(name, node, symbolic, None, None)
    total = exact.ZERO
    for t, p in form.terminals.items():
        if t in drive:
            total = exact.add(total, p)
    return InputRow(name, node, symbolic, exact.to_floats(total), transfer(loop, whole))
