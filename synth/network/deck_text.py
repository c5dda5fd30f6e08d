"""The text of a deck: title, logical lines, subcircuits, parameters; no electrical meaning yet.

Line rules are those of SPICE: the first line is the title, ``*`` begins a comment line, ``;``,
``//`` and a ``$`` after a space begin a comment within a line, ``+`` continues the line before,
``.end`` ends.  Nothing is evaluated and no other file is opened.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from synth.errors import DeckError, NumberError
from synth.units import parse_deck_number

#: Largest deck that is read, in characters (bytes for a file).
LARGEST = 1_000_000

#: Deepest nesting of subcircuit definitions.
_DEEPEST = 5
_INCLUDES = (".include", ".inc", ".incl", ".lib")
#: Analyses, output and settings of a simulator: they do not change the network.
_REQUESTS = re.compile(
    r"\.(?:"
    r"ac|tran|op|dc|noise|disto|tf|pz|sens|four|fourier|meas|measure|options|"
    r"option|opt|opts|save|print|plot|probe|graph|temp|ic|nodeset|width"
    r")"
)
_TRAILING = re.compile(r";|//|\s\$")
_ASSIGNMENT = re.compile(r"(?<!\w)([A-Za-z_]\w*)\s*=\s*(\{[^{}]*\}|'[^']*'|[^\s,]+)")
_PART_LIKE = re.compile(r"(?:[RCLVEX][A-Za-z_]*\d\w*|Vin)(?:\s+\S+){2,}\s+\S+", re.IGNORECASE)


@dataclass(frozen=True)
class Line:
    """A logical line: continuations joined, comments removed; numbers count physical lines."""

    number: int
    text: str
    last: int

    @property
    def word(self) -> str:
        """The first word in lower case."""
        return self.text.split(None, 1)[0].lower()


@dataclass(frozen=True)
class Subcircuit:
    """A ``.subckt`` definition: pins, plain parameters, part lines, and its text word for word.

    ``inside`` is the name of the outermost definition around it, or empty.
    """

    name: str
    pins: tuple[str, ...]
    parameters: Mapping[str, str]
    lines: tuple[Line, ...]
    text: str
    inside: str = ""


@dataclass(frozen=True)
class DeckText:
    """A deck taken apart.

    ``subcircuits`` and ``parameters`` are keyed in lower case.  ``cards`` holds (names, text) of
    lines such as ``.model`` that an op-amp subcircuit may rely on; ``globals`` the nodes that
    keep their name inside subcircuits, in lower case.  ``requests`` are the lines that ask the
    simulator for something, word for word, and ``left_out`` what is neither read nor kept.
    """

    title: str
    lines: tuple[Line, ...]
    subcircuits: Mapping[str, Subcircuit]
    parameters: Mapping[str, str]
    cards: tuple[tuple[tuple[str, ...], str], ...] = ()
    globals: frozenset[str] = frozenset()
    notes: tuple[str, ...] = ()
    requests: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()


@dataclass
class _Builder:
    """What is gathered while the lines of a deck pass by."""

    physical: list[str]
    lines: list[Line] = field(default_factory=list)
    subcircuits: dict[str, Subcircuit] = field(default_factory=dict)
    parameters: dict[str, str] = field(default_factory=dict)
    cards: list[tuple[tuple[str, ...], str]] = field(default_factory=list)
    globals: set[str] = field(default_factory=set)
    notes: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)

    def raw(self, first: int, last: int) -> str:
        return "\n".join(self.physical[first - 1 : last])


def split_deck(text: str) -> DeckText:
    """Take the text of a deck apart.

    Parameters
    ----------
    text : str
        The deck; a byte order mark and any line ends are accepted.

    Returns
    -------
    DeckText

    Raises
    ------
    DeckError
        If it is too large or binary, includes another file, has conditional lines, or its
        subcircuit definitions do not close.
    """
    if len(text) > LARGEST:
        raise DeckError(f"the deck has {len(text)} characters; at most {LARGEST} are read")
    text = text.removeprefix("\ufeff")
    if "\0" in text:
        raise DeckError("the deck holds binary data; give the text of a netlist")
    physical = re.split(r"\r\n|\n|\r", text)
    first = physical[0].strip()
    if first and first.split(None, 1)[0].lower() in _INCLUDES:
        raise _not_followed(1, first)
    builder = _Builder(physical)
    if _PART_LIKE.fullmatch(first):
        builder.notes.append(
            f"the first line of a deck is its title: {first!r} was not read as a part"
        )
    title = _title(first)
    lines = _outside_control(_logical_lines(physical), builder)
    for line in lines:
        if line.word == ".end":
            break
        if line.word == ".title":
            title = _title(line.text)
        elif line.word == ".subckt":
            _read_subcircuit(line, lines, builder, ())
        elif line.word.startswith("."):
            _read_card(line, builder)
        else:
            builder.lines.append(line)
    return DeckText(
        title,
        tuple(builder.lines),
        builder.subcircuits,
        builder.parameters,
        tuple(builder.cards),
        frozenset(builder.globals),
        tuple(builder.notes),
        tuple(builder.requests),
        tuple(builder.left_out),
    )


def assignments(text: str) -> dict[str, str]:
    """Read ``name=number`` pairs; names come back in lower case, braces and quotes are dropped.

    An expression is kept as it stands, so that it is refused where it is used and only there.
    """
    found = {m[1].lower(): m[2].strip("{}' \t") for m in _ASSIGNMENT.finditer(text)}
    rest = _ASSIGNMENT.sub("", text).strip(" \t,")
    if rest:
        whole = text.split("=", 1)[-1].strip()
        return {name: whole if len(found) == 1 else text.strip() for name in found}
    return found


def number_of(token: str, parameters: Mapping[str, str], where: str) -> tuple[float, str | None]:
    """Read a value: a number, or the name of a plain parameter in braces, quotes or bare.

    Parameters
    ----------
    token : str
        The text of the value.
    parameters : mapping
        Name in lower case -> text of its number.
    where : str
        Begins the message of an error.

    Returns
    -------
    tuple of float and (str or None)
        As `synth.units.parse_deck_number`.

    Raises
    ------
    DeckError
        If it is no number, or an expression.
    """
    bare = token.strip("{}' \t")
    wrapped = bare != token
    name = bare.lower()
    if name in parameters:
        bare, where = parameters[name], f"{where}: parameter {bare}"
    elif wrapped and re.fullmatch(r"[A-Za-z_]\w*", bare):
        raise DeckError(f"{where}: parameter {bare} is not defined; add .param {bare}=number")
    try:
        return parse_deck_number(bare)
    except NumberError as error:
        if wrapped or name in parameters:
            raise DeckError(
                f"{where}: {bare!r} is not a plain number, and expressions are not evaluated; "
                "write the number"
            ) from error
        raise DeckError(f"{where}: {error}") from error


def without_comment(line: str) -> str:
    """Return a line of a deck without what stands behind ``;``, ``//`` or a ``$`` after a space."""
    return _TRAILING.split(line, maxsplit=1)[0]


