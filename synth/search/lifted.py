"""The closure of the catalogue over drives: which lifts of which loops give which kinds.

For each loop (a stage, its rc-cr mirror, its loop complement) at its example values the numerators
of the terminals are vectors, one coordinate a power of s.  A kind's numerator that lies in their
cone is a sum of at most as many of them as there are coordinates (C. Caratheodory, Math. Ann. 64
(1907) 95-115, from memory), so every minimal set of driven terminals is found by trying the small
sets.  The largest weight becomes a whole terminal, the others are split.  These structures are an
index; values come later, and a pattern without values for a target is dropped like any candidate.

The index depends on the stage files and this module's version only.  It is kept in the user's
cache folder under the hash of both, written whole or not at all, and built again when missing or
unreadable.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from itertools import combinations
from math import pi
from pathlib import Path
from tempfile import NamedTemporaryFile
from typing import Any

import numpy as np
import numpy.typing as npt

from synth.analysis.bias import inputs_without_dc_path
from synth.analysis.loop import Loop, analyse
from synth.analysis.numbers import common_form
from synth.catalog import Stage, content_hash, stages
from synth.errors import SynthError
from synth.network.equivalence import equivalent, shape_key
from synth.network.model import Network, Terminal
from synth.search.candidates import Candidate, SectionTarget, tidy
from synth.search.goal import KINDS, goal, mean_frequency
from synth.search.lift import Numerators, numerators
from synth.transform.impedance import ImpedanceSwap
from synth.transform.lift import LiftTerminals
from synth.transform.loop_complement import LoopComplement
from synth.transform.step import Step, Transformation

Array = npt.NDArray[np.float64]

#: Part of the index's key: raise it when patterns change their meaning.
VERSION = 1
#: Loops of a stage: as it is, mirrored, complemented.
CHAINS: Mapping[str, tuple[Transformation, ...]] = {
    "": (),
    "rc-cr": (ImpedanceSwap(),),
    "loop-complement": (LoopComplement(),),
}
_ZERO_AT = {"lowpass-notch": 1.5, "highpass-notch": 1 / 1.5}
_SMALL = 1e-9


@dataclass(frozen=True)
class Pattern:
    """A lifted structure.

    Parameters
    ----------
    stage, chain : str
        The stage, and the chain of `CHAINS` applied to it first.
    kind : str
        What it gives.
    whole, split : tuple of (part, pin)
        Terminals driven wholly and in part; the others are at ground.
    """

    stage: str
    chain: str
    kind: str
    whole: tuple[tuple[str, str], ...]
    split: tuple[tuple[str, str], ...]


def index() -> tuple[Pattern, ...]:
    """Return the patterns of the whole catalogue, from the cache folder when they are there."""
    return _index(content_hash())


@cache
def _index(_content: str) -> tuple[Pattern, ...]:
    path = _cache_file()
    known = _read(path)
    if known is not None:
        return known
    found = build_index(stages())
    _write(path, found)
    return found


def build_index(catalogue: Iterable[Stage]) -> tuple[Pattern, ...]:
    """Find the patterns of every stage of first and second order, each loop once."""
    found: list[Pattern] = []
    seen: dict[str, list[Network]] = {}
    for chain_name, chain in CHAINS.items():
        for stage in catalogue:
            if stage.order not in (1, 2) or stage.network.reading.against:
                continue
            loop = _loop(stage, chain)
            if loop is None or _known(loop.network, seen):
                continue
            found += _patterns(stage.name, chain_name, loop)
    return tuple(found)


def candidates_for(target: SectionTarget) -> tuple[Candidate, ...]:
    """Return the lifted candidates for the kind of a section, fewest parts first."""
    return _of_kind(kind_of(target), target.order, content_hash())


@cache
def _of_kind(kind: str, order: int, _content: str) -> tuple[Candidate, ...]:
    catalogue = {s.name: s for s in stages()}
    rows = [p for p in index() if p.kind == kind and catalogue[p.stage].order == order]
    made = (_candidate(catalogue[p.stage], p) for p in rows)
    kept: dict[str, list[Candidate]] = {}
    for c in sorted((c for c in made if c is not None), key=_size):
        bucket = kept.setdefault(shape_key(c.network), [])
        if not any(equivalent(c.network, other.network) is not None for other in bucket):
            bucket.append(c)
    return tuple(sorted((c for bucket in kept.values() for c in bucket), key=_size))


def kind_of(target: SectionTarget) -> str:
    """Return the kind of `KINDS` that a section's numerator is of; empty for none of them."""
    n, d = target.numerator, target.denominator
    present = [bool(c) for c in n]
    if present[0] and not any(present[1:]):
        return "lowpass"
    if present[-1] and not any(present[:-1]):
        return "highpass"
    mirrored = [c * (-1) ** k for k, c in enumerate(d)]
    scale = n[0] / d[0]
    if scale and all(
        abs(a - scale * b) < 1e-9 * abs(scale) for a, b in zip(n, mirrored, strict=True)
    ):
        return "allpass"
    if len(n) == 3 and present == [False, True, False]:
        return "bandpass"
    if len(n) == 3 and present == [True, False, True] and n[0] / n[2] > 0:
        ratio = n[0] * d[2] / (n[2] * d[0])
        if abs(ratio - 1) < 1e-6:
            return "bandstop"
        return "lowpass-notch" if ratio > 1 else "highpass-notch"
    return ""


