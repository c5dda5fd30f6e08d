"""The keys of a stage file: read as TOML, each of its type, none missing and none unknown."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from synth.errors import CatalogError, StageFileError, SynthError
from synth.network.model import UNITS, Branch
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
GRAPH: Mapping[str, type] = {"parts": list, "op_amps": list}
DERIVATION: Mapping[str, type] = {"base": str, "steps": list}
_OPTIONAL: Mapping[str, type] = {
    "sign": int,
    "conditions": list,
    "remarks": list,
    "variants": dict,
    "design": dict,
    "drawing": dict,
}
OPTIONAL_GRAPH: Mapping[str, type] = {"input": str, "output": str}
OPTIONAL_DERIVATION: Mapping[str, type] = {"renamed": dict}
#: A file longer than this, in bytes, is none of a stage.
LARGEST = 1_000_000
#: A source of fewer characters names nothing.
_SHORTEST_SOURCE = 8
_TYPE_NAMES = {str: "text", list: "a list", int: "a whole number", dict: "a table"}


def in_file(path: Path, error: SynthError) -> StageFileError:
    """Return an error with the file it is in; one that names a file already is left as it is."""
    if isinstance(error, StageFileError):
        return error
    return StageFileError(f"stage file {path}: {error}")


def read_keys(path: Path) -> dict[str, Any]:
    """Return the keys of a stage file; StageFileError names the file and the key."""
    import tomllib

    try:
        with path.open("rb") as file:
            content = file.read(LARGEST + 1)
        if len(content) > LARGEST:
            raise StageFileError(
                f"stage file {path} is longer than {LARGEST // 1000} kB; a stage takes a few, so "
                "look whether it is the file you mean"
            )
        data = tomllib.loads(content.decode("utf-8-sig"))
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
    if not derived and not data.keys() & GRAPH.keys():
        raise CatalogError(
            "it says no circuit; write parts and op_amps (a graph), or base and steps (what it "
            "derives from)"
        )
    what = "derived" if derived else "base"
    required = {**_COMMON, **(DERIVATION if derived else GRAPH)}
    known = {
        **required,
        **_OPTIONAL,
        **(OPTIONAL_DERIVATION if derived else OPTIONAL_GRAPH),
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


def rows_of(data: Mapping[str, Any], key: str, length: int) -> list[list[str]]:
    """Return a list of lists of `length` names; CatalogError names the key."""
    for row in data[key]:
        good = isinstance(row, list) and len(row) == length
        if not good or not all(isinstance(x, str) and x for x in row):
            raise CatalogError(f"key {key}: {row!r} must be a list of {length} names")
    rows: list[list[str]] = data[key]
    return rows


def texts_of(data: Mapping[str, Any], key: str) -> tuple[str, ...]:
    """Return a list of texts; CatalogError names the key."""
    for text in data.get(key, []):
        if not isinstance(text, str) or not text:
            raise CatalogError(f"key {key}: {text!r} must be text")
    return tuple(data.get(key, []))


def text_table(data: Mapping[str, Any], key: str) -> dict[str, str]:
    """Return a table of texts; CatalogError names the key."""
    table: dict[str, str] = data.get(key, {})
    for name, text in table.items():
        if not isinstance(text, str) or not text:
            raise CatalogError(f"key {key}: {name} must be text, not {text!r}")
    return table


def values_of(table: Any, branches: Mapping[str, Branch], key: str) -> dict[str, float]:
    """Return a table of part values, in ohm or farad; CatalogError names the key."""
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
