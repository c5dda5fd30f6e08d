"""Saved designs: a design as JSON text, and back, every key checked.

The file holds what was decided (network, target, derivation) and no figure that can be computed
from it.  Its shape is ``design_file`` in the package's ``schema.json``.
"""

from __future__ import annotations

import json
import math
import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, TypeVar

from synth.errors import FormatError, SynthError
from synth.network.model import KINDS, Bench, Branch, Network, OpAmp, Port, Source
from synth.realisation.design import Design
from synth.target.target import Target
from synth.transfer.section import Section
from synth.transfer.transfer import Transfer
from synth.transform.step import Step

#: Version of the schema of saved designs and of every answer.
VERSION = 1

Json = dict[str, Any]
_POWERS: Mapping[str, int] = {kind: power for power, kind in KINDS.items()}
_BENCH = ("sources", "decoupling", "models")
#: Keys of a bench that the first designs of this version do not have, with what they mean then.
_LATER: Mapping[str, Any] = {"op_amps": [], "cards": []}
#: The same of an output: it was read against the reference.
_LATER_OUTPUT: Mapping[str, Any] = {"against": None}
_T = TypeVar("_T")


# -- writing ---------------------------------------------------------------------------------------


def design_text(design: Design) -> str:
    """Return a design as JSON text, ending in a line feed."""
    content = {"schema": VERSION, "design": _design_json(design)}
    return json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def write_file(path: str | Path, text: str) -> None:
    """Write a text in UTF-8; see `write_bytes`."""
    write_bytes(path, text.encode())


def write_bytes(path: str | Path, content: bytes) -> None:
    """Write a file: beside its place first, then moved there in one step.

    Raises
    ------
    FormatError
        If the system refuses; nothing is left behind then.
    """
    place = Path(path).resolve()
    beside = place.with_name(f".{place.name}.{os.getpid()}.part")
    try:
        handle = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(content)
            os.replace(beside, place)
        finally:
            beside.unlink(missing_ok=True)
    except OSError as error:
        raise FormatError(
            f"{path} cannot be written: {error.strerror or error}; choose another place"
        ) from error


def _design_json(design: Design) -> Json:
    return {
        "network": _network_json(design.network),
        "target": None if design.target is None else _target_json(design.target),
        "derivation": [step_json(s) for s in design.derivation],
    }


def branch_json(b: Branch) -> Json:
    """Return a branch as a JSON object."""
    return {"name": b.name, "kind": b.kind, "nodes": list(b.nodes), "value": b.value}


def step_json(step: Step) -> Json:
    """Return a step of a derivation as a JSON object."""
    return {
        "step": step.name,
        "arguments": dict(step.arguments),
        "theorem": step.theorem,
        "map": dict(step.map),
        "notes": list(step.notes),
    }


def _network_json(n: Network) -> Json:
    bench = n.bench
    return {
        "title": n.title,
        "branches": [branch_json(b) for b in n.branches],
        "op_amps": [_op_amp_json(u) for u in n.op_amps],
        "inputs": [{"name": p.name, "node": p.node} for p in n.inputs],
        "outputs": [output_json(p) for p in n.outputs],
        "reference": n.reference,
        "supplies": list(n.supplies),
        "held": sorted(n.held),
        "bench": {
            "sources": [
                {"name": s.name, "plus": s.plus, "minus": s.minus, "text": s.text}
                for s in bench.sources
            ],
            "decoupling": [branch_json(b) for b in bench.decoupling],
            "models": [{"name": name, "text": text} for name, text in bench.models],
            "op_amps": [_op_amp_json(u) for u in bench.op_amps],
            "cards": list(bench.cards),
        },
    }


def output_json(p: Port) -> Json:
    """Return an output as a JSON object."""
    return {"name": p.name, "node": p.node, "against": p.against or None}


def _op_amp_json(u: OpAmp) -> Json:
    return {
        "name": u.name,
        "plus": u.plus,
        "minus": u.minus,
        "out": u.out,
        "supply_pins": None if u.supply_pins is None else list(u.supply_pins),
        "model": u.model,
    }


def _target_json(t: Target) -> Json:
    return {
        "kind": t.kind,
        "at_hz": t.at_hz,
        "description": t.description,
        "meaning": t.meaning,
        "gain": t.transfer.gain,
        "sections": [
            {"numerator": list(s.numerator), "denominator": list(s.denominator)}
            for s in t.transfer.sections
        ],
    }


