"""Read a deck (netlist of the circuit simulator) as a network.

The rules are those of a schematic editor's output as well as of hand-written text: see
`read_deck`.  `deck_text` takes the lines apart, `deck_parts` makes parts of them, `deck_ports`
finds where the network is driven and read; here the network is put together and checked.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import NamedTuple

from synth.errors import DeckError
from synth.network.deck_cards import read_cards
from synth.network.deck_midsupply import ground_notes, parts_apart
from synth.network.deck_models import gain_model
from synth.network.deck_parts import Parts, op_amp_models, read_parts
from synth.network.deck_ports import Ports, find_ports
from synth.network.deck_text import LARGEST, DeckText, split_deck
from synth.network.model import Bench, Network, OpAmp, Port


class ReadResult(NamedTuple):
    """A network read from a deck, and notes on what may not mean what its author thought."""

    network: Network
    notes: tuple[str, ...]


def read_deck(
    text: str,
    *,
    input_: str | None = None,
    output: str | None = None,
    ground: str | None = None,
    keep_grounded: Iterable[str] = (),
) -> ReadResult:
    """Read the text of a deck.

    The input is the V source with an AC value, else the only V source that feeds no supply pin.
    The output is the only voltage, of one node or between two, that the only ``.print ac`` line
    asks for; else node ``out``, in any case, with or without a leading slash.  Nodes that reach
    the ground through DC sources only are supplies; parts among supplies and ground, and those
    that make the signal's ground, are set aside in ``network.bench``.  Op amps are X calls with
    3 pins (plus minus out) or 5 (plus minus vcc vee out), and E sources of gain 1e4 or more; the
    call XU1 is op amp U1.

    Parameters
    ----------
    text : str
        The deck.  Its first line is the title.
    input_ : str, optional
        Name of the input's node or V source; several, joined by commas, make a network of
        several inputs, each called by its node.
    output : str, optional
        Name of the output's node; two, joined by a comma, for a differential output: the first
        read against the second.
    ground : str, optional
        Name of the signal reference, when it is not node 0; node 0 is then a supply.
    keep_grounded : iterable of str
        Names of parts (loads and the like) whose ends at ground stay there.

    Returns
    -------
    ReadResult
        The network (values in ohm, farad, henry) and notes.

    Raises
    ------
    DeckError
        If the deck cannot be read; the message names the line, part or node and what to do.
    NetworkError
        If its parts do not make a network.

    Examples
    --------
    >>> result = read_deck('''wave sensor, first stage
    ... VIN in 0 AC 1
    ... R1 in out 10k
    ... C1 out 0 100n
    ... .end''')
    >>> result.network.values
    {'R1': 10000.0, 'C1': 1e-07}
    """
    deck = split_deck(text)
    parts = read_parts(deck)
    if not parts.branches and not parts.amplifiers:
        raise DeckError("the deck has no parts; the first line is taken as its title")
    ports = find_ports(parts, input_=input_, output=output, ground=ground, cards=deck.requests)
    apart = parts_apart(parts, ports)
    branches = tuple(b for b in parts.branches if b.name not in apart.branches)
    amplifiers, gains = _op_amps(parts, ports, deck)
    op_amps = tuple(u for u in amplifiers if u.name not in apart.op_amps)
    models = (*op_amp_models(deck, parts), *gains)
    network = Network(
        branches=branches,
        op_amps=op_amps,
        inputs=_ports(ports.inputs),
        outputs=(Port("output", *ports.output),),
        reference=ports.reference,
        supplies=ports.supplies,
        held=_held(keep_grounded, branches, op_amps),
        title=deck.title,
        bench=Bench(
            ports.sources,
            tuple(b for b in parts.branches if b.name in apart.branches),
            models,
            tuple(u for u in amplifiers if u.name in apart.op_amps),
            read_cards(deck, models),
        ),
    )
    _check_connections(parts, ports)
    hints = () if ground else ground_notes(parts, ports)
    return ReadResult(network, (*deck.notes, *parts.notes, *ports.notes, *hints))


def read_deck_file(
    path: str | Path,
    *,
    input_: str | None = None,
    output: str | None = None,
    ground: str | None = None,
    keep_grounded: Iterable[str] = (),
) -> ReadResult:
    """Read a deck from a file; parameters and errors as `read_deck`.

    Parameters
    ----------
    path : str or Path
        A text file in UTF-8 of at most 1 MB.
    input_, output, ground, keep_grounded
        As for `read_deck`.

    Returns
    -------
    ReadResult

    Raises
    ------
    DeckError
        Also if the file is missing, a folder, too large or no UTF-8 text.
    """
    path = Path(path)
    if "\0" in str(path):
        raise DeckError(f"{str(path)!r} is no file name; give the name of a deck file")
    try:
        if path.is_dir():
            raise DeckError(f"{path} is a folder; name a deck file in it")
        with path.open("rb") as file:
            data = file.read(LARGEST + 1)
    except FileNotFoundError as error:
        raise DeckError(f"there is no file {path}; check its name") from error
    except OSError as error:
        reason = error.strerror or "the system refuses"
        raise DeckError(f"file {path} cannot be read: {reason}") from error
    if len(data) > LARGEST:
        raise DeckError(f"file {path} is larger than 1 MB; give a smaller deck")
    if b"\0" in data:
        raise DeckError(f"file {path} holds binary data or UTF-16; give a netlist in UTF-8")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise DeckError(
            f"file {path} is not UTF-8 text (byte {error.start}); save it as UTF-8"
        ) from error
    return read_deck(text, input_=input_, output=output, ground=ground, keep_grounded=keep_grounded)


def _ports(nodes: tuple[str, ...]) -> tuple[Port, ...]:
    if len(nodes) == 1:
        return (Port("input", nodes[0]),)
    return tuple(Port(node, node) for node in nodes)


def _op_amps(
    parts: Parts, ports: Ports, deck: DeckText
) -> tuple[tuple[OpAmp, ...], tuple[tuple[str, str], ...]]:
    """Return the op amps, and the models that carry the gains of controlled sources."""
    found: list[OpAmp] = []
    models: dict[float, tuple[str, str]] = {}
    for u in parts.amplifiers:
        if isinstance(u, OpAmp):
            found.append(u)
            continue
        if u.ref not in ports.grounds:
            raise DeckError(
                f"line {u.line}: the second node of {u.name}, {u.ref}, is neither the ground "
                "nor a supply; an op amp drives its output against the ground"
            )
        if u.gain not in models:
            models[u.gain] = gain_model(u.gain, deck.subcircuits)
        found.append(OpAmp(u.name, u.plus, u.minus, u.out, model=models[u.gain][0]))
    return tuple(found), tuple(models.values())


def _held(names: Iterable[str], *kinds: Iterable[object]) -> frozenset[str]:
    known = {str(p.name).lower(): str(p.name) for kind in kinds for p in kind}  # type: ignore[attr-defined]
    held = set()
    for name in names:
        if name.lower() not in known:
            raise DeckError(
                f"no part is called {name} (--keep-grounded); the parts are "
                f"{', '.join(known.values())}"
            )
        held.add(known[name.lower()])
    return frozenset(held)


def _check_connections(parts: Parts, ports: Ports) -> None:
    """Refuse nodes that one pin alone touches, and islands without ground, input or output."""
    fixed = {*ports.inputs, *ports.grounds}
    outputs = {u.out for u in parts.amplifiers}
    for node, count in parts.nodes.items():
        if count == 1 and node not in fixed and node not in outputs and node not in ports.output:
            raise DeckError(
                f"floating node {node}: only {_part_on(parts, node)} is connected to it; "
                "connect it or remove the part"
            )
    reached = _reach(parts, fixed | outputs)
    for node, count in parts.nodes.items():
        if count and node not in reached:
            raise DeckError(
                f"node {node} has no connection to the ground, the input or an op-amp output "
                f"({_part_on(parts, node)} is on it); connect it or remove the part"
            )


def _reach(parts: Parts, start: Iterable[str]) -> set[str]:
    """Return the nodes that branches connect to the start."""
    neighbours: dict[str, list[str]] = {}
    for b in parts.branches:
        for here, there in (b.nodes, b.nodes[::-1]):
            neighbours.setdefault(here, []).append(there)
    reached = set(start)
    waiting = list(reached)
    while waiting:
        for node in neighbours.get(waiting.pop(), ()):
            if node not in reached:
                reached.add(node)
                waiting.append(node)
    return reached


def _part_on(parts: Parts, node: str) -> str:
    for b in parts.branches:
        if node in b.nodes:
            return f"part {b.name}"
    for u in parts.amplifiers:
        if node == u.plus:
            return f"the plus input of op amp {u.name}"
        if node == u.minus:
            return f"the minus input of op amp {u.name}"
    return "no part"
