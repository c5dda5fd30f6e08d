"""The catalogue: the stages that belong to the package, and those of the user's own folder.

Nothing that can be computed is believed: the published H(s) is compared with the exact analysis
of the graph, the order is the degree of the determinant in s, kind and sign are read off the
transfer at the example values.  A mistyped stage cannot be loaded.

A stage whose content is the recorded one was verified when it was recorded (``python -m
synth.generators``), and is not checked again; one that changed is, and a `StageWarning` says so.
The stages of the user's folder (the environment variable `FOLDER`) are always checked.  A bad
file is warned of by name and left out with what derives from it, unless it is asked for.
"""

from __future__ import annotations

import json
import os
import warnings
from collections.abc import Mapping, Sequence
from functools import cache
from hashlib import blake2b
from pathlib import Path

from synth.claims import CHECKS, check_claims
from synth.errors import CatalogError, StageWarning, SynthError
from synth.stage_file import Stage, read_stage
from synth.stage_keys import in_file

__all__ = ["Stage", "load_stage", "names", "stage", "stages", "verify"]

#: The environment variable that names a folder of stages of one's own.
FOLDER = "SYNTH_STAGES"
#: The contents that were verified, by name of the stage, beside the stage files.
RECORD = "verified.json"
#: At most so many stages are suggested for a mistyped name.
_SUGGESTED = 4
#: At most so many of the stages that changed are named.
_NAMED = 3


class _Library:
    """The stage files of the package and of one folder of the user's, and what was read of them."""

    def __init__(self, own: str) -> None:
        self._package = stage_files(package_stages())
        self._record = _record(package_stages() / RECORD)
        self._own = _own_files(own, self._package) if own else {}
        self.files: Mapping[str, Path] = {**self._package, **self._own}
        self._read: dict[str, Stage] = {}
        self._reading: list[str] = []
        self._changed: list[Stage] = []  # checked again, and not told yet

    def stage(self, name: str) -> Stage:
        """Return a stage, its claims verified; warn once of all that changed."""
        try:
            return self._stage(name)
        finally:
            self._tell()

    def _stage(self, name: str) -> Stage:
        if name not in self._read:
            if name not in self.files:
                raise CatalogError(f"the catalogue has no stage {name!r}; {self.advice(name)}")
            if name in self._reading:
                raise CatalogError(
                    f"stage {name} derives from itself, by way of {', '.join(self._reading)}"
                )
            self._reading.append(name)
            try:
                self._read[name] = self._verified(name)
            finally:
                self._reading.pop()
        return self._read[name]

    def _verified(self, name: str) -> Stage:
        found = read_stage(self.files[name], self._stage)
        if name not in self._package:
            _check(found, self.files[name])
        elif not self._recorded(found):
            _check(found, self.files[name])
            self._changed.append(found)
        return found

    def _tell(self) -> None:
        changed, self._changed = self._changed, []
        if changed:
            what = self._one_changed(changed[0]) if len(changed) == 1 else _many_changed(changed)
            warnings.warn(
                f"{what} were checked again and hold (`python -m synth.generators` records it)",
                StageWarning,
                stacklevel=3,
            )

    def _one_changed(self, found: Stage) -> str:
        bases = [n for n in _behind(found) if not self._recorded(self._read[n])]
        if bases:
            return (
                f"stage {found.name} derives from {', '.join(bases)}, which changed since it was "
                "verified; the claims of both"
            )
        return f"stage file {self.files[found.name]} changed since it was verified; its claims"

    def _recorded(self, found: Stage) -> bool:
        return self._record.get(found.name) == recorded_as(found)

    def read(self) -> tuple[list[Stage], dict[str, list[str]]]:
        """Return the stages that are right, by name, and each error with the stages it concerns."""
        found, wrong = [], dict[str, list[str]]()
        for name in sorted(self.files):
            try:
                found.append(self._stage(name))
            except CatalogError as error:
                wrong.setdefault(str(error), []).append(name)
        self._tell()
        return found, wrong

    @property
    def all(self) -> tuple[Stage, ...]:
        """Every stage, sorted by name; those of bad files left out, with a word."""
        found, wrong = self.read()
        for error, concerned in wrong.items():
            others = [n for n in concerned if f"{n}.toml" not in error]
            also = f" (and {', '.join(others)}, which need it)" if others else ""
            warnings.warn(f"left out{also}: {error}", StageWarning, stacklevel=2)
        return tuple(found)

    def called(self, name: str) -> str:
        """Return the stage of that name, or the only one that is also called so; else `name`."""
        if name in self.files:
            return name
        wanted = name.strip().casefold()
        found = [s.name for s in self.read()[0] if wanted in map(str.casefold, s.names)]
        if len(found) > 1:
            raise CatalogError(f"{name!r} is a name of {', '.join(found)}; choose one of them")
        return found[0] if found else name

    def advice(self, name: str) -> str:
        """Say which stages a name that none has may mean."""
        from difflib import get_close_matches

        wanted = name.strip().casefold()
        close = [n for n in sorted(self.files) if wanted and n.startswith(wanted)]
        close = close or get_close_matches(wanted, list(self.files), n=3, cutoff=0.5)
        if not close and not self._reading:
            stages = self.read()[0]
            close = [s.name for s in stages if any(wanted in n.casefold() for n in s.names)]
        if close and wanted:
            more = ", ... (`synth catalog` lists them)" if len(close) > _SUGGESTED else ""
            return f"did you mean {' or '.join(close[:_SUGGESTED])}{more or '?'}"
        return "`synth catalog` lists them"


