"""Write the kept answers: ``python -m synth.generators [WHAT ...] [--all]``.

WHAT is verified, equations, figures or derived; by default everything, in this order.  Every
stage is verified first, and recorded.  What belongs to the present content of a stage is left as
it is, unless ``--all`` is given.
"""

from __future__ import annotations

import json
import os
import sys
import warnings
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from synth.catalog import RECORD, package_stages, recorded_as, stage, stage_files, verify
from synth.errors import StageWarning
from synth.generators.derived import derived_json
from synth.generators.equations import designs
from synth.generators.figures import figures
from synth.generators.kept import (
    DERIVED,
    EQUATIONS,
    FIGURES,
    Json,
    current,
    designs_of,
    read,
    signed,
)
from synth.stage_file import Stage

_ALL = "--all"
_WHAT = ("verified", "equations", "figures", "derived")


def main(arguments: Sequence[str]) -> int:
    """Write what is asked for, everything by default; return the exit status."""
    wrong = [a for a in arguments if a not in (*_WHAT, _ALL)]
    if wrong:
        print(f"there is no {wrong[0]!r}; write {', '.join(_WHAT)} or {_ALL}", file=sys.stderr)
        return 2
    chosen = [a for a in arguments if a in _WHAT] or list(_WHAT)
    warnings.simplefilter("ignore", StageWarning)  # what changed is about to be recorded
    verify()
    catalogue = [stage(name) for name in sorted(stage_files(package_stages()))]
    write(package_stages() / RECORD, {s.name: recorded_as(s) for s in catalogue})
    again = _ALL in arguments
    if "equations" in chosen:
        renew(EQUATIONS, catalogue, _equations, again)
    if "figures" in chosen:
        renew(FIGURES, catalogue, _figures, again)
    if "derived" in chosen:
        kept = {} if again else dict(read(DERIVED))
        found: dict[str, Json] = {}
        for name, row in derived_json(catalogue, kept):
            found[name] = row
            if name not in kept:
                print(f"{DERIVED}: {name}", flush=True)
                write(package_stages() / DERIVED, {**kept, **found})
        write(package_stages() / DERIVED, found)
    return 0


def renew(
    name: str, catalogue: Sequence[Stage], answer: Callable[[Stage], Json], again: bool
) -> None:
    """Compute the entries of a kept file that are missing or stale, and write it."""
    kept = {} if again else read(name)
    found: dict[str, Json] = {}
    for one in catalogue:
        known = kept.get(one.name)
        if known is None or not current(known, one.content):
            known = signed({"content": one.content, **answer(one)})
            print(f"{name}: {one.name}", flush=True)
            write(package_stages() / name, {**kept, **found, one.name: known})  # keep what is done
        found[one.name] = known
    write(package_stages() / name, found)


def _equations(stage: Stage) -> Json:
    found = designs(stage)
    return {"kinds": {k: {"rows": d.rows, "gain": d.gain} for k, d in found.items()}}


def _figures(stage: Stage) -> Json:
    known = read(EQUATIONS).get(stage.name)
    return {"kinds": figures(stage, {} if known is None else designs_of(known))}


def write(path: Path, data: Mapping[str, object]) -> None:
    """Write a file whole or not at all, an entry a line."""
    rows = [f"{json.dumps(k)}: {json.dumps(v, sort_keys=True)}" for k, v in sorted(data.items())]
    temporary = path.with_suffix(".tmp")
    temporary.write_text("{\n" + ",\n".join(rows) + "\n}\n", encoding="utf-8")
    os.replace(temporary, path)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
