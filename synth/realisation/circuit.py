"""A circuit by its name: a deck file, a saved design, a stage of the catalogue, or standard input.

Everywhere the program takes a circuit it takes it this way.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from synth.catalog import Stage, names, stage
from synth.errors import CatalogError, DeckError, FormatError
from synth.network.deck_reader import read_deck, read_deck_file
from synth.network.model import Network
from synth.realisation.design import Design
from synth.realisation.saved import read_design
from synth.transform.step import Step

#: Endings of deck files and of saved designs.
DECK_ENDINGS = (".cir", ".net", ".sp")
DESIGN_ENDING = ".json"
#: Largest saved design that is read, and largest deck on standard input, in bytes.
_LARGEST = 4_000_000


@dataclass(frozen=True)
class Circuit:
    """A circuit somebody named, with where it came from.

    Parameters
    ----------
    name : str
        As it was named.
    design : Design
        The network, and target and derivation where they are known.
    notes : tuple of str
        What a reader of its deck should know.
    stage : Stage or None
        The stage of the catalogue, where it is one; the network then has its example's values.
    """

    name: str
    design: Design
    notes: tuple[str, ...] = ()
    stage: Stage | None = None

    @property
    def network(self) -> Network:
        """The circuit itself."""
        return self.design.network


def read_circuit(
    name: str,
    *,
    standard_input: Callable[[], bytes] | None = None,
    input_: str | None = None,
    output: str | None = None,
    ground: str | None = None,
    keep_grounded: Sequence[str] = (),
) -> Circuit:
    """Read the circuit of that name.

    Parameters
    ----------
    name : str
        A file ending in .cir, .net or .sp (a deck) or .json (a saved design), a stage of the
        catalogue, or ``-``.
    standard_input : callable, optional
        Gives the deck that ``-`` stands for.
    input_, output, ground : str, optional
        Of a deck; see `synth.network.deck_reader.read_deck`.
    keep_grounded : sequence of str
        Parts whose ends at ground stay there.

    Raises
    ------
    DeckError, NetworkError
        If a deck cannot be read, or no file has the name.
    FormatError
        If a saved design cannot be read.
    CatalogError
        If the name is neither a file nor a stage.
    """
    ending = Path(name).suffix.lower()
    deck_options = {"input": input_, "output": output, "ground": ground}
    if name == "-":
        if standard_input is None:
            raise DeckError("- stands for a deck on standard input, which is not at hand here")
        text = _utf8(standard_input(), "the deck on standard input")
        deck = read_deck(
            text, input_=input_, output=output, ground=ground, keep_grounded=keep_grounded
        )
        return Circuit(name, Design(deck.network), deck.notes)
    if ending in DECK_ENDINGS:
        deck = read_deck_file(
            name, input_=input_, output=output, ground=ground, keep_grounded=keep_grounded
        )
        return Circuit(name, Design(deck.network), deck.notes)
    given = next((option for option, value in deck_options.items() if value is not None), None)
    if given is not None:
        raise DeckError(f"--{given} is for decks, and {name} is none; leave it out")
    if ending == DESIGN_ENDING:
        design = read_design_file(name)
        return Circuit(name, _kept(design, keep_grounded))
    found = _stage(name)
    origin = Step(
        "stage",
        (("name", found.name),),
        f"published stage: {found.title}; source: {found.source}",
        tuple((n, n) for n in (*found.example, *(u.name for u in found.network.op_amps))),
    )
    design = Design(found.circuit(), None, (origin,))
    return Circuit(name, _kept(design, keep_grounded), stage=found)


def read_design_file(path: str | Path) -> Design:
    """Read a saved design from a file.

    Raises
    ------
    FormatError
        If there is no such file, it is a folder or too large, or its content is wrong.
    """
    path = Path(path)
    if "\0" in str(path):
        raise FormatError(f"{str(path)!r} is no file name; give the name of a saved design")
    try:
        if path.is_dir():
            raise FormatError(f"{path} is a folder; name a saved design in it")
        with path.open("rb") as file:
            data = file.read(_LARGEST + 1)
    except FileNotFoundError:
        raise FormatError(f"there is no file {path}; check its name") from None
    except OSError as error:
        reason = error.strerror or "the system refuses"
        raise FormatError(f"file {path} cannot be read: {reason}") from error
    if len(data) > _LARGEST:
        raise FormatError(f"file {path} is larger than {_LARGEST // 10**6} MB; it is no design")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise FormatError(
            f"file {path} is not UTF-8 text (byte {error.start}); save the design again"
        ) from None
    return read_design(text, f"file {path}")


def _stage(name: str) -> Stage:
    if name in names():
        return stage(name)
    if not name.strip():
        raise DeckError("the name of the circuit is empty; give a file, a stage, or - for a deck")
    try:
        is_folder, exists = Path(name).is_dir(), Path(name).exists()
    except (OSError, ValueError):
        is_folder = exists = False
    endings = f"a deck ends in {', '.join(DECK_ENDINGS)}, a saved design in {DESIGN_ENDING}"
    if is_folder:
        raise DeckError(f"{name} is a folder; name a deck or a saved design in it")
    if exists:
        raise DeckError(f"the kind of file {name} is not clear from its ending; {endings}")
    try:
        return stage(name)
    except CatalogError as error:
        raise CatalogError(f"{str(error).removesuffix('?')}; as a file, {endings}") from None


def _kept(design: Design, keep_grounded: Iterable[str]) -> Design:
    network = design.network
    known = {b.name: b.name for b in network.branches} | {u.name: u.name for u in network.op_amps}
    folded = {n.lower(): n for n in known}
    held = set(network.held)
    for name in keep_grounded:
        if name.lower() not in folded:
            raise DeckError(
                f"no part is called {name} (--keep-grounded); the parts are {', '.join(known)}"
            )
        held.add(folded[name.lower()])
    return replace(design, network=replace(network, held=frozenset(held)))


def _utf8(data: bytes, what: str) -> str:
    if len(data) > _LARGEST:
        raise DeckError(f"{what} is too large; give a smaller one")
    if b"\0" in data:
        raise DeckError(f"{what} holds binary data or UTF-16; give a netlist in UTF-8")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise DeckError(f"{what} is not UTF-8 text (byte {error.start})") from None
