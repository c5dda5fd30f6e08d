"""The library in a few lines: read, analyse, transform, realise, save.

Every function takes and returns frozen objects; nothing is changed in place.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from synth.network.deck_reader import read_deck
from synth.network.model import Network
from synth.realisation.circuit import read_circuit, read_design_file
from synth.realisation.design import Design
from synth.realisation.saved import design_text, write_file
from synth.report.explain import explanation
from synth.report.explanation import Explanation
from synth.report.record import Analysis, analysis_record
from synth.transform.drive import Swap
from synth.transform.impedance import ImpedanceSwap
from synth.transform.scale import ScaleFrequency, ScaleImpedance
from synth.transform.step import Step, Transformation

# -- reading and writing ---------------------------------------------------------------------------


def read(
    source: str | Path,
    *,
    input_: str | None = None,
    output: str | None = None,
    ground: str | None = None,
    keep_grounded: Sequence[str] = (),
) -> Network:
    """Read a circuit; notes on the text of a deck are in ``read_circuit(source).notes``.

    Parameters
    ----------
    source : str or Path
        A deck file (.cir, .net, .sp), a saved design (.json), a stage of the catalogue (with its
        example values), or, when it has several lines, the text of a deck itself.
    input_, output, ground : str, optional
        Nodes of a deck, where they cannot be told from it; several inputs joined by commas, and
        so the two nodes of a differential output.
    keep_grounded : sequence of str
        Parts whose ends at ground stay there whatever the transformation.

    Raises
    ------
    SynthError
        If it cannot be read; the message says what to do.

    Examples
    --------
    >>> wave_sensor = read('''wave sensor, first stage
    ... VIN in 0 AC 1
    ... R1 in out 10k
    ... C1 out 0 100n
    ... .end''')
    >>> wave_sensor.values
    {'R1': 10000.0, 'C1': 1e-07}
    """
    if isinstance(source, str) and "\n" in source:
        return read_deck(
            source, input_=input_, output=output, ground=ground, keep_grounded=keep_grounded
        ).network
    return read_circuit(
        str(source), input_=input_, output=output, ground=ground, keep_grounded=keep_grounded
    ).network


def save(design: Design | Network, path: str | Path) -> None:
    """Write a design, or a bare network as one, to a file that `load` reads.

    Raises
    ------
    FormatError
        If the file cannot be written; nothing is left behind then.
    """
    whole = design if isinstance(design, Design) else Design(design)
    write_file(path, design_text(whole))


def load(path: str | Path) -> Design:
    """Read a saved design; FormatError names the key that is wrong."""
    return read_design_file(path)


# -- analysis and transformations ------------------------------------------------------------------


def analyse(network: Network) -> Analysis:
    """Return the exact analysis: H, modes, terminals, stages; ``print`` shows the report.

    Raises
    ------
    SingularError
        If the equations have no unique solution.

    Examples
    --------
    >>> from synth.catalog import stage
    >>> result = analyse(stage("rc-lowpass").network)
    >>> print(result.response.formula)
    1/(s*C1*R1 + 1)
    >>> result.sum_is_one
    True
    """
    return analysis_record(network)


def explain(network: Network, transformations: Sequence[Transformation] = ()) -> Explanation:
    """Return the derivation of a circuit line by line; ``print`` shows it.

    Parameters
    ----------
    network : Network
        Also without values; then the numbers are missing.
    transformations : sequence of Transformation
        Applied in order and explained too.

    Returns
    -------
    Explanation
        Its ``text`` is plain, its ``markdown`` has formulas.

    Raises
    ------
    TransformError
        If a transformation does not apply; the message says why.
    SingularError
        If the equations have no unique solution.

    Examples
    --------
    >>> from synth.catalog import stage
    >>> record = explain(stage("sallen-key-lowpass-unity").circuit(), [Swap()])
    >>> print(record.hidden.vanishes, record.steps[0].sum)
    True 1
    """
    return explanation(network, [(str(t), t) for t in transformations])


def apply(network: Network, transformation: Transformation) -> tuple[Network, Step]:
    """Apply a transformation; return the new network and the step that records it.

    Raises
    ------
    TransformError
        If it does not apply; the message says why.
    """
    return transformation.apply(network)


def swap(network: Network, stage: str = "") -> Network:
    """Interchange input and ground: H becomes 1 - H.

    Parameters
    ----------
    network : Network
    stage : str
        Empty for the whole; else one stage of a cascade, by its number or its parts joined by
        commas.

    Raises
    ------
    TransformError
        If it does not apply; the message says why.

    Examples
    --------
    >>> from synth.catalog import stage
    >>> print(analyse(swap(stage("rc-lowpass").network)).response.formula)
    s*C1*R1/(s*C1*R1 + 1)
    """
    return apply(network, Swap(stage))[0]


def rc_cr(network: Network, frequency_hz: float | None = None) -> Network:
    """Let resistors and capacitors change places: H(s) becomes H(w0**2/s).

    Parameters
    ----------
    network : Network
    frequency_hz : float, optional
        w0/(2 pi) in hertz; by default the geometric mean of the natural modes.

    Raises
    ------
    TransformError
        If it does not apply; the message says why.
    """
    return apply(network, ImpedanceSwap(frequency_hz))[0]


def scale_frequency(network: Network, factor: float) -> Network:
    """Multiply every frequency of the response by a factor: H(s) becomes H(s/factor)."""
    return apply(network, ScaleFrequency(factor))[0]


def scale_impedance(network: Network, factor: float) -> Network:
    """Multiply every impedance by a factor; H is unchanged."""
    return apply(network, ScaleImpedance(factor))[0]
