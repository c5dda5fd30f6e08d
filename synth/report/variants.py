"""Decks of one circuit for several purposes: ideal, with an op-amp model, with parts that vary.

The last one draws its circuits in the simulator itself (ngspice): a ``.control`` section changes
every part within its tolerance, sweeps, and appends the output to a file, again and again.
"""

from __future__ import annotations

from typing import Literal

from synth.analysis.amplifier import Amplifier
from synth.errors import NumberError
from synth.network.deck_writer import AmplifierChoice
from synth.network.model import Network
from synth.report.netlist import deck_text, sweep
from synth.tolerances.spread import Ranges, Spread, ranges
from synth.units import format_deck

#: Most circuits of one run, and where the simulator puts them.
MOST_RUNS = 100_000
FILE = "spread.txt"
#: Frequencies per decade.
_POINTS = 50

#: What stands in a deck for its op amps: its own, ideal ones, or a model.
OpAmpChoice = Literal["own", "ideal"] | Amplifier


def variant_deck(
    network: Network,
    op_amp: OpAmpChoice = "own",
    spread: Spread | None = None,
    *,
    runs: int = 100,
    seed: int = 1,
) -> str:
    """Return a deck of the circuit.

    Parameters
    ----------
    network : Network
        With values and one input.
    op_amp : "own", "ideal" or Amplifier
        The deck's own subcircuits (ideal where it has none); ideal ones; or one with two poles
        and an output resistance.
    spread : Spread, optional
        Then the simulator draws circuits within these tolerances.
    runs, seed : int
        How many, and the seed of the simulator's generator.

    Raises
    ------
    NetworkError
        If it cannot be written as a deck; the message names the part.
    NumberError
        If a number is out of range, or the spread has a temperature: the simulator's own
        temperature sweeps are for that.

    Examples
    --------
    >>> from synth.catalog import stage
    >>> text = variant_deck(stage("rc-lowpass").circuit(), spread=Spread(0.01, 0.05), runs=10)
    >>> [line for line in text.splitlines() if "alter" in line][0]
    'alter R1 = 15.8k * (1 + 10m * sunif(0))'
    """
    choice: AmplifierChoice = None if op_amp == "own" else op_amp
    deck = deck_text(network, choice)
    if spread is None:
        return deck
    _check(spread, runs, seed)
    block = _control(network, ranges(network, spread), runs, seed)
    return deck.removesuffix(".end\n") + "\n".join([*block, ".end", ""])


def _check(spread: Spread, runs: int, seed: int) -> None:
    if spread.temperature is not None:
        raise NumberError(
            "a deck with spread has no temperature; leave it out, and sweep .temp in the simulator"
        )
    if not 1 <= runs <= MOST_RUNS:
        raise NumberError(f"{runs} circuits are out of range; choose 1 to {MOST_RUNS}")
    if not 1 <= seed < 2**31:
        raise NumberError(f"the seed {seed} is none of the simulator's; choose 1 to 2147483647")


def _control(network: Network, spread: Ranges, runs: int, seed: int) -> list[str]:
    first, last = (format_deck(f) for f in sweep(network))
    normal = spread.distribution.shape == "normal"
    body: list[str] = []
    for b, share in zip(network.branches, spread.tolerance, strict=True):
        value, width = format_deck(b.value or 0.0), format_deck(float(share))
        draw = "sunif(0)"
        if normal:
            sigmas = format_deck(spread.distribution.sigmas)
            body += [
                f"let z = {sigmas} + 1",
                f"dowhile abs(z) > {sigmas}",
                "let z = sgauss(0)",
                "end",
            ]
            draw = f"z / {sigmas}"
        body.append(f"alter {b.name} = {value} * (1 + {width} * {draw})")
    output = _written_decibels(network)
    return [
        f"* {runs} circuits, every part {spread.distribution}; run in batch, the simulator",
        f"* appends frequency and dB of each to {FILE}; delete that before another run",
        ".control",
        f"setseed {seed}",
        "set appendwrite",
        "set numdgt = 9",
        f"repeat {runs}",
        *body,
        f"ac dec {_POINTS} {first} {last}",
        f"wrdata {FILE} {output}",
        "end",
        ".endc",
    ]


def _written_decibels(network: Network) -> str:
    from synth.network.deck_nodes import deck_nodes

    nodes = deck_nodes(network)
    first, *others = (nodes[n] for n in network.reading.nodes)
    return f'vdb("{first}")' if not others else f'db(v("{first}")-v("{others[0]}"))'
