"""The parts of a deck: lines become branches, op amps and sources; passive subcircuits expand."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from synth.errors import DeckError
from synth.network.deck_text import DeckText, Line, Subcircuit, number_of
from synth.network.model import KINDS, POWERS, UNITS, Branch, OpAmp, Source
from synth.units import format_si

#: Most parts that are read, subcircuits expanded.
MOST_PARTS = 2000
#: Least gain of a controlled source that is taken as an op amp.
LEAST_GAIN = 1e4
#: Deepest nesting of subcircuit calls.
_DEEPEST = 20

_OTHER_PARTS: Mapping[str, str] = {
    "A": "a behavioural model",
    "B": "a behavioural source",
    "D": "a diode",
    "F": "a current-controlled current source",
    "G": "a voltage-controlled current source",
    "H": "a current-controlled voltage source",
    "I": "a current source",
    "J": "a junction field-effect transistor",
    "K": "a coupling of inductors",
    "M": "a MOS transistor",
    "N": "a compiled device",
    "O": "a lossy transmission line",
    "P": "a coupled transmission line",
    "Q": "a bipolar transistor",
    "S": "a voltage-controlled switch",
    "T": "a transmission line",
    "U": "a distributed RC line",
    "W": "a current-controlled switch",
    "Y": "a transmission line",
    "Z": "a MESFET",
}
#: Parameters of R, C, L that leave the small-signal value at the nominal temperature alone.
_HARMLESS = ("tc", "tc1", "tc2", "tce", "ic", "temp", "dtemp", "noisy", "noise", "tol", "tolerance")
_VALUE_KEYS = {"R": ("r", "resistance"), "C": ("c", "capacitance"), "L": ("l", "inductance")}
#: (plus minus) or (a, b): nodes that a line groups in parentheses of their own.
_GROUP = re.compile(r"(?<!\S)\(([^()]*)\)(?!\S)")
_INSIDE = re.compile(r"\{[^{}]*\}|'[^']*'")


@dataclass(frozen=True)
class ControlledSource:
    """A linear E source: v(out) - v(ref) = gain * (v(plus) - v(minus))."""

    name: str
    out: str
    ref: str
    plus: str
    minus: str
    gain: float
    line: int


@dataclass
class Parts:
    """The parts of a deck in order, on the nodes of the top level; filled while lines pass by."""

    branches: list[Branch] = field(default_factory=list)
    amplifiers: list[OpAmp | ControlledSource] = field(default_factory=list)
    sources: list[Source] = field(default_factory=list)
    spelling: dict[str, str] = field(default_factory=dict)
    names: dict[str, int] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)

    def node(self, text: str) -> str:
        """Return the spelling of the node that was seen first; any ``gnd`` is node 0."""
        key = text.lower()
        if key == "gnd":
            key = text = "0"
        return self.spelling.setdefault(key, text)

    def find(self, text: str) -> str | None:
        """Return the spelling of a node that exists, or None."""
        return self.spelling.get("0" if text.lower() == "gnd" else text.lower())

    @property
    def nodes(self) -> dict[str, int]:
        """Node -> how many signal pins (of R, C, L, op-amp inputs and outputs) are on it."""
        count: dict[str, int] = {}
        for node in self.signal_pins():
            count[node] = count.get(node, 0) + 1
        for s in self.sources:
            count.setdefault(s.plus, 0)
            count.setdefault(s.minus, 0)
        for u in self.amplifiers:
            extra = u.supply_pins or () if isinstance(u, OpAmp) else (u.ref,)
            for node in extra:
                count.setdefault(node, 0)
        return count

    def signal_pins(self) -> Iterable[str]:
        """Yield the node of every pin that carries signal."""
        for b in self.branches:
            yield from b.nodes
        for u in self.amplifiers:
            yield from (u.plus, u.minus, u.out)


@dataclass(frozen=True)
class _Scope:
    """Where a line stands: the calls around it, its nodes and parameters."""

    deck: DeckText
    path: tuple[str, ...] = ()
    definitions: tuple[str, ...] = ()
    ports: Mapping[str, str] = field(default_factory=dict)
    parameters: Mapping[str, str] = field(default_factory=dict)

    def name(self, text: str) -> str:
        return "_".join((text, *reversed(self.path)))

    def node(self, text: str, parts: Parts) -> str:
        key = text.lower()
        if key in self.ports:
            return self.ports[key]
        if not self.path or key in ("0", "gnd") or key in self.deck.globals:
            return parts.node(text)
        return parts.node(".".join((*self.path, text)))


def read_parts(deck: DeckText) -> Parts:
    """Turn the lines of a deck into parts, subcircuits made only of R, C, L, X expanded.

    Parameters
    ----------
    deck : DeckText
        From `synth.network.deck_text.split_deck`.

    Returns
    -------
    Parts

    Raises
    ------
    DeckError
        On a part of another kind, a value that cannot be read or is not positive, a name used
        twice, a call that cannot be understood, or too many parts.
    """
    parts = Parts()
    _read_lines(deck.lines, _Scope(deck, parameters=deck.parameters), parts)
    return parts


def op_amp_models(deck: DeckText, parts: Parts) -> tuple[tuple[str, str], ...]:
    """Return (name, text) of the subcircuits the op amps call, and of all these rely on."""
    wanted = [u.model.lower() for u in parts.amplifiers if isinstance(u, OpAmp) and u.model]
    kept: dict[str, Subcircuit] = {}
    cards: dict[tuple[str, ...], str] = {}
    while wanted:
        definition = deck.subcircuits.get(wanted.pop(0))
        if definition is None or definition.name in kept or not definition.lines:
            continue
        kept[definition.name] = definition
        text = definition.text.lower()
        words = {*re.findall(r"\w+", text), *re.findall(r"[^\s(){}=,']+", text)}
        wanted += [
            name
            for name, other in deck.subcircuits.items()
            if name in words and other.inside not in kept
        ]
        cards.update({names: card for names, card in deck.cards if words.intersection(names)})
    return (
        *((names[0], card) for names, card in cards.items()),
        *((name, definition.text) for name, definition in kept.items()),
    )


def _read_lines(lines: Sequence[Line], scope: _Scope, parts: Parts) -> None:
    readers = {"R": _branch, "C": _branch, "L": _branch, "V": _source, "E": _controlled, "X": _call}
    for line in lines:
        letter = line.text[0].upper()
        if letter not in readers:
            _refuse_part(line, letter)
        _claim_name(line, scope, parts)
        readers[letter](line, scope, parts)
        if len(parts.branches) + len(parts.amplifiers) + len(parts.sources) > MOST_PARTS:
            raise DeckError(f"the deck has more than {MOST_PARTS} parts; give a smaller one")


def _refuse_part(line: Line, letter: str) -> None:
    what = _OTHER_PARTS.get(letter, "no kind of part")
    name = line.text.split(None, 1)[0]
    raise DeckError(
        f"line {line.number}: {name} is {what} (letter {letter}); only linear R, C, L, op amps "
        "(X calls or E sources) and V sources are taken, so remove or replace it"
    )


def _claim_name(line: Line, scope: _Scope, parts: Parts) -> None:
    name = scope.name(line.text.split(None, 1)[0])
    before = parts.names.get(name.lower())
    if before is not None:
        raise DeckError(
            f"line {line.number}: part {name} is already on line {before}; "
            "give each part its own name"
        )
    parts.names[name.lower()] = line.number


def _tokens(text: str) -> tuple[list[str], dict[str, str]]:
    """Split a part line into positional words and ``key=value`` parameters (keys lower case).

    The first word, the part's name, is taken as it stands.
    """
    name, _, rest = text.partition(" ")
    rest = _INSIDE.sub(lambda m: re.sub(r"\s", "", m[0]), rest)
    rest = re.sub(r"\s*=\s*", "=", rest)
    rest = _GROUP.sub(lambda m: f" {m[1].replace(',', ' ')} ", rest)
    words = [w for w in (x.strip(",") for x in rest.split()) if w]
    keys = (w.partition("=") for w in words if "=" in w)
    return [name, *(w for w in words if "=" not in w)], {k.lower(): v for k, _, v in keys}


def _value(token: str, scope: _Scope, where: str, parts: Parts) -> float:
    value, note = number_of(token, scope.parameters, where)
    if note:
        parts.notes.append(f"{where}: {note}")
    return value


def _branch(line: Line, scope: _Scope, parts: Parts) -> None:
    words, keys = _tokens(line.text)
    letter = line.text[0].upper()
    name = scope.name(words[0])
    where = f"line {line.number}: {name}"
    given = [keys.pop(k) for k in _VALUE_KEYS[letter] if k in keys]
    if len(words) + len(given) != 4 or len(words) < 3:
        raise DeckError(
            f"{where} needs two nodes and one value, such as {words[0]} a b 10k; "
            f"the line reads {line.text!r}"
        )
    for key, text in keys.items():
        if key in ("m", "scale"):
            if number_of(text, scope.parameters, where)[0] != 1:
                raise DeckError(f"{where}: {key}={text} multiplies the value; write the product")
        elif key == "ac":
            raise DeckError(f"{where}: ac={text} is a second value; write the one that is meant")
        elif key not in _HARMLESS:
            parts.notes.append(f"{where}: parameter {key}={text} is not used")
    noted = len(parts.notes)
    value = _value(given[0] if given else words[3], scope, where, parts)
    power = POWERS[letter]
    if value <= 0:
        raise DeckError(
            f"{where}: the {KINDS[power]} has value {value:g} {UNITS[power]}; it must be above zero"
        )
    if letter == "R" and value < 1 and len(parts.notes) == noted:
        parts.notes.append(
            f"{where} is {format_si(value, 'ohm')}, below 1 ohm: in a deck M means milli and MEG "
            "means mega"
        )
    ends = (scope.node(words[1], parts), scope.node(words[2], parts))
    parts.branches.append(Branch(name, power, ends, value))


def _source(line: Line, scope: _Scope, parts: Parts) -> None:
    grouped = re.fullmatch(r"(\S+)\s+\(\s*([^\s(),]+)[\s,]+([^\s(),]+)\s*\)\s*(.*)", line.text)
    found = grouped or re.fullmatch(r"(\S+)\s+(\S+)\s+(\S+)\s*(.*)", line.text)
    if not found:
        raise DeckError(
            f"line {line.number}: a V source needs two nodes, such as VIN in 0 AC 1; "
            f"the line reads {line.text!r}"
        )
    name, plus, minus, text = found.groups()
    parts.sources.append(
        Source(scope.name(name), scope.node(plus, parts), scope.node(minus, parts), text.strip())
    )


def _controlled(line: Line, scope: _Scope, parts: Parts) -> None:
    words, keys = _tokens(line.text)
    if len(words) == 7 and words[3].lower() == "vcvs":
        del words[3]
    name = scope.name(words[0])
    if len(words) != 6 or keys:
        raise DeckError(
            f"line {line.number}: {name} is a controlled source of another form; only the linear "
            f"one, {words[0]} out ref plus minus gain, is taken"
        )
    gain = _value(words[5], scope, f"line {line.number}: {name}", parts)
    out, ref, plus, minus = (scope.node(w, parts) for w in words[1:5])
    if abs(gain) < LEAST_GAIN:
        raise DeckError(
            f"line {line.number}: {name} has gain {gain:g}; a controlled source is taken as an op "
            f"amp from a gain of {LEAST_GAIN:g} on, so build the amplifier from an op amp and "
            "resistors"
        )
    if gain < 0:
        plus, minus = minus, plus
    parts.amplifiers.append(ControlledSource(name, out, ref, plus, minus, abs(gain), line.number))


def _call(line: Line, scope: _Scope, parts: Parts) -> None:
    words, keys = _tokens(line.text)
    words = [w for w in words if w.lower() not in ("params:", "param:")]
    if len(words) < 3:
        raise DeckError(
            f"line {line.number}: {words[0]} needs nodes and the name of a subcircuit; "
            f"the line reads {line.text!r}"
        )
    name, *pins, model = words
    definition = scope.deck.subcircuits.get(model.lower())
    if definition is not None and len(definition.pins) != len(pins):
        raise DeckError(
            f"line {line.number}: {name} gives {len(pins)} nodes, but subcircuit {model} has "
            f"{len(definition.pins)} pins"
        )
    nodes = [scope.node(p, parts) for p in pins]
    if definition is not None and _is_passive(definition):
        _expand(line, name, nodes, definition, keys, scope, parts)
        return
    if len(nodes) not in (3, 5):
        why = "holds other parts than R, C, L and X" if definition else "is not in the deck"
        raise DeckError(
            f"line {line.number}: {name} calls {model} with {len(nodes)} pins, which {why}; "
            "an op amp has 3 pins (plus minus out) or 5 (plus minus vcc vee out)"
        )
    supply = (nodes[2], nodes[3]) if len(nodes) == 5 else None
    parts.amplifiers.append(
        OpAmp(
            scope.name(op_amp_name(name)),
            nodes[0],
            nodes[1],
            nodes[-1],
            supply,
            definition.name if definition else model,
        )
    )


def op_amp_name(call: str) -> str:
    """Return the op amp's own name from the name of its X call: XU1 is U1, X1 stays."""
    return call[1:] if len(call) > 1 and call[1].isalpha() else call


