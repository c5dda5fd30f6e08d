"""The kept answers: read for a stage, or not at all where they belong to another content."""

from __future__ import annotations

import json
import warnings
from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from hashlib import blake2b
from typing import Any

from synth.catalog import package_stages, stage
from synth.errors import StageWarning
from synth.generators.equations import Design
from synth.network.equivalence import without_parallels
from synth.stage_file import Stage, transformation_of

Json = dict[str, Any]

#: File of the figures, and of the design equations, beside the stage files.
FIGURES, EQUATIONS = "figures.json", "equations.json"
#: File of the derived circuits that have no name, with their figures.
DERIVED = "derived.json"
_SIGN = "sign"


def read(name: str) -> Mapping[str, Json]:
    """Return a kept file: name of the stage -> its entry; nothing where there is none.

    An entry that is not as it was written is left out with a `StageWarning`.
    """
    path = package_stages() / name
    try:
        rows = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    if not isinstance(rows, dict):
        return {}
    found = {k: row for k, row in rows.items() if isinstance(row, dict) and signed(row) == row}
    if changed := sorted(rows.keys() - found.keys()):
        more = f" and {len(changed) - 1} more" if len(changed) > 1 else ""
        warnings.warn(
            f"{path} was changed by hand: the entry {changed[0]!r}{more} is left out (`python -m "
            "synth.generators` computes it again)",
            StageWarning,
            stacklevel=2,
        )
    return found


def signed(row: Json) -> Json:
    """Return an entry with a hash of all it says, which shows when it is changed by hand."""
    said = {k: v for k, v in row.items() if k != _SIGN}
    text = json.dumps(said, sort_keys=True)
    return {**said, _SIGN: blake2b(text.encode(), digest_size=6).hexdigest()}


def entry(name: str, of: Stage) -> Json | None:
    """Return what is kept for a stage; None where nothing is, or it belongs to other content."""
    found = _read_once(name).get(of.name)
    return found if found is not None and current(found, of.content) else None


def current(row: Json, content: str) -> bool:
    """Say whether an entry belongs to a content, and is by kind as entries are written now."""
    return bool(row["content"] == content and "kinds" in row)


@cache
def _read_once(name: str) -> Mapping[str, Json]:
    return read(name)


def kept_figures(of: Stage, kind: str | None = None) -> Json | None:
    """Return the figures of a kind of a stage, by default its first; None where none are kept.

    They are those of `synth.generators.figures.figures`.
    """
    found = entry(FIGURES, of) or entry(DERIVED, of)
    figures: Mapping[str, Json] = {} if found is None else found["kinds"]
    return figures.get(of.kinds[0] if kind is None else kind)


def derived_circuits(kind: str | None, order: int | None, op_amps: int | None) -> list[Stage]:
    """Return the kept circuits that no stage of the catalogue is, as stages without an example.

    Parameters
    ----------
    kind, order, op_amps : optional
        Only those.
    """
    found = []
    for name, row in read(DERIVED).items():
        base = stage(row["base"])
        wanted = ((kind, row["kind"]), (order, base.order), (op_amps, len(base.network.op_amps)))
        if base.content == row["content"] and all(a is None or a == b for a, b in wanted):
            found.append(derived_stage(base, name, tuple(row["steps"]), row["kind"]))
    return found


def derived_stage(base: Stage, name: str, steps: tuple[str, ...], kind: str) -> Stage:
    """Return the circuit that the steps make of a stage, like parts in parallel made one.

    It has no example.
    """
    network = base.network
    for text in steps:
        network, _ = transformation_of(text, stage, []).apply(network)
    return replace(
        base,
        name=name,
        title=f"{base.title}, lifted to a {kind}",
        names=(),
        kinds=(kind,),
        sign=None,
        H="",
        conditions=(),
        remarks=(),
        network=without_parallels(network),
        example={},
        variants={},
        design={},
        base=base.name,
        steps=steps,
    )


def kept_designs(of: Stage) -> dict[str, Design]:
    """Return the design equations of a stage by kind; empty where none are kept."""
    found = entry(EQUATIONS, of)
    return {} if found is None else designs_of(found)


def designs_of(found: Json) -> dict[str, Design]:
    """Return the design equations of an entry of the file."""
    return {
        kind: Design(tuple((str(n), str(e)) for n, e in d["rows"]), str(d["gain"]))
        for kind, d in found["kinds"].items()
    }