# -- building ----------------------------------------------------------------------------------


def _loop(stage: Stage, chain: Sequence[Transformation]) -> Loop | None:
    network = stage.circuit()
    try:
        for transformation in chain:
            if transformation.accepts(network):
                return None
            network, _ = transformation.apply(network)
        if inputs_without_dc_path(network):
            return None
        return analyse(network)
    except SynthError:
        return None


def _known(network: Network, seen: dict[str, list[Network]]) -> bool:
    """Whether a loop equivalent to this one, its input grounded, was met before."""
    moves = {t.key: network.reference for t in network.terminals if t.at != "ground"}
    try:
        grounded = network.with_pins(moves)
    except SynthError:
        return False  # a part across the source: let the loop stand for itself
    bucket = seen.setdefault(shape_key(grounded), [])
    if any(equivalent(grounded, other) is not None for other in bucket):
        return True
    bucket.append(grounded)
    return False


def _patterns(stage: str, chain: str, loop: Loop) -> Iterator[Pattern]:
    denominator = tuple(float(c) for c in reversed(common_form(loop).denominator))
    w0 = mean_frequency(denominator)
    if len(denominator) - 1 not in (1, 2) or not denominator[-1]:
        return
    try:
        table = numerators(loop, w0)
    except SynthError:
        return  # an improper loop
    for kind in KINDS:
        at = _ZERO_AT.get(kind)
        try:
            wanted = goal(kind, denominator, None if at is None else at * w0 / 2 / pi)
        except SynthError:
            continue  # this order does not have the kind
        target = np.array(wanted.numerator)
        for whole, split in dict.fromkeys(_supports(table, target)):
            yield Pattern(stage, chain, kind, whole, split)


_Keys = tuple[tuple[str, str], ...]


def _supports(table: Numerators, target: Array) -> Iterator[tuple[_Keys, _Keys]]:
    """Yield the minimal sets of terminals whose cone holds the target, of either sign."""
    free = [k for k in range(len(table.rows)) if not table.still[k]]
    size = np.abs(table.denominator) + np.abs(table.rows).max(axis=0)
    rows, goal_row = table.rows / size, target / size
    for sign in (1.0, -1.0):
        minimal: list[frozenset[int]] = []
        for count in range(1, len(target) + 1):
            for chosen in combinations(free, count):
                if any(m <= set(chosen) for m in minimal):
                    continue
                weights = _weights(rows[list(chosen)], sign * goal_row)
                if weights is None:
                    continue
                minimal.append(frozenset(chosen))
                yield _drive(table.terminals, chosen, weights)


