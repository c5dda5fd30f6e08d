"""Candidates: the catalogue and its swaps and rc-cr mirrors, equivalent circuits dropped.

Structure comes before numbers: a candidate shows which coefficients of N and D can exist and
with which signs, and most are out before any equation is solved.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from synth.analysis.bias import inputs_without_dc_path
from synth.analysis.loop import analyse
from synth.analysis.terms import Terms, terms_of
from synth.catalog import Stage
from synth.errors import SingularError
from synth.network.equivalence import equivalent, shape_key
from synth.network.model import Branch, Network
from synth.transform.drive import Swap
from synth.transform.impedance import ImpedanceSwap
from synth.transform.merge import TIDY, Merge
from synth.transform.prune import Prune
from synth.transform.step import Step, Transformation

#: Chains of transformations tried on every stage, shortest first.
CHAINS: tuple[tuple[Transformation, ...], ...] = (
    (),
    (Swap(),),
    (ImpedanceSwap(),),
    (ImpedanceSwap(), Swap()),
)


@dataclass(frozen=True)
class Candidate:
    """One circuit without values.

    Parameters
    ----------
    stage : Stage
        Where it comes from.
    steps : tuple of Step
        How it was obtained from the stage; empty for the stage itself.
    network : Network
        Without values.
    """

    stage: Stage
    steps: tuple[Step, ...]
    network: Network

    @cached_property
    def terms(self) -> Terms:
        """Monomials of N and D."""
        return terms_of(analyse(self.network))

    @property
    def order(self) -> int:
        """Degree of D in s."""
        return len(self.terms.denominator) - 1

    @property
    def label(self) -> str:
        """Stage name and steps, for a reader."""
        chain = "".join(f" + {s.name}" for s in self.steps if s.name not in TIDY)
        return f"{self.stage.name}{chain}"

    @property
    def buffered(self) -> bool:
        """Whether the output is an op-amp output."""
        return any(u.out == self.network.output for u in self.network.op_amps)


@dataclass(frozen=True)
class SectionTarget:
    """Coefficients a circuit must have, ascending powers, denominator monic in s/w0.

    Parameters
    ----------
    numerator, denominator : tuple of float
        Over the normalised s/w0; the same length, zeros where a power is absent.
    w0 : float
        Normalising angular frequency, rad/s.
    free_gain : bool
        Whether the numerator is wanted up to a constant of either sign only.
    """

    numerator: tuple[float, ...]
    denominator: tuple[float, ...]
    w0: float
    free_gain: bool = False

    @property
    def order(self) -> int:
        """Degree of the denominator."""
        return len(self.denominator) - 1


def derivations(stage: Stage) -> tuple[Candidate, ...]:
    """Return the stage under every chain that applies, as candidates.

    Circuits in which an op-amp input has no DC path, or whose equations are singular, are left
    out.  A stage with a differential output has no candidate: a target is a response against the
    signal's ground.
    """
    if stage.network.reading.against:
        return ()
    bare = replace(stage.network, branches=_without_values(stage.network))
    found = (_derived(stage, bare, chain) for chain in CHAINS)
    return tuple(c for c in found if c is not None)


@dataclass(frozen=True)
class Search:
    """What the catalogue has for one section.

    Parameters
    ----------
    candidates : tuple of Candidate
        Those whose structure allows the target, fewest steps first, equivalent ones dropped.
    obstacles : mapping
        Obstacle -> number of candidates of the right order that failed by it.
    """

    candidates: tuple[Candidate, ...]
    obstacles: Mapping[str, int]


def search(closure: Iterable[Candidate], target: SectionTarget) -> Search:
    """Sift the closure of the catalogue by structure for one section.

    Of equivalent circuits the one with the fewest steps is kept.
    """
    kept: dict[str, list[Candidate]] = {}
    failed: dict[str, int] = {}
    for candidate in sorted(closure, key=lambda c: len(c.steps)):
        reason = obstacle(candidate, target)
        if reason:
            failed[reason] = failed.get(reason, 0) + 1
            continue
        bucket = kept.setdefault(shape_key(candidate.network), [])
        if not any(equivalent(candidate.network, c.network) for c in bucket):
            bucket.append(candidate)
    return Search(tuple(c for bucket in kept.values() for c in bucket), failed)


def _without_values(network: Network) -> tuple[Branch, ...]:
    return tuple(replace(b, value=None) for b in network.branches)


def _derived(stage: Stage, network: Network, chain: Sequence[Transformation]) -> Candidate | None:
    steps: list[Step] = []
    for transformation in chain:
        if transformation.accepts(network):
            return None
        network, step = transformation.apply(network)
        steps.append(step)
    if chain:
        network, tidied = tidy(network)
        steps += tidied
    if inputs_without_dc_path(network):
        return None
    candidate = Candidate(stage, tuple(steps), network)
    try:
        terms = candidate.terms
    except SingularError:
        return None
    return candidate if terms.numerator.any() else None


def tidy(network: Network) -> tuple[Network, list[Step]]:
    """Return the network without idle parts and like parts in parallel, and the steps it took."""
    steps = []
    for transformation in (Prune(), Merge()):
        smaller, step = transformation.apply(network)
        if len(smaller.branches) != len(network.branches):
            network = smaller
            steps.append(step)
    return network, steps


def negated(target: SectionTarget) -> SectionTarget:
    """Return the target with the other sign."""
    return replace(target, numerator=tuple(-c if c else 0.0 for c in target.numerator))


def obstacle(candidate: Candidate, target: SectionTarget) -> str:
    """Return why the candidate's structure cannot give the target; empty when it may."""
    if target.free_gain:
        signs = [replace(target, free_gain=False), negated(replace(target, free_gain=False))]
        reasons = [obstacle(candidate, t) for t in signs]
        return "" if "" in reasons else reasons[0]
    terms = candidate.terms
    if candidate.order != target.order:
        return "order"
    if not terms.denominator[0].any() or not terms.denominator[-1].any():
        return "order"
    for row, wanted in zip(terms.denominator, target.denominator, strict=True):
        if _clash(row, wanted):
            return "denominator"
    rows = terms.numerator
    for row, wanted in zip(rows, target.numerator, strict=True):
        if wanted and not row.any():
            return "numerator"
    for row, wanted in zip(rows, target.numerator, strict=True):
        if _clash(row, wanted):
            return "sign" if wanted else "numerator"
    return ""


def _clash(row: npt.NDArray[np.float64], wanted: float) -> bool:
    """Whether a sum of these signed monomials can never have the wanted sign."""
    positive, negative = bool((row > 0).any()), bool((row < 0).any())
    if wanted == 0:
        return positive != negative
    return not (positive if wanted > 0 else negative)
