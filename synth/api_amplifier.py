"""Real op amps in a few lines: check a circuit at hand, rank the circuits for a target."""

from __future__ import annotations

from concurrent.futures import Executor

from synth.checking.checked import check as check_with
from synth.checking.conditions import conditions_of
from synth.checking.model import OpAmpModel, op_amp_model
from synth.network.model import Network
from synth.realisation.brief import Brief
from synth.realisation.ranking import REAL, ideal_names, parse_order
from synth.realisation.with_amplifier import Ranking
from synth.realisation.with_amplifier import ranking as rank_with
from synth.report.check import CheckRecord
from synth.target import Target
from synth.values.series import CAPACITORS, RESISTORS, Shelf


def check(
    network: Network,
    op_amp: OpAmpModel | str,
    *,
    source_resistance: float = 0.0,
    load: float | None = None,
    band_hz: tuple[float, float] | None = None,
    level: float | None = None,
    tolerance: float = 0.01,
    before: Network | None = None,
) -> CheckRecord:
    """Check a circuit with a real op amp before it is built; ``print`` shows the report.

    Parameters
    ----------
    network : Network
        With values, one input and one output.
    op_amp : OpAmpModel or str
        A model, or the text of one: a class, a file, or ``"gbw=1M,offset=1m,..."``.
    source_resistance : float
        ohm.
    load : float, optional
        From the output to ground, ohm.
    band_hz : tuple of two float, optional
        The band that matters, Hz.
    level : float, optional
        Amplitude of the source, V.
    tolerance : float
        Of every part, as a share.
    before : Network, optional
        The circuit before a swap, a lift or another change, to be compared with; by default this
        one with input and ground interchanged.

    Returns
    -------
    CheckRecord
        Its ``findings`` say what to do, its ``figures`` hold every number by name.

    Raises
    ------
    SynthError
        If the circuit or the model cannot be checked; the message says why.

    Examples
    --------
    >>> from synth.catalog import stage
    >>> record = check(stage("sallen-key-lowpass-unity").circuit(), "general-purpose")
    >>> [f.code for f in record.findings if f.severity == "serious"]
    []
    >>> record.figures["stable"]
    True
    """
    model = op_amp_model(op_amp) if isinstance(op_amp, str) else op_amp
    conditions = conditions_of(source_resistance, load, band_hz, level, tolerance)
    checked = check_with(network, model, conditions, before=before)
    return CheckRecord(network.title, checked, (), True)


def ranking(
    target: Target,
    op_amp: OpAmpModel | str,
    *,
    rank: str | None = None,
    source_resistance: float = 0.0,
    load: float | None = None,
    band_hz: tuple[float, float] | None = None,
    level: float | None = None,
    resistors: Shelf = RESISTORS,
    capacitors: Shelf = CAPACITORS,
    seed: int = 0,
    best_for: str = "range",
    executor: Executor | None = None,
) -> Ranking:
    """Return circuits for a target, ranked with a real op amp.

    Parameters
    ----------
    target : Target
    op_amp : OpAmpModel or str
        As in `check`.
    rank : str, optional
        Criteria to rank by first, joined by commas (`synth.realisation.ranking.REAL`).
    source_resistance, load, band_hz, level
        As in `check`.
    resistors, capacitors, seed, best_for, executor
        As in `realise`.

    Returns
    -------
    Ranking
        Its ``rows`` are best first, each with its scores and full check; ``explain()`` says what
        put each before the next, ``pareto()`` gives those that no other beats.

    Raises
    ------
    RealisationError
        If no circuit of the catalogue realises it, or a criterion is unknown.
    """
    return rank_with(
        Brief(
            target,
            resistors,
            capacitors,
            best_for,
            seed=seed,
            executor=executor,
            rank=ideal_names(rank),
        ),
        op_amp_model(op_amp) if isinstance(op_amp, str) else op_amp,
        conditions_of(source_resistance, load, band_hz, level),
        order=parse_order(rank, REAL, best_for),
    )
