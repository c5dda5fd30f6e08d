"""Bands that sum to 1: every stage beside its own complement.

A circuit and the same circuit with input and ground interchanged, fed alike, give H and 1 - H
(D. Hilberman, IEEE Trans. Circuit Theory CT-20 (1973) 540-547, from memory).  Splitting what is
left again and again,

    H1,  (1 - H1) H2,  (1 - H1)(1 - H2) H3,  ...  and the rest,

gives bands whose sum is 1 whatever the H are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from synth.analysis.loop import analyse
from synth.analysis.numbers import common_form
from synth.errors import TransformError
from synth.network.model import POWERS, Branch, Network, OpAmp, Port
from synth.transfer import polynomial as exact
from synth.transfer.polynomial import Poly
from synth.transform.cascade import node_names
from synth.transform.drive import Swap
from synth.transform.prune import Prune
from synth.transform.step import Step

THEOREM = (
    "a circuit and its complement, fed alike, add up to what feeds them; so do the bands that "
    "each rest is split into"
)
_LETTERS = {power: letter for letter, power in POWERS.items()}


@dataclass(frozen=True)
class Divided:
    """A circuit with several outputs.

    Parameters
    ----------
    network : Network
        Outputs in the order of the bands: what the first stage passes, what the second passes
        of the rest, and so on; the rest last.
    step : Step
    """

    network: Network
    step: Step


def complement_of(stage: Network) -> Network:
    """Return the stage with input and ground interchanged, parts without effect taken out.

    Raises
    ------
    TransformError
        If the swap does not apply.
    """
    swapped, _ = Swap().apply(stage)
    pruned, _ = Prune().apply(swapped)
    return pruned if len(pruned.branches) < len(swapped.branches) else swapped


def divide(stages: Sequence[Network], names: Sequence[str]) -> Divided:
    """Build the circuit that divides its input into bands.

    Parameters
    ----------
    stages : sequence of Network
        With values, each ending at an op-amp output, as must its complement: what passes the
        first is the first band.
    names : sequence of str
        Of the bands, one more than there are stages.

    Raises
    ------
    TransformError
        If there is no stage, a name is missing, or a stage does not end at an op-amp output.
    """
    if not stages or len(names) != len(stages) + 1 or len(set(names)) < len(names):
        raise TransformError("a division needs stages, and one more band name than stages")
    branches: list[Branch] = []
    op_amps: list[OpAmp] = []
    counters: dict[str, int] = {}
    table: list[tuple[str, str]] = []
    feed = "in"
    for k, stage in enumerate(stages, start=1):
        rest = names[-1] if k == len(stages) else f"r{k}"
        other = complement_of(stage)
        for what, network, end in (("", stage, names[k - 1]), ("'", other, rest)):
            if all(u.out != network.output for u in network.op_amps):
                raise TransformError(
                    f"stage {k} of a division does not end at an op-amp output; take one that does"
                )
            called = {}
            for name, letter in (
                *((b.name, _LETTERS[b.power]) for b in network.branches),
                *((u.name, "U") for u in network.op_amps),
            ):
                counters[letter] = counters.get(letter, 0) + 1
                called[name] = f"{letter}{counters[letter]}"
            number = 2 * k - (not what)
            placed = network.renamed(called, node_names(network, feed, end, number))
            branches += placed.branches
            op_amps += placed.op_amps
            table += [(f"{k}{what}.{old}", new) for old, new in called.items()]
        feed = rest
    whole = Network(
        branches=tuple(branches),
        op_amps=tuple(op_amps),
        inputs=(Port("input", "in"),),
        outputs=tuple(Port(name, name) for name in names),
        title=f"bands {', '.join(names)}",
    )
    step = Step("divide", (("stages", str(len(stages))),), THEOREM, tuple(table))
    return Divided(whole, step)


def output_forms(network: Network) -> dict[str, tuple[Poly, Poly]]:
    """Return output -> exact numerator and denominator of its transfer, ascending powers.

    Raises
    ------
    NetworkError
        If a part has no value.
    """
    found = {}
    for port in network.outputs:
        form = common_form(analyse(replace(network, outputs=(port,))))
        found[port.name] = (form.numerator, form.denominator)
    return found


def sum_is_one(forms: Sequence[tuple[Poly, Poly]]) -> bool:
    """Say whether fractions of polynomials add up to 1, exactly."""
    top: Poly = ()
    under: Poly = (Fraction(1),)
    for n, d in forms:
        top = exact.add(exact.mul(top, d), exact.mul(n, under))
        under = exact.mul(under, d)
    return top == under
