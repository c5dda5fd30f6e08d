"""A signal split into bands that sum to 1, from circuits and their complements."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from synth.analysis.bias import inputs_without_dc_path
from synth.analysis.feedback import feedback
from synth.analysis.loop import analyse
from synth.errors import RealisationError, TransformError
from synth.network.model import Network
from synth.progress import Progress, portion
from synth.realisation.brief import Brief
from synth.realisation.design import Realisation
from synth.realisation.realise import realise
from synth.transfer.kinds import Description, describe
from synth.transfer.transfer import Transfer
from synth.transform.divide import complement_of, divide, output_forms, sum_is_one
from synth.transform.step import Step

#: Circuits looked at for each corner.
_TRIED = 4


@dataclass(frozen=True)
class Band:
    """One output.

    Parameters
    ----------
    name : str
    node : str
    transfer : Transfer
    description : Description
    """

    name: str
    node: str
    transfer: Transfer
    description: Description


@dataclass(frozen=True)
class Division:
    """A circuit that divides a signal into bands.

    Parameters
    ----------
    network : Network
        One output for each band.
    steps : tuple of Step
        How it was obtained.
    stages : tuple of Realisation
        The low-passes, from the lowest corner; each stands beside its complement.
    bands : tuple of Band
        From the lowest frequencies.
    sum_is_one : bool
        Whether the outputs sum to 1, checked exactly with these values.
    """

    network: Network
    steps: tuple[Step, ...]
    stages: tuple[Realisation, ...]
    bands: tuple[Band, ...]
    sum_is_one: bool


def division(briefs: Sequence[Brief], progress: Progress | None = None) -> Division:
    """Return the circuit whose bands are divided by these low-passes, and sum to 1.

    Parameters
    ----------
    briefs : sequence of Brief
        Low-passes of gain 1, by rising corner.
    progress : callable, optional
        Called with (done, total).

    Raises
    ------
    RealisationError
        If no circuit for one of them has a complement that can be built.
    """
    if not briefs:
        raise RealisationError("a division needs at least one corner; give --at")
    found = []
    for k, brief in enumerate(briefs):
        part = portion(progress, k / len(briefs), (k + 1) / len(briefs))
        offers = realise(brief, top=_TRIED, progress=part)
        usable = [r for r in offers if _has_complement(r.network)]
        if not usable:
            raise RealisationError(
                f"no circuit for {brief.target.description} has a complement that can be built; "
                "choose another order or family"
            )
        found.append(usable[0])
    names = _names(len(briefs) + 1)
    made = divide([r.network for r in found], names)
    title = "bands that sum to 1, divided by " + "; ".join(b.target.description for b in briefs)
    network = replace(made.network, title=title)
    forms = output_forms(network)
    bands = []
    for name, (n, d) in forms.items():
        h = Transfer.from_polynomials(n, d)
        bands.append(Band(name, name, h, describe(h)))
    steps = (*(s for r in found for s in r.design.derivation), made.step)
    return Division(network, steps, tuple(found), tuple(bands), sum_is_one(list(forms.values())))


def _has_complement(network: Network) -> bool:
    """Whether the complement ends at an op amp, in negative feedback, with every input biased."""
    try:
        other = complement_of(network)
    except TransformError:
        return False
    ends = any(u.out == other.output for u in other.op_amps)
    return ends and not inputs_without_dc_path(other) and feedback(analyse(other)).negative


def _names(count: int) -> tuple[str, ...]:
    if count == 2:
        return ("low", "high")
    if count == 3:
        return ("low", "mid", "high")
    return tuple(f"band{k}" for k in range(1, count + 1))
