"""Drives made into networks: which terminals are at the input and which at ground.

Interchanging input and ground is the drive that gives each free terminal 1 - a instead of a.
Theorem (D. Hilberman, IEEE Trans. Circuit Theory CT-20 (1973) 540-547, from memory): in a linear
network whose op amps are ideal, the transfers of all terminals sum to 1; so H becomes 1 - H.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import TYPE_CHECKING

from synth.analysis.bias import inputs_without_dc_path
from synth.errors import TransformError
from synth.network.deck_nodes import is_zero
from synth.network.model import Network, Terminal
from synth.transform.split import PIN_RESISTANCE, split_terminals
from synth.transform.step import Step, require, unchanged_names

if TYPE_CHECKING:
    from synth.analysis.stages import CircuitStage

SWAP_THEOREM = (
    "the transfers of all terminals sum to 1 while the op amps are ideal, so driving every "
    "grounded terminal and grounding every driven one turns H into 1 - H"
)
#: By `Network.complement_sum`, where the output is differential.
DIFFERENTIAL_THEOREMS = {
    total: (
        "both nodes of a differential output rise with the terminals, so that the transfers sum "
        "to 0 while the op amps are ideal; driving every grounded terminal and grounding every "
        f"driven one{left} turns H into {into}"
    )
    for total, left, into in (
        (0, "", "-H"),
        (1, ", the output going on to read the input,", "1 - H"),
        (-1, ", the output going on to read the input,", "-1 - H"),
    )
}
STAGE_THEOREM = (
    "the stage is fed from an ideal op-amp output (or the source), so interchanging that node "
    "and ground within the stage turns its own transfer H2 into 1 - H2 and leaves the rest"
)


def apply_drive(
    network: Network,
    drive: Mapping[Terminal, Fraction | float],
    pin_resistance: float = PIN_RESISTANCE,
) -> tuple[Network, dict[str, tuple[str, ...]]]:
    """Reconnect the terminals of `network` so that it has `drive`.

    Parameters
    ----------
    network : Network
        With one input.
    drive : mapping
        Terminal -> fraction of the input: 0 to the reference, 1 to the input, between them a
        split (`synth.transform.split`); terminals not named stay.
    pin_resistance : float
        Ohm, of the divider at an op-amp input pin that is split.

    Returns
    -------
    network : Network
    parts : dict
        Old part name -> new names, for the parts that were split.

    Raises
    ------
    TransformError
        If a fraction lies outside 0..1, a held terminal is asked to move, or a terminal is not
        one of the network's.
    """
    known = {t.key: t for t in network.terminals}
    moves: dict[tuple[str, str], str] = {}
    splits: dict[Terminal, Fraction | float] = {}
    for terminal, fraction in drive.items():
        here = known.get(terminal.key)
        if here is None:
            raise TransformError(
                f"{terminal} is no terminal of this network; its terminals are "
                f"{', '.join(str(t) for t in known.values())}"
            )
        if not 0 <= fraction <= 1:
            raise TransformError(
                f"terminal {terminal} is asked for the fraction {float(fraction):g}; a fraction "
                "of the input lies between 0 (ground) and 1 (input)"
            )
        if int(here.at != "ground") == fraction:
            continue
        if here.held:
            raise TransformError(f"terminal {terminal} does not move: {here.held}")
        if fraction in (0, 1):
            moves[terminal.key] = network.input if fraction else network.reference
        else:
            splits[here] = fraction
    return split_terminals(network.with_pins(moves), splits, pin_resistance)


@dataclass(frozen=True)
class Swap:
    """Interchange input and ground, of the whole network or of one stage in place.

    Parameters
    ----------
    stage : str
        Empty for the whole; else the number of a stage, or part names joined by commas.
    """

    stage: str = ""

    def accepts(self, network: Network) -> str:
        """Return why the swap does not apply; empty when it does."""
        if len(network.inputs) != 1:
            return f"a swap needs one input; this network has {len(network.inputs)}"
        if self.stage:
            try:
                _stage_moves(network, self.stage)
            except TransformError as error:
                return str(error)
            return ""
        free = [t for t in network.terminals if not t.held]
        if not any(t.at != "ground" for t in free):
            return "no part touches the input, so there is nothing to interchange"
        if not any(t.at == "ground" for t in free):
            return (
                "no accessible ground: no part touches the reference, so the complement 1 - H "
                "would be 0 everywhere"
            )
        return ""

    def apply(self, network: Network) -> tuple[Network, Step]:
        """Return the swapped network and the step."""
        require(self, network)
        if self.stage:
            moves, feed = _stage_moves(network, self.stage)
            swapped = replace(
                network.with_pins(moves), title=f"{network.title}; stage {self.stage} swapped"
            )
            step = Step(
                "swap",
                (("stage", self.stage), ("fed from", feed)),
                STAGE_THEOREM,
                unchanged_names(network),
                _notes(network, swapped),
            )
            return swapped, step
        drive = {t: Fraction(t.at == "ground") for t in network.terminals if not t.held}
        swapped, _ = apply_drive(network, drive)
        title = f"complement of {network.title}" if network.title else "complement"
        swapped = replace(swapped, title=_untwice(title))
        moved = ", ".join(str(t) for t in drive)
        theorem = SWAP_THEOREM
        if network.reading.against:
            theorem = DIFFERENTIAL_THEOREMS[network.complement_sum]
        step = Step(
            "swap",
            (("terminals", moved),),
            theorem,
            unchanged_names(network),
            _notes(network, swapped),
        )
        return swapped, step


def _untwice(title: str) -> str:
    return title.removeprefix("complement of complement of ")


def _stage_moves(network: Network, wanted: str) -> tuple[dict[tuple[str, str], str], str]:
    """Return pin moves and the feeding node for one stage of a cascade."""
    from synth.analysis.stages import circuit_stages  # late: few swaps are of one stage

    stages = circuit_stages(network)
    by_name = {s.name: s for s in stages}
    if wanted in by_name:
        parts: tuple[str, ...] = by_name[wanted].parts
    else:
        parts = tuple(dict.fromkeys(p.strip() for p in wanted.split(",") if p.strip()))
        names = {n for s in stages for n in s.parts}
        unknown = [p for p in parts if p not in names]
        if unknown or not parts:
            listing = "; ".join(f"{s.name}: {', '.join(s.parts)}" for s in stages)
            raise TransformError(
                f"{unknown[0] if unknown else 'the empty list'} is neither a stage nor a part of "
                f"one; the stages are {listing}"
            )
    feeds = _feeds_of(network, parts)
    cut = _foreign_nodes(network, parts, feeds)
    if len(feeds) != 1 or cut:
        raise TransformError(_no_stage(parts, feeds, cut, stages))
    feed = feeds[0]
    held = {t.key for t in network.terminals if t.held}
    moves = {}
    for name, pin, node in network.pins():
        if name in parts and (name, pin) not in held and node in (feed, network.reference):
            moves[name, pin] = network.reference if node == feed else feed
    return moves, feed


def _feeds_of(network: Network, parts: tuple[str, ...]) -> list[str]:
    own = {u.out for u in network.op_amps if u.name in parts}
    sources = {network.input} | {u.out for u in network.op_amps} - own
    return list(dict.fromkeys(n for name, _, n in network.pins() if name in parts and n in sources))


def _foreign_nodes(network: Network, parts: tuple[str, ...], feeds: Sequence[str]) -> list[str]:
    """Nodes inside the stage that parts outside touch too, op-amp outputs set aside."""
    held = {*network.fixed_nodes, *feeds, *(u.out for u in network.op_amps)}
    inside = {n for name, _, n in network.pins() if name in parts} - held
    outside = (n for name, _, n in network.pins() if name not in parts and n in inside)
    return list(dict.fromkeys(outside))


def _no_stage(
    parts: tuple[str, ...], feeds: list[str], cut: list[str], stages: tuple[CircuitStage, ...]
) -> str:
    """Say why the parts are no stage, what one is, and which there are."""
    why = []
    if not feeds:
        why.append("fed from no source and from no op-amp output of other parts")
    elif len(feeds) > 1:
        why.append(f"fed from {len(feeds)} nodes, {' and '.join(feeds)}")
    if cut:
        why.append(f"sharing node{'s' * (len(cut) > 1)} {', '.join(cut)} with other parts")
    listing = "; ".join(f"{s.name}: {', '.join(s.parts)}" for s in stages)
    alone = len(parts) == 1
    head = f"part {parts[0]} is" if alone else f"the parts {', '.join(parts)} are"
    return (
        f"{head} no stage of {'its' if alone else 'their'} own: {', and '.join(why)}; a stage has "
        "one input node, driven by the source or an op-amp output, and shares no other node but "
        f"ground and op-amp outputs; its number will do as well (the stages are {listing})"
    )


def bias_note(network: Network, moved: Iterable[Terminal]) -> tuple[str, ...]:
    """Say what the source must do for DC where terminals leave a reference that is not node 0.

    Parameters
    ----------
    network : Network
        Before the drive changes.
    moved : iterable of Terminal
        The terminals that go from the reference to the input, wholly or in part.
    """
    reference = network.reference
    blocked = {b.name for b in network.branches if b.power > 0}  # capacitors pass no DC
    names = [str(t) for t in moved if t.part not in blocked]
    if is_zero(reference) or not names:
        return ()
    return (
        f"{', '.join(names)} had the DC of {reference}, and now that of the input: the source must "
        f"sit at the voltage of {reference}, or come through a capacitor to node "
        f"{network.input} with a resistor from there to {reference}",
    )


def _notes(before: Network, after: Network) -> tuple[str, ...]:
    notes = []
    kept = sorted({f"{t} ({t.held})" for t in before.terminals if t.held and t.at == "ground"})
    if kept:
        notes.append(
            f"left at ground: {', '.join(kept)}; H and its complement then sum to "
            f"{before.complement_sum} less their share"
        )
    had = set(inputs_without_dc_path(before))
    for name, pin in inputs_without_dc_path(after):
        if (name, pin) not in had:
            notes.append(f"the {pin} input of {name} now has no DC path for its bias current")
    fixed = before.fixed_nodes
    for old, new in zip(before.op_amps, after.op_amps, strict=True):
        if fixed.get(old.plus) == "ground" and new.plus != old.plus:
            notes.append(
                f"the inputs of {old.name}, at ground before, now follow the input: mind the "
                "common-mode range"
            )
    driven = {(name, pin) for name, pin, node in after.pins() if node == after.input}
    left = (t for t in before.terminals if t.at == "ground" and t.key in driven)
    return (*notes, *bias_note(before, left))
