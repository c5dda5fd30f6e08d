"""Loop complement: ground and the op-amp output interchanged, the op amp's inputs exchanged.

Theorem: let the network around one op amp, with its source at zero, take the op amp's output to
its inputs by t+(s) and t-(s).  Where ground and the output change places in that network its
nodes have 1 - t instead of t, and an op amp with its inputs exchanged sees
``(1 - t-) - (1 - t+) = t+ - t-``: the same loop gain, so the same natural modes for every
amplifier gain.  The zeros are another matter: the new ground pins are the terminals of the new
loop, and one of them must be driven.  It is not the interchange of input and ground.

Source: A. S. Sedra, J. L. Espinoza, IEEE Trans. Circuits Syst. CAS-22 (1975) 122-130; A. S.
Sedra, K. C. Smith, Microelectronic Circuits, Oxford University Press, chapter on filters (from
memory).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import NamedTuple

from synth.analysis.bias import inputs_without_dc_path
from synth.analysis.loop import Loop, analyse, expanded
from synth.errors import TransformError
from synth.network.model import Network, Terminal
from synth.transform.step import Step, require, unchanged_names

THEOREM = (
    "with ground and the op-amp output interchanged in the network around the op amp its "
    "transfers t become 1 - t, and with the op amp's inputs exchanged the loop gain is what it "
    "was; so the natural modes stay, for every amplifier gain"
)
_TITLE = "loop complement of "


@dataclass(frozen=True)
class LoopComplement:
    """Interchange ground and the op-amp output around one op amp.

    Parameters
    ----------
    drive : tuple of str
        Terminals of the new network to connect to the input, each a part or a pin of it, as in
        ``C1`` or ``C1.2``: pins that were at the op-amp output before.  By default the single
        terminal with the simplest numerator, one power of s if there is such a terminal.
    """

    drive: tuple[str, ...] = ()

    def accepts(self, network: Network) -> str:
        """Return why it does not apply; empty when it does."""
        try:
            _chosen(self.drive, _complemented(network))
        except TransformError as error:
            return str(error)
        return ""

    def apply(self, network: Network) -> tuple[Network, Step]:
        """Return the new network and the step.

        Raises
        ------
        TransformError
            If it does not apply.
        SingularError
            If the network has no unique solution, which its loop complement shares.
        """
        require(self, network)
        grounded = _complemented(network)
        powers = _numerator_powers(analyse(grounded))
        driven = _chosen(self.drive, grounded) or (min(powers, key=lambda t: powers[t].rank),)
        result = grounded.with_pins({t.key: network.input for t in driven})
        if network.title:
            title = network.title
            title = title.removeprefix(_TITLE) if title.startswith(_TITLE) else _TITLE + title
            result = replace(result, title=title)
        names = ", ".join(str(t) for t in driven)
        step = Step(
            "loop-complement",
            (("drive", names),),
            THEOREM,
            unchanged_names(network),
            (*_drive_notes(powers, driven), *_bias_notes(network, result)),
        )
        return result, step


# -- the interchange -------------------------------------------------------------------------------


def _complemented(network: Network) -> Network:
    """Return the loop complement with nothing connected to its input yet."""
    _check(network)
    (u,) = network.op_amps
    grounds = {network.input, network.reference, *network.supplies}
    held = {t.part for t in network.terminals if t.held}
    moves: dict[tuple[str, str], str] = {}
    for name, pin, node in network.pins():
        if name in held:
            continue
        if node in grounds:
            moves[name, pin] = u.out
        elif node == u.out:
            moves[name, pin] = network.reference
    moved = network.with_pins({k: n for k, n in moves.items() if k[0] != u.name})
    plus, minus = moves.get((u.name, "plus"), u.plus), moves.get((u.name, "minus"), u.minus)
    return replace(moved, op_amps=(replace(u, plus=minus, minus=plus),))


def _check(network: Network) -> None:
    """Raise TransformError where the theorem does not apply."""
    if len(network.inputs) != 1:
        raise TransformError(
            f"a loop complement needs one input; this network has {len(network.inputs)}"
        )
    if network.reading.against:
        raise TransformError(
            "a loop complement needs an output against the signal's ground; this circuit's is read "
            f"{network.reading}"
        )
    if len(network.op_amps) != 1:
        count = len(network.op_amps) or "none"
        raise TransformError(
            f"a loop complement interchanges ground and the output of the only op amp; this "
            f"network has {count}"
        )
    for b in network.branches:
        if b.power not in (0, 1):
            raise TransformError(
                f"part {b.name} is of kind {b.kind}; the loop complement is for networks of "
                "resistors, capacitors and one op amp"
            )
    (u,) = network.op_amps
    grounds = {network.input, network.reference, *network.supplies}
    if {u.plus, u.minus} <= grounds:
        raise TransformError(
            f"both inputs of op amp {u.name} are held by sources, so there is no loop to "
            "complement; connect its feedback"
        )
    for b in network.branches:
        if grounds.issuperset(b.nodes):
            raise TransformError(
                f"part {b.name} lies between the input and ground, where it does nothing; remove "
                "it first (step prune)"
            )
    for t in network.terminals:
        if not t.held:
            continue
        across = t.part != u.name and u.out in network.branch(t.part).nodes
        if not across:
            raise TransformError(
                f"terminal {t} stays where it is ({t.held}), but the loop complement has to move "
                "it to the op-amp output; let it move, or leave the part out"
            )
    free = [n for n, _, node in network.pins() if node == u.out and n not in network.held]
    if not free:
        raise TransformError(
            f"no part is at the output {u.out} of op amp {u.name}, so its loop complement would "
            "have no terminal to drive"
        )


def _chosen(wanted: Iterable[str], grounded: Network) -> tuple[Terminal, ...]:
    """Return the terminals that the names mean."""
    free = [t for t in grounded.terminals if not t.held]
    listing = ", ".join(str(t) for t in free)
    chosen: dict[Terminal, None] = {}
    for name in wanted:
        meant = [t for t in free if name in (t.part, str(t))]
        if not meant:
            raise TransformError(
                f"{name!r} is no terminal of the loop complement; the pins that can be driven, "
                f"those at the op-amp output before, are {listing}"
            )
        chosen.update(dict.fromkeys(meant))
    return tuple(chosen)


# -- what each terminal gives ----------------------------------------------------------------------


class _Powers(NamedTuple):
    """The powers of s that a numerator has for general part values.

    ``present`` is descending, ``order`` the degree of D, ``mixed`` whether terms subtract.
    """

    present: tuple[int, ...]
    order: int
    mixed: bool
    terms: int

    @property
    def rank(self) -> tuple[bool, int, bool, int]:
        """Simplest first; a terminal without effect last."""
        return (not self.present, len(self.present), self.mixed, self.terms)

    def __str__(self) -> str:
        if not self.present:
            return "nothing: it has no effect on the output"
        words = {0: "1", 1: "s"}
        text = ", ".join(words.get(k, f"s^{k}") for k in self.present)
        if len(self.present) > 1:
            return f"powers {text}"
        kinds = {self.order: "high-pass", 0: "low-pass"}
        if self.order == 2:
            kinds[1] = "band-pass"
        kind = kinds.get(self.present[0], "") if self.order else ""
        return f"{text} alone" + (f" ({kind})" if kind else "")


def _numerator_powers(loop: Loop) -> dict[Terminal, _Powers]:
    """Return the powers of s in the numerator of every terminal that can be driven."""
    powers = [b.power for b in loop.network.branches]

    def power(mask: int) -> int:
        return sum(p for k, p in enumerate(powers) if mask >> k & 1)

    terms: Mapping[Terminal, dict[int, int]] = {
        t: {m: (1 if c > 0 else -1) for m, c in expanded(f).items()}
        for t, f in loop.numerators.items()
    }
    bottom = {power(m) for m in expanded(loop.denominators)}
    least = min(bottom.union(*({power(m) for m in ms} for ms in terms.values())))
    found = {}
    for t in loop.network.terminals:
        if t.held:
            continue
        signs = terms.get(t, {})
        present = tuple(sorted({power(m) - least for m in signs}, reverse=True))
        mixed = len(set(signs.values())) > 1
        found[t] = _Powers(present, max(bottom) - least, mixed, len(signs))
    return found


def _drive_notes(powers: Mapping[Terminal, _Powers], driven: tuple[Terminal, ...]) -> list[str]:
    notes = [f"driven: {'; '.join(f'{t}, whose numerator has {powers[t]}' for t in driven)}"]
    others = [f"{t}: {p}" for t, p in powers.items() if t not in driven]
    if others:
        notes.append(f"could be driven instead or as well, with their numerators: {_list(others)}")
    return notes


def _list(items: list[str]) -> str:
    return "; ".join(items)


def _bias_notes(before: Network, after: Network) -> list[str]:
    (old,), (new,) = before.op_amps, after.op_amps
    exchanged = {"plus": "minus", "minus": "plus"}
    had = {exchanged[pin] for _, pin in inputs_without_dc_path(before)}
    notes = [
        f"the {pin} input of {new.name} now has no DC path for its bias current"
        for _, pin in inputs_without_dc_path(after)
        if pin not in had
    ]
    if before.fixed_nodes.get(old.plus) == "ground":
        notes.append(
            f"the inputs of {old.name}, at ground before, now follow the output: mind the "
            "common-mode range"
        )
    return notes