def _is_passive(definition: Subcircuit) -> bool:
    """Say whether it is made of R, C, L and X only; an empty one stands for an op amp."""
    return bool(definition.lines) and all(x.text[0] in "RCLXrclx" for x in definition.lines)


def _expand(
    line: Line,
    call: str,
    nodes: list[str],
    definition: Subcircuit,
    keys: Mapping[str, str],
    scope: _Scope,
    parts: Parts,
) -> None:
    key = definition.name.lower()
    if key in scope.definitions:
        raise DeckError(
            f"line {line.number}: subcircuit {definition.name} calls itself; write the parts out"
        )
    if len(scope.definitions) >= _DEEPEST:
        raise DeckError(
            f"line {line.number}: calls of subcircuits are nested more than {_DEEPEST} deep at "
            f"{definition.name}; write the parts out"
        )
    passed = {k: scope.parameters.get(v.strip("{}'").lower(), v) for k, v in keys.items()}
    unknown = set(passed) - set(definition.parameters)
    if unknown:
        raise DeckError(
            f"line {line.number}: subcircuit {definition.name} has no parameter {min(unknown)}"
        )
    _read_lines(
        definition.lines,
        replace(
            scope,
            path=(*scope.path, call),
            definitions=(*scope.definitions, key),
            ports=dict(zip((p.lower() for p in definition.pins), nodes, strict=True)),
            parameters={**scope.parameters, **definition.parameters, **passed},
        ),
        parts,
    )
