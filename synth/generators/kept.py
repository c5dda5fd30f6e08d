"""The kept answers: read for a stage, or not at all where they belong to another content."""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import cache
from typing import Any

from synth.catalog import package_stages
from synth.generators.equations import Design
from synth.stage_file import Stage

Json = dict[str, Any]

#: File of the figures, and of the design equations, beside the stage files.
FIGURES, EQUATIONS = "figures.json", "equations.json"


def read(name: str) -> Mapping[str, Json]:
    """Return a kept file: name of the stage -> its entry; nothing where there is none."""
    try:
        found = json.loads((package_stages() / name).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


def entry(name: str, stage: Stage) -> Json | None:
    """Return what is kept for a stage; None where nothing is, or it belongs to other content."""
    found = _read_once(name).get(stage.name)
    return found if found is not None and found["content"] == stage.content else None


@cache
def _read_once(name: str) -> Mapping[str, Json]:
    return read(name)


def kept_figures(stage: Stage) -> Json | None:
    """Return the figures of a stage, as `synth.generators.figures.figures` gives them, or None."""
    found = entry(FIGURES, stage)
    return None if found is None else found["figures"]


def kept_designs(stage: Stage) -> dict[str, Design]:
    """Return the design equations of a stage by kind; empty where none are kept."""
    found = entry(EQUATIONS, stage)
    return {} if found is None else designs_of(found)


def designs_of(found: Json) -> dict[str, Design]:
    """Return the design equations of an entry of the file."""
    return {
        kind: Design(tuple((str(n), str(e)) for n, e in d["rows"]), str(d["gain"]))
        for kind, d in found["kinds"].items()
    }
