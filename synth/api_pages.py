"""Figures, pages, parts lists and decks in a few lines."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from synth.checking.conditions import Conditions
from synth.checking.model import OpAmpModel, op_amp_model
from synth.errors import NetworkError
from synth.masks.limits import Limit
from synth.network.model import Network
from synth.pages.build import page as page_of
from synth.pages.record import Page
from synth.plots.figures import figure as figure_of
from synth.plots.record import Figure
from synth.plots.write import picture_bytes
from synth.realisation.circuit import Circuit as Read
from synth.realisation.circuit import read_circuit
from synth.realisation.design import Design, Realisation
from synth.realisation.saved import write_bytes, write_file
from synth.report.examined import SAMPLES, Examined, Wishes, examine
from synth.report.parts_list import PartsList
from synth.report.parts_list import parts_list as listed
from synth.report.variants import OpAmpChoice, variant_deck
from synth.tolerances.spread import Spread
from synth.values.series import CAPACITORS, RESISTORS

#: What these functions take as a circuit.
Circuit = Network | Design | Realisation | str | Path

_CHOICES: dict[str, OpAmpChoice] = {"own": "own", "ideal": "ideal"}


def plot(
    circuit: Circuit,
    figure: str = "magnitude",
    *,
    path: str | Path | None = None,
    op_amp: OpAmpModel | str | None = None,
    conditions: Conditions | None = None,
    spread: Spread | None = None,
    mask: Sequence[Limit] = (),
    resistors: str = RESISTORS.series,
    capacitors: str = CAPACITORS.series,
    samples: int = SAMPLES,
    seed: int = 0,
) -> Figure:
    """Return a figure of a circuit as data, which a notebook draws; write it if a path is given.

    Parameters
    ----------
    circuit : Network, Design, Realisation, str or Path
        The last two as `read` takes them.
    figure : str
        magnitude, phase, delay, step, impulse, poles, complement, sensitivity or noise.
    path : str or Path, optional
        Ends in .svg or .png.
    op_amp : OpAmpModel or str, optional
        As in `check`; by default a usual class with enough gain-bandwidth.
    conditions : Conditions, optional
        Source, load, band and level.
    spread : Spread, optional
        Tolerances; by default 1 % for resistors and 5 % for others.
    mask : sequence of Limit
        Those of `read_mask(...).absolute`.
    resistors, capacitors : str
        Series for values that are in no preferred series.
    samples, seed : int
        Circuits drawn for the tolerance band.

    Raises
    ------
    SynthError
        If the circuit cannot be examined, or there is no such figure; the message says why.

    Examples
    --------
    >>> made = plot("sallen-key-lowpass-unity", "step", samples=100)
    >>> [curve.label for curve in made.panels[0].curves]
    ['preferred values', 'final value']
    """
    wishes = _wishes(op_amp, conditions, spread, mask, resistors, capacitors, samples, seed)
    made = figure_of(_examined(circuit, wishes), figure)
    if path is not None:
        write_bytes(path, picture_bytes(made, Path(path).suffix))
    return made


def page(
    circuits: Circuit | Sequence[Circuit],
    *,
    path: str | Path | None = None,
    title: str = "",
    op_amp: OpAmpModel | str | None = None,
    conditions: Conditions | None = None,
    spread: Spread | None = None,
    mask: Sequence[Limit] = (),
    resistors: str = RESISTORS.series,
    capacitors: str = CAPACITORS.series,
    samples: int = SAMPLES,
    seed: int = 0,
) -> Page:
    """Return a page about one or several circuits; write its HTML file if a path is given.

    Parameters
    ----------
    circuits : Network, Design, Realisation, str or Path, or a sequence of them
        Several stand side by side.
    path : str or Path, optional
        Of the HTML file.
    title : str
        By default that of the circuit.
    op_amp, conditions, spread, mask, resistors, capacitors, samples, seed
        As in `plot`.

    Raises
    ------
    SynthError
        If a circuit cannot be examined; the message says why.

    Examples
    --------
    >>> made = page("sallen-key-lowpass-unity", samples=100)
    >>> made.title, made.html[:15]
    ('Sallen-Key low-pass, unity gain', '<!DOCTYPE html>')
    """
    wishes = _wishes(op_amp, conditions, spread, mask, resistors, capacitors, samples, seed)
    several: Sequence[Circuit]
    if isinstance(circuits, Network | Design | Realisation | str | Path):
        several = (circuits,)
    else:
        several = tuple(circuits)
    if not several:
        raise NetworkError("a page needs at least one circuit; name one")
    made = page_of([_examined(c, wishes) for c in several], "synth.page(...) in Python", title)
    if path is not None:
        write_file(path, made.html)
    return made


def parts_list(circuit: Circuit, spread: Spread | None = None) -> PartsList:
    """Return the parts of a circuit by kind, value and tolerance; ``print`` shows the list.

    Parameters
    ----------
    circuit : Network, Design, Realisation, str or Path
    spread : Spread, optional
        Tolerances; by default 1 % for resistors and 5 % for others.

    Returns
    -------
    PartsList
        Its ``csv`` is for a spreadsheet.

    Examples
    --------
    >>> [(g.count, g.text) for g in parts_list("sallen-key-lowpass-unity").groups]
    [(2, '10.7 kohm'), (1, '10 nF'), (1, '22 nF'), (1, '')]
    """
    return listed(_read(circuit).network, spread)


def netlist(
    circuit: Circuit,
    op_amp: OpAmpModel | str = "own",
    spread: Spread | None = None,
    *,
    runs: int = 100,
    seed: int = 1,
) -> str:
    """Return a deck that the simulator ngspice runs unchanged.

    Parameters
    ----------
    circuit : Network, Design, Realisation, str or Path
    op_amp : OpAmpModel or str
        ``"own"`` for the deck's own subcircuits (ideal where it has none), ``"ideal"``, or a
        model as in `check`: gain, two poles and output resistance are written.
    spread : Spread, optional
        Then the simulator draws `runs` circuits within these tolerances, with this seed.

    Raises
    ------
    SynthError
        If it cannot be written; the message says why.

    Examples
    --------
    >>> print(netlist("rc-lowpass").splitlines()[2])
    R1 in out 15.8k
    """
    choice: OpAmpChoice
    if isinstance(op_amp, OpAmpModel):
        choice = op_amp.amplifier
    elif op_amp in _CHOICES:
        choice = _CHOICES[op_amp]
    else:
        choice = op_amp_model(op_amp).amplifier
    return variant_deck(_read(circuit).network, choice, spread, runs=runs, seed=seed)


def _read(circuit: Circuit) -> Read:
    """Return a circuit in any form as one that was read, with its name and notes."""
    if isinstance(circuit, Realisation):
        return Read(circuit.label, circuit.design, circuit.notes)
    if isinstance(circuit, Design):
        return Read(circuit.network.title or "the circuit", circuit)
    if isinstance(circuit, Network):
        return Read(circuit.title or "the circuit", Design(circuit))
    return read_circuit(str(circuit))


def _examined(circuit: Circuit, wishes: Wishes) -> Examined:
    found = _read(circuit)
    placement = None if found.stage is None else found.stage.placement
    return examine(found.name, found.design, wishes, found.notes, placement)


def _wishes(
    op_amp: OpAmpModel | str | None,
    conditions: Conditions | None,
    spread: Spread | None,
    mask: Sequence[Limit],
    resistors: str,
    capacitors: str,
    samples: int,
    seed: int,
) -> Wishes:
    model = op_amp_model(op_amp) if isinstance(op_amp, str) else op_amp
    return Wishes(
        model, conditions, spread or Spread(), tuple(mask), resistors, capacitors, samples, seed
    )