def _title(text: str) -> str:
    if text.lower().startswith(".title"):
        text = text[6:]
    return text.strip().removeprefix("*").strip()


def _logical_lines(physical: list[str]) -> Iterator[Line]:
    pieces: list[str] = []
    start = last = 0
    for number, raw in enumerate(physical[1:], start=2):
        text = " ".join(raw.split())
        if not text or text[0] in "*$":
            continue
        text = without_comment(text).strip()
        if text.startswith("+"):
            if not pieces:
                raise DeckError(f"line {number} begins with + but there is no line to continue")
            pieces += text[1:].split()
            last = number
        elif text:
            if pieces:
                yield Line(start, " ".join(pieces), last)
            pieces, start, last = [text], number, number
    if pieces:
        yield Line(start, " ".join(pieces), last)


def _outside_control(lines: Iterator[Line], builder: _Builder) -> Iterator[Line]:
    inside = False
    for line in lines:
        if line.word == ".control":
            inside = True
            builder.left_out.append(f"the .control block from line {line.number} on")
        elif line.word == ".endc":
            inside = False
        elif not inside:
            yield line


def _not_followed(number: int, text: str) -> DeckError:
    return DeckError(
        f"line {number}: {text!r} is not followed; paste the subcircuit into the deck or delete "
        "the line: a 3- or 5-pin subcircuit that the deck does not define is taken as an op amp"
    )


def _read_card(line: Line, builder: _Builder) -> None:
    """Take one line that begins with a dot."""
    word = line.word
    rest = line.text[len(word) :].strip()
    if word in _INCLUDES:
        raise _not_followed(line.number, line.text)
    if word in (".param", ".params", ".parameter"):
        found = assignments(rest)
        builder.parameters.update(found)
        builder.cards.append((tuple(found), builder.raw(line.number, line.last)))
    elif word in (".model", ".func"):
        name = re.split(r"[\s(]", rest, maxsplit=1)[0]
        builder.cards.append(((name.lower(),), builder.raw(line.number, line.last)))
    elif word == ".global":
        builder.globals.update(rest.lower().split())
        builder.requests.append(builder.raw(line.number, line.last))
    elif word in (".if", ".elseif", ".else", ".endif"):
        raise DeckError(
            f"line {line.number}: {word} chooses lines by an expression, which is not "
            "evaluated; keep only the lines that apply"
        )
    elif word == ".ends":
        raise DeckError(f"line {line.number}: .ends has no .subckt before it; delete it")
    elif _REQUESTS.fullmatch(word):
        builder.requests.append(builder.raw(line.number, line.last))
    else:
        builder.left_out.append(line.text)
        if word != ".step":
            builder.notes.append(f"line {line.number}: {word} is not used")


def _read_subcircuit(
    head: Line, lines: Iterator[Line], builder: _Builder, around: tuple[str, ...]
) -> None:
    """Read a definition up to its ``.ends``; definitions inside it are entered beside it."""
    words = re.sub(r"\s*=\s*", "=", head.text).split()[1:]
    positional = [w for w in words if "=" not in w and w.lower() not in ("params:", "param:")]
    if len(positional) < 2:
        raise DeckError(f"line {head.number}: .subckt needs a name and its pins")
    name, *pins = positional
    if len(around) > _DEEPEST:
        raise DeckError(f"line {head.number}: subcircuit definitions are nested too deep")
    if name.lower() in builder.subcircuits:
        raise DeckError(f"line {head.number}: subcircuit {name} is defined twice; keep one")
    parameters = assignments(" ".join(w for w in words if "=" in w))
    body: list[Line] = []
    for line in lines:
        if line.word == ".ends":
            builder.subcircuits[name.lower()] = Subcircuit(
                name,
                tuple(pins),
                parameters,
                tuple(body),
                builder.raw(head.number, line.last),
                around[0] if around else "",
            )
            return
        if line.word == ".end":
            break
        if line.word == ".subckt":
            _read_subcircuit(line, lines, builder, (*around, name))
        elif line.word in (".param", ".params"):
            parameters.update(assignments(line.text.split(None, 1)[-1]))
        elif line.word in _INCLUDES:
            raise _not_followed(line.number, line.text)
        elif not line.word.startswith("."):
            body.append(line)
    raise DeckError(f"line {head.number}: subcircuit {name} has no .ends; add the line")
