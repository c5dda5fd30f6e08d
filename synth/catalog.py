"""The stage files: reading them, and checking every claim they make by exact analysis.

A stage file is data (TOML): the graph, the published transfer function, its source and what the
stage claims to be.  Nothing that can be computed is believed: the published H(s) is compared
with the exact analysis of the graph, the order is the degree of the determinant in s, kind and
sign are read off the transfer at the example values.  A mistyped stage cannot be loaded.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cache
from hashlib import blake2b
from pathlib import Path
from typing import Any

from synth.analysis.loop import Loop, analyse
from synth.claims import STAGE_KINDS, equals_published, kind_of, modes_order, response, sign_of
from synth.errors import CatalogError, SynthError
from synth.network.model import POWERS, UNITS, Branch, Network, OpAmp, Port
from synth.positions import Placement, read_positions
from synth.units import parse_si

_REQUIRED: Mapping[str, type] = {
    "name": str,
    "title": str,
    "names": list,
    "source": str,
    "kinds": list,
    "order": int,
    "H": str,
    "parts": list,
    "op_amps": list,
    "example": dict,
}
_OPTIONAL: Mapping[str, type] = {
    "sign": int,
    "conditions": list,
    "remarks": list,
    "input": str,
    "output": str,
    "variants": dict,
    "drawing": dict,
}
_TYPE_NAMES = {str: "text", list: "a list", int: "a whole number", dict: "a table"}


@dataclass(frozen=True)
class Stage:
    """A named circuit of the literature, its claims checked.

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
        What it can be (keys of `STAGE_KINDS`): the first with the values of `example`, each
        further one with those of `variants`.
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
    variants : mapping
        Kind -> part -> value: what changes in the example to make that kind.
    placement : Placement or None
        Where the symbols of its schematic stand; None where the layout is automatic.
    loop : Loop
        The exact analysis of `network`.
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
    variants: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    placement: Placement | None = None
    loop: Loop = field(repr=False, compare=False, kw_only=True)

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


# -- finding ---------------------------------------------------------------------------------------


def stages() -> tuple[Stage, ...]:
    """Return every stage of the catalogue, sorted by name, claims checked (cached).

    Raises
    ------
    CatalogError
        If a stage file is wrong; the message names the file.
    """
    return tuple(stage(name) for name in sorted(_files()))


@cache
def stage(name: str) -> Stage:
    """Return the stage of that name, claims checked (cached); no other file is read.

    Raises
    ------
    CatalogError
        If there is none (the message names close matches) or its file is wrong.
    """
    files = _files()
    if name not in files:
        raise CatalogError(f"the catalogue has no stage {name!r}; {_advice(name, files)}")
    return load_stage(files[name])


def names() -> tuple[str, ...]:
    """Return the names of all stages, sorted, without reading the files."""
    return tuple(sorted(_files()))


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


@cache
def _files() -> Mapping[str, Path]:
    return stage_files(catalog_folder(Path(__file__).resolve().parent))


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


@cache
def content_hash() -> str:
    """Return a hash of all stage files: names and contents, in the order of the names."""
    total = blake2b(digest_size=16)
    for name, path in _files().items():
        total.update(name.encode() + b"\0" + path.read_bytes() + b"\0")
    return total.hexdigest()


def _advice(name: str, known: Iterable[str]) -> str:
    from difflib import get_close_matches

    close = get_close_matches(name, list(known), n=3, cutoff=0.5)
    if close:
        return f"did you mean {' or '.join(close)}?"
    return "`synth catalog` lists them"


# -- reading ---------------------------------------------------------------------------------------


def load_stage(path: Path | str) -> Stage:
    """Read one stage file and check its claims.

    Raises
    ------
    CatalogError
        If the file cannot be read, a key is unknown, missing or of the wrong type, a value is
        unreadable, or a claim does not hold; the message names the file and the key.
    """
    path = Path(path)
    data = _read(path)
    try:
        network = _network(data)
        branches = {b.name: b for b in network.branches}
        example = _values(data["example"], branches, "example")
        missing = [n for n in branches if n not in example]
        if missing:
            raise CatalogError(f"key example: no value for {', '.join(missing)}")
        variants = {
            kind: _values(table, branches, f"variants.{kind}")
            for kind, table in data.get("variants", {}).items()
        }
        result = Stage(
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
            variants=variants,
            placement=read_positions(data["drawing"], network) if "drawing" in data else None,
            loop=analyse(network),
        )
        _check_claims(result)
    except SynthError as error:
        raise CatalogError(f"stage file {path}: {error}") from error
    return result


def _read(path: Path) -> dict[str, Any]:
    import tomllib

    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise CatalogError(f"stage file {path} cannot be read: {error.strerror}") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise CatalogError(f"stage file {path} is not valid TOML: {error}") from error
    known = {**_REQUIRED, **_OPTIONAL}
    for key, value in data.items():
        if key not in known:
            raise CatalogError(
                f"stage file {path}: unknown key {key}; the keys are {', '.join(known)}"
            )
        if not isinstance(value, known[key]) or isinstance(value, bool):
            raise CatalogError(
                f"stage file {path}: key {key} must be {_TYPE_NAMES[known[key]]}, not {value!r}"
            )
    for key in _REQUIRED:
        if key not in data or (data[key] == "" and known[key] is str):
            raise CatalogError(f"stage file {path}: key {key} is missing; every stage has one")
    if data["name"] != path.stem:
        raise CatalogError(
            f"stage file {path}: key name is {data['name']!r}; it must equal the file's name"
        )
    return data


def _network(data: Mapping[str, Any]) -> Network:
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


# -- checking the claims ---------------------------------------------------------------------------


def _check_claims(stage: Stage) -> None:
    if not equals_published(stage.loop, stage.H):
        raise CatalogError(
            f"key H: {stage.H} is not what the analysis of the graph gives; a part, a node or "
            "the formula is mistyped"
        )
    order = modes_order(stage.loop)
    if stage.order != order:
        raise CatalogError(f"key order: {stage.order} claimed, but the graph has {order} modes")
    if not stage.kinds or any(k not in STAGE_KINDS for k in stage.kinds):
        raise CatalogError(
            f"key kinds: {list(stage.kinds)} must name one or more of {', '.join(STAGE_KINDS)}"
        )
    if set(stage.variants) != set(stage.kinds[1:]):
        raise CatalogError(
            "key variants: it must have one table for each kind after the first, here "
            f"{', '.join(stage.kinds[1:]) or 'none'}"
        )
    for kind in stage.kinds:
        _check_values(stage, kind)


def _check_values(stage: Stage, kind: str) -> None:
    where = f"variants.{kind}" if kind in stage.variants else "example"
    n, d = response(stage.loop, stage.circuit(kind))
    found = kind_of(n, d)
    if found != kind:
        raise CatalogError(
            f"key {where}: with these values the stage is no {kind} ({STAGE_KINDS[kind]}); "
            f"it is of the kind {found} ({STAGE_KINDS[found]})"
        )
    sign = sign_of(n, d, kind)
    if stage.sign is not None and stage.sign != sign:
        raise CatalogError(
            f"key sign: {stage.sign} claimed, but the pass-band gain has sign {sign} with the "
            f"values of {where}"
        )
