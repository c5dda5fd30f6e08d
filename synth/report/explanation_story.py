"""The explanation in words and formulas: the circuit, its terminals, the sum, the steps."""

from __future__ import annotations

from collections.abc import Sequence

from synth.analysis.symbolic import Term
from synth.network.model import Network, OpAmp, Terminal
from synth.report import mathematics as m
from synth.report.document import Block, Equation, Grid, Heading, Items, say
from synth.report.explanation import Explanation
from synth.report.explanation_real import real_story
from synth.report.explanation_steps import steps_story, value_text
from synth.report.inputs import InputRow
from synth.report.mathematics import Math
from synth.units import format_si

_D = m.symbol("D", "", "s")


def story(record: Explanation) -> list[Block]:
    """Return the whole explanation as blocks."""
    title = record.network.title or "a circuit without a title"
    return [
        Heading(f"Explained: {title}", 1),
        *_circuit(record),
        *_terminals(record),
        *_references(record),
        *_sum(record),
        *_complement(record),
        *steps_story(record),
        *real_story(record),
    ]


# -- 1 the circuit ---------------------------------------------------------------------------------


def _circuit(record: Explanation) -> list[Block]:
    network = record.network
    inputs = ", ".join(
        p.node if len(network.inputs) == 1 else f"{p.node} (called {p.name})"
        for p in network.inputs
    )
    blocks: list[Block] = [
        Heading("1. The circuit"),
        say(
            f"Driven at {inputs}, read {_read(network)}; the signal's ground is "
            f"{network.reference}. Nodes: {', '.join(network.nodes)}."
        ),
        Grid(
            ("part", "kind", "value", "between"),
            tuple(
                (m.word(b.name), b.kind, value_text(b.power, b.value), " and ".join(b.nodes))
                for b in network.branches
            ),
        ),
    ]
    points = [
        (m.word(u.name), f": op amp, + at {u.plus}, - at {u.minus}, output at {u.out}")
        for u in network.op_amps
    ]
    if points:
        blocks.append(Items(tuple(points)))
    if network.supplies:
        supplies = ", ".join(network.supplies)
        blocks.append(say(f"Ground for the signal, but held by a DC source: {supplies}."))
    return blocks


def _read(network: Network) -> str:
    port = network.reading
    return str(port) if port.against else f"at {port}"


def _number(x: int) -> Math:
    return m.raw(str(x))


# -- 2 the terminals -------------------------------------------------------------------------------


def t_of(terminal: Terminal) -> Math:
    """Return the symbol of a terminal's transfer."""
    return m.symbol("T", str(terminal))


def _terminals(record: Explanation) -> list[Block]:
    network = record.network
    rows = record.analysis.terminals
    several = len(network.inputs) > 1
    listing = []
    for where in (*(p.name for p in network.inputs), "ground"):
        pins = ", ".join(str(r.terminal) for r in rows if r.terminal.at == where) or "none"
        name = "ground" if where == "ground" else (f"input {where}" if several else "the input")
        listing.append((f"at {name}: {pins}",))
    blocks: list[Block] = [
        Heading("2. The terminals and their transfers"),
        say(
            f"The circuit touches its source and ground at {len(rows)} pins (part.pin), its "
            "terminals:"
        ),
        Items(tuple(listing)),
        say(
            "Cut every one of them loose and give each a source of its own. ",
            m.symbol("T", "k", "s"),
            f" is the voltage {_read(network)} with 1 V at terminal k and 0 V at all others. "
            "With ideal op amps Kirchhoff's current law "
            f"{_laws(network)}gives:",
        ),
    ]
    blocks += [Equation(m.equal(t_of(r.terminal), m.fraction(r.formula))) for r in rows]
    numbers = record.analysis.response.numbers
    if numbers is not None:
        blocks += [
            say(
                "With this circuit's values all of them have one denominator, the same for every "
                "terminal, because it belongs to the network with its sources at zero:"
            ),
            Equation(m.equal(_D, m.polynomial(numbers.denominator))),
            Grid(
                ("terminal", m.raw("N_k(s)")),
                tuple(
                    (str(r.terminal), m.polynomial(r.numerator))
                    for r in rows
                    if r.numerator is not None
                ),
            ),
        ]
    return blocks


