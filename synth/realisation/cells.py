"""A circuit cut into cells whose transfers multiply, each a choice of values of its own.

A cut lies where all of the signal passes one op-amp output: an ideal output does not feel what
it drives, so the parts behind it have no effect on the transfer before it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from synth.analysis.loop import analyse
from synth.analysis.stages import CircuitStage, circuit_stages
from synth.analysis.terms import Terms, terms_of
from synth.errors import NetworkError, TargetError
from synth.network.model import Network, Port
from synth.search.candidates import SectionTarget

Array = npt.NDArray[np.float64]

#: A coefficient smaller than this share of the sum of its monomials' sizes is zero by balance.
BALANCE = 1e-9


@dataclass(frozen=True, eq=False)
class Cell:
    """One cell: a network of its own, from the node that feeds it to the node it drives.

    Parameters
    ----------
    name : str
        "1", "2", ... in the order of the signal.
    network : Network
    """

    name: str
    network: Network

    @cached_property
    def terms(self) -> Terms:
        """Monomials of N and D."""
        return terms_of(analyse(self.network))

    @property
    def order(self) -> int:
        """Degree of N and D."""
        return len(self.terms.denominator) - 1

    @cached_property
    def idle(self) -> tuple[str, ...]:
        """Parts that have no effect on the transfer, whatever their value."""
        exponents = self.terms.exponents
        same = np.ptp(exponents, axis=0) == 0 if len(exponents) else np.array([], dtype=bool)
        return tuple(n for n, x in zip(self.terms.names, same, strict=True) if x)

    @property
    def parts(self) -> tuple[str, ...]:
        """Parts whose values matter."""
        return tuple(n for n in self.terms.names if n not in self.idle)

    def own_target(self, values: Mapping[str, float]) -> SectionTarget:
        """Return the exact response at these values as a target.

        Raises
        ------
        NetworkError
            If a part has no value.
        TargetError
            If D has a coefficient that is not positive: an integrator, or an unstable cell.
        """
        missing = [n for n in self.terms.names if n not in values]
        if missing:
            raise NetworkError(
                f"no value for {', '.join(missing)}; give every part a value, or say the target"
            )
        logs = np.log(np.array([[values[n] for n in self.terms.names]]))
        monomials = np.exp(logs @ self.terms.exponents.T)[0]
        rows = self.terms.matrix
        found, size = rows @ monomials, np.abs(rows) @ monomials
        found[np.abs(found) <= BALANCE * size] = 0.0
        n, d = np.split(found, 2)
        return normalised(n, d, f"stage {self.name} ({', '.join(self.parts)})")


def normalised(n: Array, d: Array, what: str) -> SectionTarget:
    """Return N and D (ascending, in s of rad/s) with s in units of the pole frequency.

    Raises
    ------
    TargetError
        If a coefficient of D is not positive, or N is zero.
    """
    order = len(d) - 1
    if not (d > 0).all():
        kind = "is an integrator" if order and not d[0] else "is not stable"
        raise TargetError(
            f"{what} {kind}, so its response is no target to choose values for; choose them for a "
            "circuit that closes the loop"
        )
    if not n.any():
        raise TargetError(f"{what} passes nothing; there are no values to choose")
    w0 = float((d[0] / d[-1]) ** (1 / order)) if order else 1.0
    scale = w0 ** (np.arange(order + 1.0) - order) / d[-1]
    return SectionTarget(tuple((n * scale).tolist()), tuple((d * scale).tolist()), w0)


def cells_of(network: Network) -> tuple[Cell, ...]:
    """Cut a network into its cells; those without parts (followers) are left out.

    Raises
    ------
    NetworkError
        If the network has several inputs or outputs, or no part that matters.
    SingularError
        If its equations have no unique solution.
    """
    feed = network.input
    stages = _on_the_way(network, circuit_stages(network))
    drives = [_driven(network, s) for s in stages]
    found: list[Cell] = []
    run: list[CircuitStage] = []
    for k, stage in enumerate(stages):
        run.append(stage)
        later = {n for s in stages[k + 1 :] for n in s.feeds}
        done = {n for d in drives[: k + 1] for n in d} | {network.input}
        crossing = (later & done) | (network.read_nodes & done)
        if k + 1 < len(stages) or not network.reading.against:
            if len(crossing) != 1 or feed in crossing:
                continue
            end = Port("output", next(iter(crossing)))
        else:  # what it reads in parts before is the feed of this one
            end = network.reading
        cell = Cell(str(len(found) + 1), _part(network, run, feed, end))
        run, feed = [], end.node
        if cell.network.branches and cell.parts:
            found.append(cell)
    if not found:
        raise NetworkError(
            f"no value matters for the response of {network.title or 'the circuit'}; it has no "
            "parts to choose"
        )
    return tuple(found)


def _driven(network: Network, stage: CircuitStage) -> set[str]:
    """Nodes of a stage that others may use: its op-amp outputs, and the circuit's output."""
    found = {u.out for u in network.op_amps if u.name in stage.parts}
    touched = {n for b in network.branches if b.name in stage.parts for n in b.nodes}
    touched |= {
        n for u in network.op_amps if u.name in stage.parts for n in (u.plus, u.minus, u.out)
    }
    foreign = {u.out for u in network.op_amps} - found
    return found | (network.read_nodes & (touched - foreign - {network.input}))


def _on_the_way(network: Network, stages: tuple[CircuitStage, ...]) -> list[CircuitStage]:
    """Leave out stages that do not lead to the output."""
    kept: list[CircuitStage] = []
    wanted = set(network.read_nodes)
    for stage in reversed(stages):
        if wanted & _driven(network, stage):
            kept.append(stage)
            wanted |= set(stage.feeds)
    return kept[::-1]


def _part(network: Network, run: list[CircuitStage], feed: str, end: Port) -> Network:
    names = {n for s in run for n in s.parts}
    return replace(
        network,
        branches=tuple(b for b in network.branches if b.name in names),
        op_amps=tuple(u for u in network.op_amps if u.name in names),
        inputs=(Port("input", feed),),
        outputs=(end,),
        held=network.held & names,
        bench=type(network.bench)(),
    )