# -- reading ---------------------------------------------------------------------------------------


def read_design(text: str, where: str = "the design") -> Design:
    """Read a saved design.

    Parameters
    ----------
    text : str
        The content of the file.
    where : str
        What the messages call it.

    Raises
    ------
    FormatError
        If it is not JSON, of another version, or a key is unknown, missing or of the wrong type;
        the message names the key by its path.
    """
    try:
        data = json.loads(text, parse_constant=_no_constant, object_pairs_hook=_unique)
    except FormatError as error:
        raise FormatError(f"{where}: {error}") from None
    except (json.JSONDecodeError, RecursionError) as error:
        reason = str(error) if isinstance(error, json.JSONDecodeError) else "it is nested too deep"
        raise FormatError(f"{where} is not JSON: {reason}; save the design again") from None
    try:
        top = _keys(data, "", ("schema", "design"))
        if top["schema"] != VERSION or isinstance(top["schema"], bool):
            raise FormatError(
                f"key schema is {json.dumps(top['schema'])}; this version of the program reads "
                f"{VERSION}"
            )
        return _design(top["design"], "design")
    except SynthError as error:
        raise FormatError(f"{where}: {error}") from None


def _no_constant(name: str) -> float:
    raise FormatError(f"{name} is no number of JSON; give a finite one")


def _unique(pairs: list[tuple[str, Any]]) -> Json:
    found = dict(pairs)
    if len(found) != len(pairs):
        keys = [k for k, _ in pairs]
        twice = next(k for k in keys if keys.count(k) > 1)
        raise FormatError(f"key {twice} stands twice in one object; keep one")
    return found


def _design(value: Any, path: str) -> Design:
    d = _keys(value, path, ("network", "target", "derivation"))
    return Design(
        _network(d["network"], f"{path}.network"),
        _optional(_target, d["target"], f"{path}.target"),
        _list(_step, d["derivation"], f"{path}.derivation"),
    )


def _network(value: Any, path: str) -> Network:
    names = ("title", "branches", "op_amps", "inputs", "outputs", "reference", "supplies")
    d = _keys(value, path, (*names, "held", "bench"))
    bench = {**_LATER, **_keys(d["bench"], f"{path}.bench", _BENCH, tuple(_LATER))}
    try:
        return Network(
            branches=_list(_branch, d["branches"], f"{path}.branches"),
            op_amps=_list(_op_amp, d["op_amps"], f"{path}.op_amps"),
            inputs=_list(_port, d["inputs"], f"{path}.inputs"),
            outputs=_list(_output, d["outputs"], f"{path}.outputs"),
            reference=_text(d["reference"], f"{path}.reference"),
            supplies=_list(_text, d["supplies"], f"{path}.supplies"),
            held=frozenset(_list(_text, d["held"], f"{path}.held")),
            title=_text(d["title"], f"{path}.title"),
            bench=Bench(
                _list(_source, bench["sources"], f"{path}.bench.sources"),
                _list(_branch, bench["decoupling"], f"{path}.bench.decoupling"),
                _list(_model, bench["models"], f"{path}.bench.models"),
                _list(_op_amp, bench["op_amps"], f"{path}.bench.op_amps"),
                _list(_text, bench["cards"], f"{path}.bench.cards"),
            ),
        )
    except FormatError:
        raise
    except SynthError as error:
        raise FormatError(f"key {path}: {error}") from None


def _branch(value: Any, path: str) -> Branch:
    d = _keys(value, path, ("name", "kind", "nodes", "value"))
    kind = _text(d["kind"], f"{path}.kind")
    if kind not in _POWERS:
        raise _wrong(f"{path}.kind", f"one of {', '.join(_POWERS)}", kind)
    nodes = _list(_text, d["nodes"], f"{path}.nodes")
    if len(nodes) != 2:
        raise _wrong(f"{path}.nodes", "a list of two nodes", d["nodes"])
    name = _text(d["name"], f"{path}.name")
    return Branch(
        name, _POWERS[kind], (nodes[0], nodes[1]), _optional(_number, d["value"], f"{path}.value")
    )


def _op_amp(value: Any, path: str) -> OpAmp:
    d = _keys(value, path, ("name", "plus", "minus", "out", "supply_pins", "model"))
    pins = None
    if d["supply_pins"] is not None:
        found = _list(_text, d["supply_pins"], f"{path}.supply_pins")
        if len(found) != 2:
            raise _wrong(f"{path}.supply_pins", "null or a list of two nodes", d["supply_pins"])
        pins = (found[0], found[1])
    name, plus, minus, out = (_text(d[k], f"{path}.{k}") for k in ("name", "plus", "minus", "out"))
    return OpAmp(name, plus, minus, out, pins, _optional(_text, d["model"], f"{path}.model"))


