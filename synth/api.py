"""The library in a few lines: read, analyse, transform, realise, save.

Every function takes and returns frozen objects; nothing is changed in place.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from pathlib import Path

from synth.errors import TargetError
from synth.masks.limits import Limit
from synth.network.deck_reader import read_deck
from synth.network.model import Network
from synth.progress import Progress
from synth.realisation.brief import Brief
from synth.realisation.circuit import read_circuit, read_design_file
from synth.realisation.design import Design, Realisation
from synth.realisation.divide import Division, division
from synth.realisation.realise import realise as search
from synth.realisation.request import Effort, ErrorWish, PartWishes, request_for
from synth.realisation.revalue import revalue
from synth.realisation.revalued import Revalued
from synth.realisation.saved import design_text, write_file
from synth.report.explain import explanation
from synth.report.explanation import Explanation
from synth.report.record import Analysis, analysis_record
from synth.target import Target, response_target, transfer_target
from synth.tolerances.classes import cheapest_classes as cheapest_classes
from synth.tolerances.spread import Spread
from synth.tolerances.study import tolerance as tolerance
from synth.transfer.expression import transfer_from_text
from synth.transfer.transfer import Transfer
from synth.transform.drive import Swap
from synth.transform.impedance import ImpedanceSwap
from synth.transform.scale import ScaleFrequency, ScaleImpedance
from synth.transform.step import Step, Transformation
from synth.units import parse_si
from synth.values.proven import WORK
from synth.values.series import CAPACITORS, RESISTORS, Shelf
from synth.values.stock import Stock

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


# -- targets and realisations ----------------------------------------------------------------------


def target_for(
    kind: str,
    at: float | str,
    *,
    family: str | None = None,
    order: int | None = None,
    ripple_db: float | None = None,
    stop_attenuation_db: float | None = None,
    phase_degrees: float | None = None,
    delay_ripple: float | None = None,
    gain: float = 1.0,
    q: float | None = None,
    width_hz: float | None = None,
    edge: str | None = None,
) -> Target:
    """Return the target of a kind of response; `print` says what its numbers mean.

    Parameters
    ----------
    kind : str
        lowpass, highpass, bandpass, bandstop or allpass.
    at : float or str
        Frequency in hertz, or text such as ``"1kHz"``.
    family, order, ripple_db, stop_attenuation_db, phase_degrees, delay_ripple, gain, q, width_hz
        As ``edge``: see `synth.target.responses.response_target`.

    Raises
    ------
    TargetError
        If something is out of range, missing, or does not belong to the kind.

    Examples
    --------
    >>> target_for("bandstop", "50Hz", q=5).transfer.order
    2
    """
    return response_target(
        kind,
        parse_si(at, "Hz") if isinstance(at, str) else at,
        family=family,
        order=order,
        ripple_db=ripple_db,
        stop_attenuation_db=stop_attenuation_db,
        phase_degrees=phase_degrees,
        delay_ripple=delay_ripple,
        gain=gain,
        q=q,
        width_hz=width_hz,
        edge=edge,
    )


def target_from_text(h: str, at: float | str | None = None, complement: bool = False) -> Target:
    """Return the target H(s) from its text, such as ``"1/(s^2 + sqrt(2)*s + 1)"``.

    Parameters
    ----------
    h : str
        A rational function of s; it is parsed and never evaluated as code.
    at : float or str, optional
        Frequency in hertz on which s = j1 falls; without it s is in rad/s.
    complement : bool
        Whether 1 - H is wanted.
    """
    return target_from_transfer(transfer_from_text(h), at, complement)


def target_from_transfer(
    transfer: Transfer, at: float | str | None = None, complement: bool = False
) -> Target:
    """Return a transfer function as a target; parameters as in `target_from_text`."""
    return transfer_target(transfer, parse_si(at, "Hz") if isinstance(at, str) else at, complement)


def realise(
    target: Target | str,
    at: float | str | None = None,
    *,
    family: str | None = None,
    order: int | None = None,
    ripple_db: float | None = None,
    stop_attenuation_db: float | None = None,
    gain: float | None = None,
    q: float | None = None,
    width_hz: float | None = None,
    edge: str | None = None,
    resistors: Shelf = RESISTORS,
    capacitors: Shelf = CAPACITORS,
    top: int = 5,
    seed: int = 0,
    best_for: str = "range",
    mask: Sequence[Limit] = (),
    spread: Spread | None = None,
    rank: str | None = None,
    executor: Executor | None = None,
    progress: Progress | None = None,
) -> tuple[Realisation, ...]:
    """Return circuits for a target, best first.

    Parameters
    ----------
    target : Target or str
        A target, or the kind of one; then the other arguments are those of `target_for`.
    at, family, order, ripple_db, stop_attenuation_db, gain, q, width_hz, edge
        See `target_for`; only with a kind.
    resistors, capacitors : Shelf
        Series and window of the values.
    top : int
        How many circuits at most.
    seed : int
        Of the value search; the result is reproducible.
    best_for : str
        What pairing, order and gains of sections are chosen for: ``range`` (the largest dynamic
        range) or ``noise``.
    mask : sequence of Limit
        What the response must keep; values are then chosen for the largest margin, and each
        circuit has its yield.
    spread : Spread, optional
        How parts vary, for the yield.
    rank : str, optional
        Criteria to rank by first, joined by commas (`synth.realisation.ranking.IDEAL`), such as
        ``"range"``; circuits that are best by them are looked for.
    executor : Executor, optional
        Any of `concurrent.futures` or like it; the result does not depend on it.
    progress : callable, optional
        Called with (done, total) as the search goes on.

    Returns
    -------
    tuple of Realisation
        Each with its ``network``, ``design``, ``error_db`` and the stages it is made of.

    Raises
    ------
    TargetError
        If the target is none a circuit can have.
    RealisationError
        If no circuit of the catalogue realises it.
    """
    if isinstance(target, Target):
        others = (at, family, order, ripple_db, stop_attenuation_db, gain, q, width_hz, edge)
        if any(x is not None for x in others):
            raise TargetError("a Target is complete; give the other arguments to target_for")
        wanted = target
    else:
        if at is None:
            raise TargetError(f"a {target} needs its frequency; give at in hertz")
        wanted = target_for(
            target,
            at,
            family=family,
            order=order,
            ripple_db=ripple_db,
            stop_attenuation_db=stop_attenuation_db,
            gain=1.0 if gain is None else gain,
            q=q,
            width_hz=width_hz,
            edge=edge,
        )
    brief = Brief(
        wanted,
        resistors,
        capacitors,
        best_for,
        tuple(mask),
        spread or Spread(),
        seed,
        executor,
        rank,
    )
    return search(brief, top=top, progress=progress)


def divide(
    corners: Sequence[float | str],
    *,
    family: str = "butterworth",
    order: int = 1,
    ripple_db: float | None = None,
    resistors: Shelf = RESISTORS,
    capacitors: Shelf = CAPACITORS,
    seed: int = 0,
    executor: Executor | None = None,
    progress: Progress | None = None,
) -> Division:
    """Divide a signal into bands whose outputs sum to 1, from low-passes and their complements.

    Parameters
    ----------
    corners : sequence of float or str
        Hertz, or a text as ``"300Hz"``, rising.
    family, order, ripple_db
        Of the low-passes; see `target_for`.
    resistors, capacitors, seed, executor, progress
        As in `realise`.

    Returns
    -------
    Division
        Its ``network`` has an output for each of its ``bands``.

    Raises
    ------
    TargetError
        If the corners do not rise, or the low-passes make no sense.
    RealisationError
        If no circuit has a complement that can be built.

    Examples
    --------
    >>> found = divide([500.0])
    >>> [band.name for band in found.bands], found.sum_is_one
    (['low', 'high'], True)
    """
    targets = [
        target_for("lowpass", f, family=family, order=order, ripple_db=ripple_db) for f in corners
    ]
    at = [t.at_hz or 0.0 for t in targets]
    if at != sorted(set(at)):
        raise TargetError("the corners of a division must rise, each given once")
    briefs = [Brief(t, resistors, capacitors, seed=seed, executor=executor) for t in targets]
    return division(briefs, progress)


# -- preferred values ------------------------------------------------------------------------------


def choose_values(
    circuit: Network | str | Path,
    target: Target | Transfer | None = None,
    *,
    resistors: str = RESISTORS.series,
    capacitors: str = CAPACITORS.series,
    resistor_window: tuple[float, float] | None = None,
    capacitor_window: tuple[float, float] | None = None,
    parts: Mapping[str, str] | None = None,
    keep: Mapping[str, float | None] | Sequence[str] = (),
    ties: Sequence[Sequence[str]] = (),
    pairs: Mapping[str, str] | None = None,
    stock: Stock | None = None,
    metric: str | None = None,
    band: tuple[float, float] | None = None,
    mask: Sequence[Limit] = (),
    floor: float | None = None,
    top: int = 5,
    work: float = WORK,
    seconds: float | None = None,
    pareto: bool = False,
    progress: Progress | None = None,
) -> Revalued:
    """Choose preferred values for a circuit, and prove the choice.

    Parameters
    ----------
    circuit : Network, str or Path
        A network, or what `read` takes; a stage of the catalogue has its example values.
    target : Target or Transfer, optional
        By default the circuit's own exact response.
    resistors, capacitors, resistor_window, capacitor_window, parts, keep, ties, pairs, stock
        See `synth.realisation.request.PartWishes`; `keep` may be names alone.
    metric, band, mask, top, work, seconds, pareto
        See `synth.realisation.request.ValueRequest`.
    floor : float, optional
        Error that is good enough: then the spread is the least.  0 for the bare optimum; by
        default a tenth of the smallest tolerance, or 1.5 times the least error where that is more.
    progress : callable, optional
        Called with (work done, work that there is at most).

    Returns
    -------
    Revalued
        With ``network``, ``values``, ``error``, ``bound``, ``proved``, ``certificate``,
        ``alternatives``, ``stages``.

    Raises
    ------
    NumberError
        If a wish is impossible, or no choice comes near.
    TargetError
        If the circuit cannot have the target with any values; the message says by how much.

    Examples
    --------
    >>> found = choose_values("sallen-key-lowpass-unity", resistors="E24", floor=0)
    >>> found.proved, found.error < 0.002
    (True, True)
    """
    network = circuit if isinstance(circuit, Network) else read(circuit)
    wishes = PartWishes(
        resistors,
        capacitors,
        resistor_window,
        capacitor_window,
        parts or {},
        dict(keep) if isinstance(keep, Mapping) else dict.fromkeys(keep),
        ties,
        pairs or {},
        stock,
    )
    error = ErrorWish(metric, band, mask, floor)
    request = request_for(network, wishes, error, Effort(top, work, seconds, pareto))
    wanted = target.transfer if isinstance(target, Target) else target
    return revalue(network, request, wanted, progress)