def _many_changed(changed: Sequence[Stage]) -> str:
    shown = ", ".join(s.name for s in changed[:_NAMED])
    more = f" and {len(changed) - _NAMED} more" if len(changed) > _NAMED else ""
    return (
        f"{len(changed)} stages ({shown}{more}) changed since they were verified, or derive from "
        "one that did; their claims"
    )


def _behind(found: Stage) -> list[str]:
    """Return the stages that a derivation names."""
    cascades = [s.partition("=")[2] for s in found.steps if s.startswith("cascade=")]
    return [n for n in (found.base, *cascades) if n]


@cache
def _library(own: str) -> _Library:
    return _Library(own)


def _current() -> _Library:
    return _library(os.environ.get(FOLDER, ""))


# -- finding ---------------------------------------------------------------------------------------


def stages() -> tuple[Stage, ...]:
    """Return every stage of the catalogue, sorted by name.

    A wrong file, and what derives from it, is left out with a `StageWarning` that names the file.
    """
    return _all(os.environ.get(FOLDER, ""))


@cache
def _all(own: str) -> tuple[Stage, ...]:
    return _library(own).all


def verify() -> tuple[Stage, ...]:
    """Check the claims of every stage, whatever is recorded, and return the stages.

    Raises
    ------
    CatalogError
        If a claim does not hold; the message names the file.
    """
    library = _current()
    found, wrong = library.read()
    if wrong:
        raise CatalogError("; ".join(wrong))
    for one in found:
        _check(one, library.files[one.name])
    return tuple(found)


def stage(name: str) -> Stage:
    """Return the stage of that name, or the only one that is also called so.

    For a name of a file no other file is read but those it derives from.

    Raises
    ------
    CatalogError
        If there is none (the message names close matches) or its file is wrong.
    """
    library = _current()
    return library.stage(library.called(name))


def names() -> tuple[str, ...]:
    """Return the names of all stages, sorted, without reading the files."""
    return tuple(sorted(_current().files))


def load_stage(path: Path | str) -> Stage:
    """Read one stage file and check its claims, whatever is recorded.

    Raises
    ------
    CatalogError
        If the file cannot be read, a key is unknown, missing or of the wrong type, a value is
        unreadable, or a claim does not hold; the message names the file and the key.
    """
    path = Path(path)
    found = read_stage(path, stage)
    _check(found, path)
    return found


def _check(found: Stage, path: Path) -> None:
    try:
        check_claims(found)
    except SynthError as error:
        raise in_file(path, error) from error


# -- files -----------------------------------------------------------------------------------------


def package_stages() -> Path:
    """Return the folder of the stage files of this package, and of what is kept beside them."""
    return catalog_folder(Path(__file__).resolve().parent)


def catalog_folder(package: Path) -> Path:
    """Return the folder of the stage files that belongs to a package folder.

    Parameters
    ----------
    package : Path
        The folder of this module.

    Returns
    -------
    Path
        ``_catalog`` inside the package where it was installed from a wheel, else ``catalog``
        beside it in a checkout.

    Raises
    ------
    CatalogError
        If there is neither; a folder ``catalog`` of another package is not taken.
    """
    inside = package / "_catalog"
    if inside.is_dir():
        return inside
    beside = package.parent / "catalog"
    if beside.is_dir() and (package.parent / "pyproject.toml").is_file():
        return beside
    raise CatalogError(
        f"the stage files are missing: neither {inside} nor a checkout's {beside} is there; "
        "install the package again"
    )


def stage_files(folder: Path) -> Mapping[str, Path]:
    """Return name -> file for every stage file below `folder`.

    Files that cannot be stages (two of one name, a pipe or another thing that is no file) are left
    out with a `StageWarning` for each.
    """
    found: dict[str, list[Path]] = {}
    for path in sorted(folder.rglob("*.toml")):
        if path.is_file() or path.is_dir() or not path.exists():  # reading says what is wrong
            found.setdefault(path.stem, []).append(path)
        else:
            _left_out(f"{path} is no regular file; remove it or rename it")
    for paths in found.values():
        for path in paths[1:]:
            _left_out(f"stage files {paths[0]} and {path} have the same name; rename one")
    return {name: paths[0] for name, paths in found.items() if len(paths) == 1}


def _own_files(own: str, package: Mapping[str, Path]) -> Mapping[str, Path]:
    folder = Path(own)
    if not folder.is_dir():
        raise CatalogError(
            f"the folder of stages {own} (--stages or {FOLDER}) is no folder; make it, or leave "
            "it out"
        )
    found = {}
    for name, path in stage_files(folder).items():
        if name in package:
            _left_out(f"stage file {path} has the name of a stage of the package; rename it")
        else:
            found[name] = path
    return found


def _left_out(why: str) -> None:
    warnings.warn(f"left out: {why}", StageWarning, stacklevel=2)


def recorded_as(found: Stage) -> str:
    """Return what the record holds for a stage that was verified: the checks and all they read."""
    conditions = json.dumps(found.conditions)
    return f"{CHECKS}.{found.content}.{blake2b(conditions.encode(), digest_size=4).hexdigest()}"


def _record(path: Path) -> Mapping[str, str]:
    """Return the recorded contents; none where the record is missing or unreadable."""
    try:
        record: Mapping[str, str] = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return record if isinstance(record, dict) else {}


@cache
def _content_hash(own: str) -> str:
    total = blake2b(digest_size=16)
    for name, path in sorted(_library(own).files.items()):
        total.update(name.encode() + b"\0" + path.read_bytes() + b"\0")
    return total.hexdigest()


def content_hash() -> str:
    """Return a hash of all stage files: names and contents, in the order of the names."""
    return _content_hash(os.environ.get(FOLDER, ""))
