"""Derived circuits without a name: the lifts of every loop that no stage of the catalogue is.

Like parts in parallel are one part, in a lift as in a stage; so merged, a circuit that is a stage,
or an earlier one of its kind, is left out.
They are those that ``synth realise`` searches through (`synth.search.lifted`).  Figures are kept
for circuits of second order with at most `MOST_OP_AMPS` op amps.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from synth.generators.figures import figures
from synth.generators.kept import current, derived_stage, signed
from synth.network.equivalence import equivalent, shape_key, without_parallels
from synth.network.model import Network
from synth.search.candidates import Candidate, SectionTarget
from synth.search.lifted import candidates_for
from synth.stage_file import Stage, transformation_of

Json = dict[str, Any]

#: Circuits with more op amps have no figures kept.
MOST_OP_AMPS = 2
#: Kind -> a numerator of it over D = s**2 + s/5 + 1, ascending.
ASKED = {
    "lowpass": (1.0, 0.0, 0.0),
    "highpass": (0.0, 0.0, 1.0),
    "bandpass": (0.0, 0.2, 0.0),
    "bandstop": (1.0, 0.0, 1.0),
    "allpass": (1.0, -0.2, 1.0),
    "lowpass-notch": (2.0, 0.0, 1.0),
    "highpass-notch": (1.0, 0.0, 2.0),
}


def derived(catalogue: Sequence[Stage]) -> Iterator[tuple[str, Stage]]:
    """Yield (kind, circuit) for every derived circuit without a name."""
    named: dict[str, list[Network]] = {}
    for s in catalogue:
        _add(named, without_parallels(s.network))
    for kind, numerator in ASKED.items():
        known = {key: list(networks) for key, networks in named.items()}
        target = SectionTarget(numerator, (1.0, 0.2, 1.0), 1e4, True)
        for candidate in candidates_for(target):
            network = without_parallels(candidate.network)
            if len(network.op_amps) > MOST_OP_AMPS or not _add(known, network):
                continue
            steps = steps_text(candidate)
            name = " ".join((candidate.stage.name, *steps))
            yield kind, derived_stage(candidate.stage, f"{kind}: {name}", steps, kind)


def _add(known: dict[str, list[Network]], network: Network) -> bool:
    """Add a network to those known, by their shapes; False where it is one of them."""
    alike = known.setdefault(shape_key(network), [])
    if any(equivalent(network, n) is not None for n in alike):
        return False
    alike.append(network)
    return True


def steps_text(candidate: Candidate) -> tuple[str, ...]:
    """Return the steps of a candidate as stage files write them."""
    network = candidate.stage.network
    texts = []
    for step in candidate.steps:
        if step.name == "lift":
            driven = dict(step.arguments)
            ends = [f"{t}" + ("" if a == "1" else ":part") for t, a in driven.items()]
            left = [t for t in network.terminals if t.at != "ground" and str(t) not in driven]
            texts.append("lift=" + ",".join([*ends, *(f"{t}:0" for t in left)]))
        elif step.name == "loop-complement":
            texts.append("loop-complement=" + dict(step.arguments)["drive"].replace(" ", ""))
        else:
            texts.append(step.name)
        network, _ = transformation_of(texts[-1], lambda name: candidate.stage, []).apply(network)
    return tuple(texts)


def derived_json(catalogue: Sequence[Stage], kept: dict[str, Json]) -> Iterator[tuple[str, Json]]:
    """Yield the entries of the file, those kept already as they are."""
    for kind, circuit in derived(catalogue):
        known = kept.get(circuit.name)
        if known is None or not current(known, circuit.content):
            known = signed(
                {
                    "content": circuit.content,
                    "base": circuit.base,
                    "steps": list(circuit.steps),
                    "kind": kind,
                    "kinds": figures(circuit, {}),
                }
            )
        yield circuit.name, known