def _port(value: Any, path: str) -> Port:
    return Port(*_texts(value, path, ("name", "node")))


def _output(value: Any, path: str) -> Port:
    d = {**_LATER_OUTPUT, **_keys(value, path, ("name", "node"), tuple(_LATER_OUTPUT))}
    against = _optional(_text, d["against"], f"{path}.against")
    if against == "":
        raise _wrong(f"{path}.against", "a node, or null", against)
    return Port(_text(d["name"], f"{path}.name"), _text(d["node"], f"{path}.node"), against or "")


def _source(value: Any, path: str) -> Source:
    return Source(*_texts(value, path, ("name", "plus", "minus", "text")))


def _model(value: Any, path: str) -> tuple[str, str]:
    name, text = _texts(value, path, ("name", "text"))
    return name, text


def _target(value: Any, path: str) -> Target:
    d = _keys(value, path, ("kind", "at_hz", "description", "meaning", "gain", "sections"))
    kind, description, meaning = (
        _text(d[k], f"{path}.{k}") for k in ("kind", "description", "meaning")
    )
    sections = _list(_section, d["sections"], f"{path}.sections")
    transfer = Transfer(_number(d["gain"], f"{path}.gain"), sections)
    at_hz = _optional(_number, d["at_hz"], f"{path}.at_hz")
    return Target(transfer, kind, at_hz, description, meaning)


def _section(value: Any, path: str) -> Section:
    d = _keys(value, path, ("numerator", "denominator"))
    numerator, denominator = (
        _list(_number, d[k], f"{path}.{k}") for k in ("numerator", "denominator")
    )
    try:
        return Section(numerator, denominator)
    except SynthError as error:
        raise FormatError(f"key {path}: {error}") from None


def _step(value: Any, path: str) -> Step:
    d = _keys(value, path, ("step", "arguments", "theorem", "map", "notes"))
    return Step(
        _text(d["step"], f"{path}.step"),
        _pairs(d["arguments"], f"{path}.arguments"),
        _text(d["theorem"], f"{path}.theorem"),
        _pairs(d["map"], f"{path}.map"),
        _list(_text, d["notes"], f"{path}.notes"),
    )


# -- the shapes JSON has ---------------------------------------------------------------------------


def _wrong(path: str, wanted: str, value: Any) -> FormatError:
    shown = json.dumps(value, ensure_ascii=False)
    shown = shown if len(shown) <= 40 else shown[:37] + "..."
    return FormatError(f"key {path} must be {wanted}, not {shown}")


def _keys(value: Any, path: str, names: tuple[str, ...], optional: tuple[str, ...] = ()) -> Json:
    if not isinstance(value, dict):
        raise _wrong(path or "(top)", "an object", value)
    prefix = f"{path}." if path else ""
    every = (*names, *optional)
    for key in value:
        if key not in every:
            raise FormatError(f"key {prefix}{key} is unknown; the keys are {', '.join(every)}")
    for name in names:
        if name not in value:
            raise FormatError(f"key {prefix}{name} is missing; add it or save the design again")
    return value


def _list(read: Callable[[Any, str], _T], value: Any, path: str) -> tuple[_T, ...]:
    if not isinstance(value, list):
        raise _wrong(path, "a list", value)
    return tuple(read(x, f"{path}[{k}]") for k, x in enumerate(value))


def _optional(read: Callable[[Any, str], _T], value: Any, path: str) -> _T | None:
    return None if value is None else read(value, path)


def _text(value: Any, path: str) -> str:
    if not isinstance(value, str):
        raise _wrong(path, "text", value)
    return value


def _number(value: Any, path: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise _wrong(path, "a number", value)
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise _wrong(path, "a finite number", value)
    return number


def _texts(value: Any, path: str, names: tuple[str, ...]) -> list[str]:
    d = _keys(value, path, names)
    return [_text(d[n], f"{path}.{n}") for n in names]


def _pairs(value: Any, path: str) -> tuple[tuple[str, str], ...]:
    if not isinstance(value, dict):
        raise _wrong(path, "an object", value)
    return tuple((k, _text(v, f"{path}.{k}")) for k, v in value.items())
