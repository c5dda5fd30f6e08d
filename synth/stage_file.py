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
from synth.network.model import POWERS, UNITS, Branch, Network, OpAmp, Port
from synth.positions import Placement, read_positions
from synth.transform.follow import Follow
from synth.transform.step import Step, Transformation
from synth.transform.steps import read_step
from synth.units import parse_si

_COMMON: Mapping[str, type] = {
    "name": str,
    "title": str,
    "names": list,
    "source": str,
    "kinds": list,
    "order": int,
    "H": str,
    "example": dict,
}
_GRAPH: Mapping[str, type] = {"parts": list, "op_amps": list}
_DERIVATION: Mapping[str, type] = {"base": str, "steps": list}
_OPTIONAL: Mapping[str, type] = {
    "sign": int,
    "conditions": list,
    "remarks": list,
    "variants": dict,
    "design": dict,
    "drawing": dict,
}
_OPTIONAL_GRAPH: Mapping[str, type] = {"input": str, "output": str}
_OPTIONAL_DERIVATION: Mapping[str, type] = {"renamed": dict}
#: What the checks of a stage depend on: a change of another key needs no new verification.
_CHECKED = (
    *("name", "kinds", "order", "sign", "H", "example", "variants", "design"),
    *_GRAPH,
    *_OPTIONAL_GRAPH,
    *_DERIVATION,
    *_OPTIONAL_DERIVATION,
)
#: Raise it when the same keys come to mean another circuit, so that all is computed again.
_MEANING = 1
#: A file longer than this, in bytes, is none of a stage.
LARGEST = 1_000_000
#: A source of fewer characters names nothing.
_SHORTEST_SOURCE = 8
#: In a step ``lift=R1.1:part`` of a stage file: a share that the part values decide.
_SHARE = ":part"
_TYPE_NAMES = {str: "text", list: "a list", int: "a whole number", dict: "a table"}


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
    conditions, remarks : tuple of str
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
    data = _data(path)
    try:
        return _stage(data, stage_of)
    except SynthError as error:
        raise in_file(path, error) from error


def in_file(path: Path, error: SynthError) -> StageFileError:
    """Return an error with the file it is in; one that names a file already is left as it is."""
    if isinstance(error, StageFileError):
        return error
    return StageFileError(f"stage file {path}: {error}")