def _laws(network: Network) -> str:
    outputs = {u.out for u in network.op_amps}
    fixed = network.fixed_nodes
    written = [n for n in network.nodes if n not in fixed and n not in outputs]
    at = f"at {', '.join(written)} " if written else ""
    equal = ", ".join(
        f"v({_pin(network, u, 'plus')}) = v({_pin(network, u, 'minus')})" for u in network.op_amps
    )
    return f"{at}and {equal} " if equal else at


def _pin(network: Network, op_amp: OpAmp, pin: str) -> str:
    """Return where an input of an op amp is: its node, or the terminal it has been cut loose to."""
    terminal = next((t for t in network.terminals if t.key == (op_amp.name, pin)), None)
    node = op_amp.plus if pin == "plus" else op_amp.minus
    return node if terminal is None else str(terminal)


# -- 3 the references of the amplifiers ------------------------------------------------------------


def _references(record: Explanation) -> list[Block]:
    network = record.network
    blocks: list[Block] = [Heading("3. Why the op amp's own reference need not move")]
    rise = ", ".join(str(r.terminal) for r in record.analysis.terminals)
    free = [n for n in network.nodes if n not in network.fixed_nodes]
    raised = (
        f"Raise all terminals ({rise}) by 1 V at once. The nodes {', '.join(free)} can then rise "
        "by 1 V with them: no part has a new voltage across it, so no current changes"
    )
    if not network.op_amps:
        blocks.append(say(f"{raised}. There is no op amp, so nothing else refers to ground."))
        return blocks
    outs = ", ".join(u.out for u in network.op_amps)
    blocks.append(
        say(
            f"{raised}. One thing more refers to ground: inside each op amp the output ({outs}) is "
            "driven against a reference of its own, which nobody can reach. Raised too, it makes "
            "the solution exact: with ",
            m.symbol("T", "hidden"),
            " the transfer from the references,",
        )
    )
    blocks.append(
        Equation(
            m.equal(
                m.total([*(t_of(r.terminal) for r in record.analysis.terminals), _HIDDEN]),
                _number(network.terminal_sum),
            )
        )
    )
    blocks.append(say("It is left to show that this last one is nothing:"))
    blocks.append(Items(tuple(_reference(record, u.name) for u in network.op_amps)))
    return blocks + _hidden(record)


_HIDDEN = m.symbol("T", "hidden")


def _gain_symbol(record: Explanation, op_amp: str) -> Math:
    gains = dict(record.hidden.gains) if record.hidden else {}
    return m.word(gains.get(op_amp, "A"))


def _reference(record: Explanation, name: str) -> tuple[str | Math, ...]:
    u = record.network.op_amp(name)
    gain = _gain_symbol(record, name)

    def v(node: str) -> Math:
        return m.symbol("v", node)

    def over(top: Math) -> Math:
        return Math(
            f"{m.grouped(top).plain}/{gain.plain}", rf"\frac{{{top.latex}}}{{{gain.latex}}}"
        )

    plus, minus = (v(_pin(record.network, u, pin)) for pin in ("plus", "minus"))
    law = m.equal(over(m.joined([v(u.out), m.raw("e")], " - ")), m.joined([plus, minus], " - "))
    limit = m.equal(plus, minus)
    return (
        m.word(name),
        " with its reference at e: ",
        law,
        ". As the gain grows this becomes ",
        limit,
        f": e has gone. The current law at {u.out} is never written, because the output delivers "
        "any current; so the voltage in series with it (the norator's) is free: it takes whatever "
        f"value makes v({u.out}) what the other equations ask, e or no e.",
    )


