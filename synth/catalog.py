"""The catalogue: the stages that belong to the package, and those of the user's own folder.

Nothing that can be computed is believed: the published H(s) is compared with the exact analysis
of the graph, the order is the degree of the determinant in s, kind and sign are read off the
transfer at the example values.  A mistyped stage cannot be loaded.

A stage whose content is the recorded one was verified when it was recorded (``python -m
synth.generators``), and is not checked again; one that changed is, and a `StageWarning` says so.
The stages of the user's folder (the environment variable `FOLDER`) are always checked; a bad
file is warned of by name and left out, unless it is asked for.
"""

from __future__ import annotations

import json
import os
import warnings
from collections.abc import Iterable, Mapping
from functools import cache
from hashlib import blake2b
from pathlib import Path

from synth.claims import CHECKS, check_claims
from synth.errors import CatalogError, StageWarning, SynthError
from synth.stage_file import Stage, read_stage

__all__ = ["Stage", "load_stage", "names", "stage", "stages", "verify"]

#: The environment variable that names a folder of stages of one's own.
FOLDER = "SYNTH_STAGES"
#: The contents that were verified, by name of the stage, beside the stage files.
RECORD = "verified.json"


class _Library:
    """The stage files of the package and of one folder of the user's, and what was read of them."""

    def __init__(self, own: str) -> None:
        self._package = stage_files(package_stages())
        self._record = _record(package_stages() / RECORD)
        self._own = _own_files(own, self._package) if own else {}
        self.files: Mapping[str, Path] = {**self._package, **self._own}
        self._read: dict[str, Stage] = {}
        self._reading: list[str] = []

    def stage(self, name: str) -> Stage:
        """Return a stage, its claims verified."""
        if name not in self._read:
            if name not in self.files:
                advice = _advice(name, self.files)
                raise CatalogError(f"the catalogue has no stage {name!r}; {advice}")
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
        found = read_stage(self.files[name], self.stage)
        recorded = name in self._package and self._record.get(name) == recorded_as(found)
        if not recorded:
            _check(found, self.files[name])
            if name in self._package:
                warnings.warn(
                    f"stage file {self.files[name]} changed since it was verified; its claims "
                    "were checked again and hold (`python -m synth.generators` records it)",
                    StageWarning,
                    stacklevel=2,
                )
        return found

    @property
    def all(self) -> tuple[Stage, ...]:
        """Every stage, sorted by name; bad files of the user's own folder left out, with a word."""
        found = []
        for name in sorted(self.files):
            try:
                found.append(self.stage(name))
            except CatalogError as error:
                if name in self._package:
                    raise
                warnings.warn(f"left out: {error}", StageWarning, stacklevel=2)
        return tuple(found)


@cache
def _library(own: str) -> _Library:
    return _Library(own)


def _current() -> _Library:
    return _library(os.environ.get(FOLDER, ""))


# -- finding ---------------------------------------------------------------------------------------


def stages() -> tuple[Stage, ...]:
    """Return every stage of the catalogue, sorted by name.

    Raises
    ------
    CatalogError
        If a stage file of the package is wrong; the message names the file.  A wrong one of the
        user's folder is left out with a `StageWarning`.
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
    found = library.all
    for one in found:
        _check(one, library.files[one.name])
    return found


def stage(name: str) -> Stage:
    """Return the stage of that name; no other file is read but those it derives from.

    Raises
    ------
    CatalogError
        If there is none (the message names close matches) or its file is wrong.
    """
    return _current().stage(name)


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
        raise CatalogError(f"stage file {path}: {error}") from error


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

    Raises
    ------
    CatalogError
        If two files have the same name.
    """
    found: dict[str, Path] = {}
    for path in sorted(folder.rglob("*.toml")):
        if path.stem in found:
            raise CatalogError(
                f"stage files {found[path.stem]} and {path} have the same name; rename one"
            )
        found[path.stem] = path
    return found


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
            warnings.warn(
                f"left out: stage file {path} has the name of a stage of the package; rename it",
                StageWarning,
                stacklevel=2,
            )
        else:
            found[name] = path
    return found


def recorded_as(found: Stage) -> str:
    """Return what the record holds for a stage that was verified: the checks, and its content."""
    return f"{CHECKS}.{found.content}"


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


def _advice(name: str, known: Iterable[str]) -> str:
    from difflib import get_close_matches

    close = get_close_matches(name, list(known), n=3, cutoff=0.5)
    if close:
        return f"did you mean {' or '.join(close)}?"
    return "`synth catalog` lists them"
