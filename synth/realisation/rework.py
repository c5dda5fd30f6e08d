"""What must be reworked on a board to turn one circuit into another."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from synth.network.model import Network
from synth.transform.step import Step


@dataclass(frozen=True)
class Rework:
    """Counts and names.

    Parameters
    ----------
    moved : tuple of str
        Parts that stay in value and are connected elsewhere.
    changed : tuple of str
        Parts replaced by another kind or value.
    added, removed : tuple of str
        Parts of the new circuit without one of the old, and the other way round.
    rewired : tuple of str
        Op amps with a pin on another node.
    parts, op_amps : int
        Totals of the new circuit.
    """

    moved: tuple[str, ...]
    changed: tuple[str, ...]
    added: tuple[str, ...]
    removed: tuple[str, ...]
    rewired: tuple[str, ...]
    parts: int
    op_amps: int

    @property
    def total(self) -> int:
        """Operations on the board: a move or a rewired op amp 1, a new or changed part 2."""
        return (
            len(self.moved)
            + len(self.rewired)
            + len(self.removed)
            + 2 * (len(self.changed) + len(self.added))
        )


def rework(before: Network, after: Network, steps: Sequence[Step] | None) -> Rework:
    """Compare two circuits.

    Parameters
    ----------
    before, after : Network
    steps : sequence of Step or None
        The steps between them, whose maps follow the names; None for a circuit built anew.
    """
    if steps is None:
        return Rework(
            (),
            (),
            tuple(b.name for b in after.branches) + tuple(u.name for u in after.op_amps),
            (),
            (),
            len(after.branches),
            len(after.op_amps),
        )
    origin = _origins(before, steps)
    old_branches = {b.name: b for b in before.branches}
    old_amps = {u.name: u for u in before.op_amps}
    moved, changed, added = list[str](), list[str](), list[str]()
    reused: set[str] = set()
    for b in after.branches:
        old = old_branches.get(origin.get(b.name, ""))
        if old is None or old.name in reused:
            added.append(b.name)
            continue
        reused.add(old.name)
        same_value = old.value is not None and b.value is not None
        same_value = same_value and abs((b.value or 0) / (old.value or 1) - 1) < 1e-9
        if old.power != b.power or not same_value:
            changed.append(b.name)
        elif set(old.nodes) != set(b.nodes):
            moved.append(b.name)
    rewired = []
    for u in after.op_amps:
        amp = old_amps.get(origin.get(u.name, ""))
        if amp is None:
            added.append(u.name)
        elif (amp.plus, amp.minus, amp.out) != (u.plus, u.minus, u.out):
            rewired.append(u.name)
    alive = {origin.get(x.name) for x in after.branches} | {
        origin.get(x.name) for x in after.op_amps
    }
    removed = [n for n in (*old_branches, *old_amps) if n not in alive]
    return Rework(
        tuple(moved),
        tuple(changed),
        tuple(added),
        tuple(removed),
        tuple(rewired),
        len(after.branches),
        len(after.op_amps),
    )


def _origins(before: Network, steps: Sequence[Step]) -> dict[str, str]:
    """Map each new name to the name in `before` that it comes from."""
    names = [b.name for b in before.branches] + [u.name for u in before.op_amps]
    origin = {n: n for n in names}
    for step in steps:
        origin = {new: origin[old] for old, new in step.map if old in origin}
    return origin