def _weights(rows: Array, target: Array) -> Array | None:
    """Return positive weights with which the rows add up to the target, or None."""
    found, _, rank, _ = np.linalg.lstsq(rows.T, target, rcond=None)
    if rank < len(rows) or (found <= _SMALL).any():
        return None
    if np.abs(rows.T @ found - target).max() > _SMALL * np.abs(found).max():
        return None
    return np.asarray(found)


def _drive(
    terminals: Sequence[Terminal], chosen: Sequence[int], weights: Array
) -> tuple[_Keys, _Keys]:
    largest = weights.max()
    whole = tuple(
        terminals[k].key for k, w in zip(chosen, weights, strict=True) if w > largest * (1 - 1e-9)
    )
    split = tuple(terminals[k].key for k in chosen if terminals[k].key not in whole)
    return whole, split


# -- candidates --------------------------------------------------------------------------------


def _candidate(stage: Stage, pattern: Pattern) -> Candidate | None:
    network = stage.network
    steps: list[Step] = []
    try:
        for transformation in CHAINS[pattern.chain]:
            network, step = transformation.apply(network)
            steps.append(step)
        drive = {t.key: 0.0 for t in network.terminals}
        drive.update(dict.fromkeys(pattern.whole, 1.0))
        drive.update(dict.fromkeys(pattern.split, 0.5))
        lift = LiftTerminals(tuple(drive.items()))
        network, step = lift.apply(network)
        network, tidied = tidy(network)
    except SynthError:
        return None
    candidate = Candidate(stage, (*steps, _told(step, pattern), *tidied), network)
    return candidate if not inputs_without_dc_path(network) else None


def _told(step: Step, pattern: Pattern) -> Step:
    """Say which terminals are driven; the fractions follow from the values."""
    rows = [(".".join(k), "1") for k in pattern.whole]
    rows += [(".".join(k), "in part") for k in pattern.split]
    return replace(step, arguments=tuple(rows))


def _size(candidate: Candidate) -> tuple[int, int, int]:
    branches = candidate.network.branches
    return (
        len(candidate.network.op_amps),
        sum(b.power == 1 for b in branches),
        len(branches),
    )


# -- keeping -----------------------------------------------------------------------------------


def _cache_file() -> Path:
    root = os.environ.get("XDG_CACHE_HOME") or os.path.join(os.path.expanduser("~"), ".cache")
    return Path(root) / "groundswap" / f"lifts-{VERSION}-{content_hash()}.json"


def _read(path: Path) -> tuple[Pattern, ...] | None:
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
        return tuple(_pattern(row) for row in data)
    except (OSError, ValueError, TypeError, KeyError):
        return None


def _pattern(row: Mapping[str, Any]) -> Pattern:
    def keys(name: str) -> _Keys:
        return tuple((str(part), str(pin)) for part, pin in row[name])

    stage, chain, kind = str(row["stage"]), str(row["chain"]), str(row["kind"])
    if chain not in CHAINS or kind not in KINDS:
        raise ValueError(f"no such chain or kind: {chain}, {kind}")
    return Pattern(stage, chain, kind, keys("whole"), keys("split"))


def _write(path: Path, patterns: Sequence[Pattern]) -> None:
    """Write whole or not at all; a cache that cannot be written is done without."""
    rows = [
        {"stage": p.stage, "chain": p.chain, "kind": p.kind, "whole": p.whole, "split": p.split}
        for p in patterns
    ]
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with NamedTemporaryFile(
            "w", dir=path.parent, suffix=".tmp", delete=False, encoding="utf-8"
        ) as file:
            json.dump(rows, file)
        os.replace(file.name, path)
    except OSError:
        return