def _hidden(record: Explanation) -> list[Block]:
    if record.hidden is None:
        return [
            say(
                _HIDDEN,
                " of this circuit with finite gains has too many terms to be read; section 7 has "
                "its values.",
            )
        ]
    hidden = record.hidden
    gains = ", ".join(s for _, s in hidden.gains)
    one = len(hidden.gains) == 1
    found = m.fraction(hidden.formula)
    limit = Math(f"lim {_HIDDEN.plain} = 0", rf"\lim {_HIDDEN.latex} = 0")
    first = len(hidden.symbols) - len(hidden.gains)
    mask = sum(1 << k for k in range(first, len(hidden.symbols)))
    without = sum(not x & mask for x in hidden.denominator)
    return [
        say(
            f"With the gain{'' if one else 's'} {gains} kept finite the equations of this circuit "
            "give"
        ),
        Equation(m.equal(_HIDDEN, found)),
        say(
            f"Divided by {'the gain' if one else 'all gains'}: each of the "
            f"{len(hidden.numerator)} terms of the numerator has a gain below it; of the "
            f"{len(hidden.denominator)} terms of the denominator {without} have none, and they "
            "are the denominator of the ideal circuit. So, as the gain grows, ",
            limit,
            "." if hidden.vanishes else " does not follow for this circuit.",
        ),
    ]


# -- 4 the sum -------------------------------------------------------------------------------------


def _sum(record: Explanation) -> list[Block]:
    rows = record.analysis.terminals
    every = m.total([t_of(r.terminal) for r in rows])
    network = record.network
    one = network.terminal_sum == 1
    end = _D if one else m.raw("0")
    blocks: list[Block] = [
        Heading("4. The sum of all transfers"),
        say("With ideal op amps therefore"),
        Equation(m.equal(every, _number(network.terminal_sum))),
        say("that is, the numerators add up to ", end, ". Power by power:"),
    ]
    if not one:
        port = network.reading
        blocks.insert(
            1,
            say(
                f"The output is differential: {port.node} and {port.against} both rise by 1 V, "
                "and the voltage between them does not change."
            ),
        )
    if record.coefficients:
        blocks += [
            say(
                "In part names, all numerators and ",
                _D,
                " multiplied by what clears the fractions:",
            ),
            *(
                Equation(
                    _at_power(
                        c.power,
                        _contributions(c.terms),
                        m.terms(_bare(c.denominator)) if one else m.raw("0"),
                    )
                )
                for c in record.coefficients
            ),
        ]
    else:
        blocks.append(say("The sum in part names has too many terms to be read; in numbers it is"))
    numbers = record.analysis.response.numbers
    if numbers is not None:
        ends = numbers.denominator if one else (0.0,)
        blocks += [say("With the values:"), *_numeric_sum(record, ends)]
    verdict = "checked exactly, as fractions" if record.analysis.law_holds else "IT DOES NOT"
    blocks.append(say(f"The numerators add up to {end.plain}: {verdict}."))
    if record.spot is not None:
        at = format_si(record.spot.frequency_hz, "Hz", 4)
        blocks += [
            say(f"At {at}, for example:"),
            Grid(
                ("terminal", "transfer"),
                (
                    *((str(t), m.complex_number(v)) for t, v in record.spot.values),
                    ("sum", m.complex_number(_rounded(record.spot.total), 9)),
                ),
            ),
        ]
    return blocks


def _rounded(z: complex) -> complex:
    return complex(round(z.real, 9), round(z.imag, 9))


def _power(k: int) -> Math:
    return m.raw("1") if k == 0 else m.raw("s") if k == 1 else Math(f"s^{k}", f"s^{{{k}}}")


def _bare(terms: Sequence[Term]) -> tuple[Term, ...]:
    """Return the coefficient of one power of s, without it."""
    return tuple((0, parts, c) for _, parts, c in terms)


def _contributions(terms: Sequence[tuple[Terminal, tuple[Term, ...]]]) -> Math:
    pieces = []
    for t, row in terms:
        of = m.terms(_bare(row))
        shown = m.grouped(of) if len(terms) > 1 else of
        label = m.word(str(t))
        pieces.append(
            Math(f"{shown.plain} [{label.plain}]", rf"\underbrace{{{of.latex}}}_{{{label.latex}}}")
        )
    return m.joined(pieces, " + ") if pieces else m.raw("0")


def _at_power(power: int, from_terminals: Math, in_denominator: Math) -> Math:
    """Return the line of one power: what the terminals give, and what D has."""
    of = _power(power)
    lead = Math(f"{of.plain}: ", rf"{of.latex}\colon\; ")
    return m.joined([lead, m.equal(from_terminals, in_denominator)], "")