def _stage(data: Mapping[str, Any], stage_of: Callable[[str], Stage]) -> Stage:
    behind: tuple[Stage, ...] = ()
    derivation: tuple[Step, ...] = ()
    if "base" in data:
        network, derivation, behind = _derived(data, stage_of)
    else:
        network = _written_out(data)
    branches = {b.name: b for b in network.branches}
    example = _values(data["example"], branches, "example")
    missing = [n for n in branches if n not in example]
    if missing:
        raise CatalogError(f"key example: no value for {', '.join(missing)}")
    return Stage(
        name=data["name"],
        title=data["title"],
        names=_texts(data, "names"),
        source=data["source"],
        kinds=_texts(data, "kinds"),
        order=data["order"],
        sign=data.get("sign"),
        H=data["H"],
        conditions=_texts(data, "conditions"),
        remarks=_texts(data, "remarks"),
        network=network,
        example=example,
        content=_content(data, behind),
        variants={
            kind: _values(table, branches, f"variants.{kind}")
            for kind, table in data.get("variants", {}).items()
        },
        design=_text_table(data, "design"),
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
    for name, *nodes in _rows(data, "parts", 3):
        if name[0] not in POWERS:
            raise CatalogError(
                f"key parts: {name} must start with one of {', '.join(POWERS)}, its kind"
            )
        branches.append(Branch(name, POWERS[name[0]], (nodes[0], nodes[1])))
    return Network(
        branches=tuple(branches),
        op_amps=tuple(
            OpAmp(name, plus, minus, out) for name, plus, minus, out in _rows(data, "op_amps", 4)
        ),
        inputs=(Port("input", data.get("input", "in")),),
        outputs=(Port("output", data.get("output", "out")),),
        title=data["title"],
    )


def _derived(
    data: Mapping[str, Any], stage_of: Callable[[str], Stage]
) -> tuple[Network, tuple[Step, ...], tuple[Stage, ...]]:
    """Return the graph that the steps make, the steps, and the stages it is made from."""
    used = [stage_of(data["base"])]
    network = used[0].network
    steps = []
    for text in _texts(data, "steps"):
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
    rank = {network.input: 0, network.output: 2, network.reference: 3}
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
    names = _text_table(data, "renamed")
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


# -- keys ------------------------------------------------------------------------------------------


def _data(path: Path) -> dict[str, Any]:
    import tomllib

    try:
        with path.open("rb") as file:
            content = file.read(LARGEST + 1)
        if len(content) > LARGEST:
            raise StageFileError(
                f"stage file {path} is longer than {LARGEST // 1000} kB; a stage takes a few, so "
                "look whether it is the file you mean"
            )
        data = tomllib.loads(content.decode("utf-8"))
    except OSError as error:
        raise StageFileError(f"stage file {path} cannot be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise StageFileError(
            f"stage file {path} is not valid TOML: it is not UTF-8 text at byte {error.start + 1}; "
            "save it as UTF-8"
        ) from error
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise StageFileError(f"stage file {path} is not valid TOML: {error}") from error
    try:
        _check_keys(data, path.stem)
    except CatalogError as error:
        raise in_file(path, error) from error
    return data


def _check_keys(data: Mapping[str, Any], stem: str) -> None:
    derived = "base" in data or "steps" in data
    if not derived and not data.keys() & _GRAPH.keys():
        raise CatalogError(
            "it says no circuit; write parts and op_amps (a graph), or base and steps (what it "
            "derives from)"
        )
    what = "derived" if derived else "base"
    required = {**_COMMON, **(_DERIVATION if derived else _GRAPH)}
    known = {
        **required,
        **_OPTIONAL,
        **(_OPTIONAL_DERIVATION if derived else _OPTIONAL_GRAPH),
    }
    for key, value in data.items():
        if key not in known:
            raise CatalogError(
                f"unknown key {key}; the keys of a {what} stage are {', '.join(known)}"
            )
        if not isinstance(value, known[key]) or isinstance(value, bool):
            raise CatalogError(f"key {key} must be {_TYPE_NAMES[known[key]]}, not {value!r}")
    for key in required:
        if key not in data or (known[key] is str and not data[key].strip()):
            raise CatalogError(f"key {key} is missing; every {what} stage has one")
    if len(data["source"].strip()) < _SHORTEST_SOURCE:
        raise CatalogError(
            f"key source: {data['source']!r} names no source; give author, title and year, or "
            "write common practice, or from memory"
        )
    if data["name"] != stem:
        raise CatalogError(f"key name is {data['name']!r}; it must equal the file's name")


def _rows(data: Mapping[str, Any], key: str, length: int) -> list[list[str]]:
    for row in data[key]:
        good = isinstance(row, list) and len(row) == length
        if not good or not all(isinstance(x, str) and x for x in row):
            raise CatalogError(f"key {key}: {row!r} must be a list of {length} names")
    rows: list[list[str]] = data[key]
    return rows


def _texts(data: Mapping[str, Any], key: str) -> tuple[str, ...]:
    for text in data.get(key, []):
        if not isinstance(text, str) or not text:
            raise CatalogError(f"key {key}: {text!r} must be text")
    return tuple(data.get(key, []))


def _text_table(data: Mapping[str, Any], key: str) -> dict[str, str]:
    table: dict[str, str] = data.get(key, {})
    for name, text in table.items():
        if not isinstance(text, str) or not text:
            raise CatalogError(f"key {key}: {name} must be text, not {text!r}")
    return table


def _values(table: Any, branches: Mapping[str, Branch], key: str) -> dict[str, float]:
    if not isinstance(table, dict):
        raise CatalogError(f"key {key} must be a table of part values, not {table!r}")
    values = {}
    for name, text in table.items():
        if name not in branches:
            raise CatalogError(f"key {key}: no part is called {name}")
        if not isinstance(text, str):
            raise CatalogError(f"key {key}: the value of {name} must be text such as '4.7k'")
        values[name] = parse_si(text, UNITS[branches[name].power])
    return values
