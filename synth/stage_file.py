"""Stage files: what one holds, and how it is read.

A stage file is data (TOML).  A *base* stage writes its graph out; a *derived* one names the stage
it comes from and the steps that make it, and gets its graph from them.  Both then say the same:
the published transfer function, its source, and what the stage claims to be.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from hashlib import blake2b
from pathlib import Path
from typing import Any

from synth.analysis.loop import Loop, analyse
from synth.errors import CatalogError, StageFileError, SynthError
from synth.network.model import POWERS, Branch, Network, OpAmp, Port
from synth.positions import Placement, read_positions
from synth.stage_keys import (
    DERIVATION,
    GRAPH,
    OPTIONAL_DERIVATION,
    OPTIONAL_GRAPH,
    in_file,
    read_keys,
    rows_of,
    text_table,
    texts_of,
    values_of,
)
from synth.transform.follow import Follow
from synth.transform.step import Step, Transformation
from synth.transform.steps import read_step

#: What the checks of a stage depend on: a change of another key needs no new verification.
_CHECKED = (
    *("name", "kinds", "order", "sign", "H", "example", "variants", "design"),
    *GRAPH,
    *OPTIONAL_GRAPH,
    *DERIVATION,
    *OPTIONAL_DERIVATION,
)
#: Raise it when the same keys come to mean another circuit, so that all is computed again.
_MEANING = 1
#: In a step ``lift=R1.1:part`` of a stage file: a share that the part values decide.
_SHARE = ":part"


@dataclass(frozen=True)
class Stage:
    """A named circuit of the literature.

    Parameters
    ----------
    name : str
        Identifier; the name of its file.
    title : str
        One line for people.
    names : tuple of str
        Other names in the literature.
    source : str
        Where it was published.
    kinds : tuple of str
        What it can be (keys of `synth.claims.STAGE_KINDS`): the first with the values of
        `example`, each further one with those of `variants`.
    order : int
        Number of natural modes: degree of the determinant in s.
    sign : int or None
        Sign of the pass-band gain (at DC, at infinity for a high-pass, at the centre for a
        band-pass); None where it depends on the values.
    H : str
        The published transfer function in s and the part names.
    conditions : tuple of str
        For people, and checked as far as `synth.statements` reads them.
    remarks : tuple of str
        For people.
    network : Network
        The graph, without values.
    example : mapping
        Part -> value in ohm or farad, from preferred series.
    content : str
        Hash of all that the checks of the stage depend on, its base included.
    variants : mapping
        Kind -> part -> value: what changes in the example to make that kind.
    design : mapping
        Published design equations: name -> expression, in the order they are worked out.
    base : str
        The stage it derives from; empty for a base stage.
    steps : tuple of str
        The steps from `base`, as the stage file writes them.
    derivation : tuple of Step
        The same steps as they were applied.
    placement : Placement or None
        Where the symbols of its schematic stand; None where the layout is automatic.
    """

    name: str
    title: str
    names: tuple[str, ...]
    source: str
    kinds: tuple[str, ...]
    order: int
    sign: int | None
    H: str
    conditions: tuple[str, ...]
    remarks: tuple[str, ...]
    network: Network
    example: Mapping[str, float]
    content: str
    variants: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    design: Mapping[str, str] = field(default_factory=dict)
    base: str = ""
    steps: tuple[str, ...] = ()
    derivation: tuple[Step, ...] = ()
    placement: Placement | None = None

    @cached_property
    def loop(self) -> Loop:
        """The exact analysis of `network`."""
        return analyse(self.network)

    def circuit(self, kind: str | None = None) -> Network:
        """Return the network with the example's values, or those that make it `kind`.

        Raises
        ------
        CatalogError
            If the stage does not claim that kind.
        """
        if kind is not None and kind not in self.kinds:
            raise CatalogError(f"stage {self.name} is no {kind}; it can be {', '.join(self.kinds)}")
        changes = self.variants.get(kind, {}) if kind is not None else {}
        return self.network.with_values({**self.example, **changes})


def read_stage(path: Path, stage_of: Callable[[str], Stage]) -> Stage:
    """Read one stage file; its claims are not checked yet.

    Parameters
    ----------
    path : Path
    stage_of : callable
        Gives the stages that a derivation names.

    Raises
    ------
    StageFileError
        If the file cannot be read, a key is unknown, missing or of the wrong type, a value is
        unreadable, or a step does not apply; the message names the file and the key.
    """
    data = read_keys(path)
    try:
        return _stage(data, stage_of)
    except SynthError as error:
        raise in_file(path, error) from error


def _stage(data: Mapping[str, Any], stage_of: Callable[[str], Stage]) -> Stage:
    behind: tuple[Stage, ...] = ()
    derivation: tuple[Step, ...] = ()
    if "base" in data:
        network, derivation, behind = _derived(data, stage_of)
    else:
        network = _written_out(data)
    branches = {b.name: b for b in network.branches}
    example = values_of(data["example"], branches, "example")
    missing = [n for n in branches if n not in example]
    if missing:
        raise CatalogError(f"key example: no value for {', '.join(missing)}")
    return Stage(
        name=data["name"],
        title=data["title"],
        names=texts_of(data, "names"),
        source=data["source"],
        kinds=texts_of(data, "kinds"),
        order=data["order"],
        sign=data.get("sign"),
        H=data["H"],
        conditions=texts_of(data, "conditions"),
        remarks=texts_of(data, "remarks"),
        network=network,
        example=example,
        content=_content(data, behind),
        variants={
            kind: values_of(table, branches, f"variants.{kind}")
            for kind, table in data.get("variants", {}).items()
        },
        design=text_table(data, "design"),
        base=data.get("base", ""),
        steps=tuple(data.get("steps", ())),
        derivation=derivation,
        placement=read_positions(data["drawing"], network) if "drawing" in data else None,
    )


def _content(data: Mapping[str, Any], behind: Sequence[Stage]) -> str:
    checked = {key: data[key] for key in _CHECKED if key in data}
    text = json.dumps([_MEANING, checked, [s.content for s in behind]], sort_keys=True)
    return blake2b(text.encode(), digest_size=12).hexdigest()


# -- the graph -------------------------------------------------------------------------------------


def _written_out(data: Mapping[str, Any]) -> Network:
    branches = []
    for name, *nodes in rows_of(data, "parts", 3):
        if name[0] not in POWERS:
            raise CatalogError(
                f"key parts: {name} must start with one of {', '.join(POWERS)}, its kind"
            )
        branches.append(Branch(name, POWERS[name[0]], (nodes[0], nodes[1])))
    return Network(
        branches=tuple(branches),
        op_amps=tuple(
            OpAmp(name, plus, minus, out) for name, plus, minus, out in rows_of(data, "op_amps", 4)
        ),
        inputs=(Port("input", data.get("input", "in")),),
        outputs=(_read_at(data.get("output", "out")),),
        title=data["title"],
    )


def _read_at(text: str) -> Port:
    """Return the output: a node, or two joined by a comma, the first read against the second."""
    nodes = [n.strip() for n in text.split(",")]
    if not all(nodes) or len(nodes) > 2:
        raise CatalogError(f"key output: {text!r} must be a node, or two joined by a comma")
    return Port("output", *nodes)


def _derived(
    data: Mapping[str, Any], stage_of: Callable[[str], Stage]
) -> tuple[Network, tuple[Step, ...], tuple[Stage, ...]]:
    """Return the graph that the steps make, the steps, and the stages it is made from."""
    used = [stage_of(data["base"])]
    network = used[0].network
    steps = []
    for text in texts_of(data, "steps"):
        try:
            network, step = transformation_of(text, stage_of, used).apply(network)
        except StageFileError:
            raise
        except SynthError as error:
            raise CatalogError(f"key steps: {text}: {error}") from error
        steps.append(step)
    if not steps:
        raise CatalogError("key steps: there is none; a stage that derives from another has steps")
    renamed = network.renamed(_new_names(data, network))
    place = {name: k for k, name in enumerate(data["example"])}
    branches = sorted(
        (_oriented(b, renamed) for b in renamed.branches),
        key=lambda b: place.get(b.name, len(place)),
    )
    op_amps = sorted(renamed.op_amps, key=lambda u: u.name)
    graph = replace(renamed, branches=tuple(branches), op_amps=tuple(op_amps), title=data["title"])
    return graph, tuple(steps), tuple(used)


def _oriented(b: Branch, network: Network) -> Branch:
    """Return the part with its pins in the direction of the signal: input first, ground last."""
    rank = dict.fromkeys(network.read_nodes, 2) | {network.input: 0, network.reference: 3}
    first, second = (rank.get(n, 1) for n in b.nodes)
    return replace(b, nodes=(b.nodes[1], b.nodes[0])) if first > second else b


def transformation_of(
    text: str, stage_of: Callable[[str], Stage], used: list[Stage]
) -> Transformation:
    """Return the transformation of a step as stage files write it.

    Parameters
    ----------
    text : str
        As on the command line; a share that the part values decide is written ``:part``, and
        ``cascade=NAME`` puts another stage behind.
    stage_of : callable
        Gives that stage.
    used : list of Stage
        That stage is added to it.
    """
    name, _, argument = text.partition("=")
    if name == "cascade":
        used.append(stage_of(argument))
        return Follow(used[-1].network, argument)
    # the graph has no values, so a share of a part is any number between 0 and 1
    return read_step(text.replace(_SHARE, ":0.5"))


def _new_names(data: Mapping[str, Any], network: Network) -> dict[str, str]:
    names = text_table(data, "renamed")
    kinds = {b.name: b.power for b in network.branches}
    op_amps = {u.name for u in network.op_amps}
    for old, new in names.items():
        if old not in kinds and old not in op_amps:
            raise CatalogError(
                f"key renamed: the steps leave no part {old}; the parts are "
                f"{', '.join((*kinds, *sorted(op_amps)))}"
            )
        if old in kinds and POWERS.get(new[0]) != kinds[old]:
            raise CatalogError(
                f"key renamed: {old} cannot be called {new}; the first letter is its kind"
            )
    return names