def _numeric_sum(record: Explanation, denominator: Sequence[float]) -> list[Block]:
    rows = [r for r in record.analysis.terminals if r.numerator is not None]
    n = max(len(denominator), *(len(r.numerator or ()) for r in rows)) - 1

    def at(coefficients: Sequence[float], power: int) -> float:
        k = len(coefficients) - 1 - power
        return coefficients[k] if k >= 0 else 0.0

    return [
        Equation(
            _at_power(
                k,
                m.total([m.number(at(r.numerator or (), k)) for r in rows]),
                m.number(at(denominator, k)),
            )
        )
        for k in range(n, -1, -1)
    ]


# -- 5 H and its complement ------------------------------------------------------------------------


#: By what H and its complement sum to: the heading, and what takes the place of N(s).
_PLACES = {
    1: ("5. H and 1 - H", "D(s) - N(s)"),
    0: ("5. H and -H", "-N(s)"),
    -1: ("5. H and -1 - H", "-D(s) - N(s)"),
}


def _but_the_probe(network: Network) -> str:
    held = [t for t in network.terminals if t.at != "ground" and t.held]
    return "".join(f", {t} left at the input, which the output goes on reading" for t in held)


def _complement(record: Explanation) -> list[Block]:
    analysis = record.analysis
    total = record.network.terminal_sum
    several = len(analysis.inputs) > 1
    heading, place = _PLACES[total if several else record.network.complement_sum]
    blocks: list[Block] = [
        Heading(heading),
        say(
            "H is the sum over the terminals at an input: they are at 1 V together. The rest of "
            f"the sum, over the terminals at ground, is what is missing to {total}:"
        ),
    ]
    for row in analysis.inputs:
        driven = [t_of(r.terminal) for r in analysis.terminals if r.terminal.at == row.name]
        h = m.symbol("H", row.name if several else "", "s")
        blocks.append(Equation(m.equal(h, m.total(driven), m.fraction(row.formula))))
    grounded = [t_of(r.terminal) for r in analysis.terminals if r.terminal.at == "ground"]
    hs = [m.symbol("H", row.name if several else "", "s") for row in analysis.inputs]
    left = m.less(total, hs)
    blocks.append(Equation(m.equal(left, m.total(grounded), m.fraction(analysis.ground.formula))))
    if analysis.response.numbers is not None:
        for h, row in zip((*hs, left), (*analysis.inputs, analysis.ground), strict=True):
            if row.transfer is not None:
                shown = m.ratio(row.transfer.numerator, row.transfer.denominator)
                blocks.append(Equation(m.equal(h, shown)))
    if several:
        blocks.append(
            say("The complement of all inputs together is what the ground, driven alone, gives.")
        )
        return blocks
    exchange = "So interchange the two: drive the terminals at ground, ground the driven ones"
    stays: tuple[str | Math, ...] = ("The denominator stays, and ", m.raw(place))
    if record.complement is None:
        return [*blocks, say(f"{exchange}. ", *stays, " takes the place of N(s).")]
    return [
        *blocks,
        say(f"{exchange}{_but_the_probe(record.network)}, so that its own transfer stays:"),
        *_read_on(record, record.complement),
        say(*stays, " takes the place of N(s)."),
    ]


def _read_on(record: Explanation, row: InputRow) -> list[Block]:
    """Return the lines from -H to the complement where the output reads the input."""
    h, other = m.symbol("H", "", "s"), m.symbol("H'", "", "s")
    both = record.network.complement_sum
    terminals = record.network.terminals
    probe = [t_of(t) for t in terminals if t.at != "ground" and t.held]
    grounded = [t_of(t) for t in terminals if t.at == "ground"]
    lines = [
        m.equal(m.total(probe), m.raw(str(both))),
        m.equal(other, m.total([*grounded, *probe])),
        m.equal(other, m.total([m.less(0, [h]), m.raw(str(both))]), m.less(both, [h])),
        m.equal(other, m.fraction(row.formula)),
    ]
    if row.transfer is not None:
        lines.append(m.equal(other, m.ratio(row.transfer.numerator, row.transfer.denominator)))
    return [Equation(line) for line in lines]
