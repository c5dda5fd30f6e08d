"""Figures over frequency: magnitude with everything that bears on it, phase, delay, complement."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import numpy as np
import numpy.typing as npt

from synth.errors import NumberError
from synth.masks.limits import Limit
from synth.plots.record import Axis, Band, Curve, Figure, Panel, Region
from synth.plots.scales import si_text
from synth.report.examined import Examined
from synth.target.target import RANGE_DB
from synth.transfer.phase import group_delay, phase
from synth.transfer.transfer import Transfer

Array = npt.NDArray[np.float64]

#: Lines of several circuits in one figure.
_ROLES = ("first", "second", "third", "fourth", "fifth", "sixth")
#: What the curves are called.
TARGET, GIVEN, BUILT = "target", "values as given", "preferred values"
#: Height of the magnitude panel in dB, at most and at least.
_MOST_DB, _LEAST_DB = 100.0, 40.0
#: Half the height of the panel of deviations in dB, at least and at most.
_LEAST_DEVIATION, _MOST_DEVIATION = 0.1, 6.0


def magnitude(found: Examined) -> Figure:
    """Return target, mask, values given and preferred, tolerance and real op amp in one figure."""
    f = found.frequencies
    lines = _responses(found)
    curves = [Curve(label, role, _row(f), _row(decibels(h))) for label, role, h in lines]
    band, worst = _tolerance(found)
    inside = [np.array(c.y) for c in curves]
    y = _decibel_axis("magnitude", inside)
    top = Panel(
        _frequency_axis(f),
        y,
        (*curves, *_curves_of(worst, f)),
        tuple(_bands(band, f)),
        tuple(_regions(found.wishes.limits)),
        share=2.0,
    )
    low, high = found.tolerances.percents[0], found.tolerances.percents[-1]
    samples = found.tolerances.samples
    note = (
        f"{_op_amps(found)}tolerance: {low:g} to {high:g} % of {samples} circuits "
        "drawn; worst case: the bounds over all values within the tolerance. "
        f"Below: the distance from {_reference(found)[0]}, where |H| is within {RANGE_DB:g} dB of "
        "its largest."
    )
    below = _deviations(found)
    if cut := _cut(below):
        note += f" {cut}"
    return Figure("magnitude", "Magnitude", (top, below), note=note)


def phase_figure(found: Examined) -> Figure:
    """Return the phase, continuous, in degrees."""
    f = found.frequencies
    built = phase(found.H, f)
    curves = [Curve(BUILT, "built", _row(f), _row(np.degrees(built)))]
    if found.target is not None:
        wanted = np.degrees(phase(found.target.transfer, f))
        curves.insert(0, Curve(TARGET, "target", _row(f), _row(wanted)))
    real = _continuous(np.degrees(np.angle(found.real)), np.degrees(built))
    curves.append(Curve(_real_label(found), "real", _row(f), _row(real)))
    y = _step_axis("phase", "deg", [np.array(c.y) for c in curves], 90.0)
    return Figure("phase", "Phase", (Panel(_frequency_axis(f), y, tuple(curves)),))


def _continuous(angles: Array, beside: Array) -> Array:
    """Unwrap angles in degrees, from the turn nearest to another curve's; NaN stays out."""
    there = np.flatnonzero(np.isfinite(angles))
    found = np.full(len(angles), math.nan)
    if len(there):
        turned = np.unwrap(angles[there], period=360.0)
        first = there[0]
        found[there] = turned + 360.0 * round((beside[first] - turned[0]) / 360.0)
    return found


def delay(found: Examined) -> Figure:
    """Return the group delay, by the exact derivative."""
    f = found.frequencies
    curves = [Curve(BUILT, "built", _row(f), _row(group_delay(found.H, f)))]
    if found.target is not None:
        wanted = group_delay(found.target.transfer, f)
        curves.insert(0, Curve(TARGET, "target", _row(f), _row(wanted)))
    curves.append(Curve(_real_label(found), "real", _row(f), _row(found.real_delay)))
    rows = [np.array(c.y) for c in curves]
    sizes = [np.abs(found.H.response(f))] * (len(curves) - 1) + [np.abs(found.real)]
    values = np.concatenate([y[_passing(size)] for y, size in zip(rows, sizes, strict=True)])
    values = values[np.isfinite(values)]
    high = float(np.max(values, initial=0.0)) * 1.1 or 1e-6
    low = min(0.0, float(np.min(values, initial=0.0)) * 1.1)
    y = Axis("group delay", "s", "linear", low, high)
    note = ""
    beyond = [v for row in rows for v in row[(row > high) | (row < low)] if math.isfinite(v)]
    if beyond:
        note = (
            f"Where |H| is more than {RANGE_DB:g} dB below its largest, peaks are cut; the "
            f"farthest reaches {si_text(max(beyond, key=abs), 's', 3)}."
        )
    panel = Panel(_frequency_axis(f), y, tuple(curves))
    return Figure("delay", "Group delay", (panel,), note=note)


def _passing(size: Array) -> npt.NDArray[np.bool_]:
    """Say where a magnitude counts; beside a notch the delay may be anything."""
    with np.errstate(invalid="ignore"):
        most = np.max(size[np.isfinite(size)], initial=0.0)
        return np.asarray(size >= most * 10 ** (-RANGE_DB / 20))


#: H + H' with ideal op amps -> what the difference from it is called.
_DEFECTS = {1: "defect H + H' − 1", 0: "defect H + H'", -1: "defect H + H' + 1"}
#: H + H' with ideal op amps -> how that looks, the vertical axis being in decibels.
_IDEAL = {
    1: "the sum is 1 (0 dB) and the defect 0",
    0: "the sum is 0, so that the sum itself is the defect",
    -1: "the sum is -1 (0 dB) and the defect 0",
}


def complement(found: Examined) -> Figure:
    """Return H, its complement, their sum and what real op amps take from it."""
    f = found.frequencies
    both = found.network.complement_sum
    other = both - found.real - found.hidden
    defect = (_DEFECTS[both], "defect", -found.hidden)
    rows = [("H", "built", found.real), ("complement H'", "complement", other)]
    # where the sum is to be 0 it is the defect
    rows += [("H + H'", "sum", found.real + other), defect] if both else [defect]
    curves = tuple(Curve(label, role, _row(f), _row(decibels(h))) for label, role, h in rows)
    y = _decibel_axis("magnitude", [np.array(c.y) for c in curves])
    note = (
        f"H' has input and ground interchanged. All with {found.model.name} op amps; with ideal "
        f"ones {_IDEAL[both]}."
        if found.network.op_amps
        else "H' has input and ground interchanged."
    )
    return Figure(
        "complement",
        "The circuit and its complement",
        (Panel(_frequency_axis(f), y, curves),),
        note=note,
    )


def comparison(several: Sequence[tuple[str, Examined]]) -> Figure:
    """Return the magnitudes of several circuits, with real op amps, and the targets.

    Parameters
    ----------
    several : sequence of (str, Examined)
        Each with its label.

    Raises
    ------
    NumberError
        If there are more circuits than lines that can be told apart.
    """
    if len(several) > len(_ROLES):
        raise NumberError(
            f"{len(several)} circuits in one figure cannot be told apart; take at most "
            f"{len(_ROLES)} at a time"
        )
    curves = []
    targets: list[Transfer] = []
    for _, found in several:
        if found.target is not None and found.target.transfer not in targets:
            targets.append(found.target.transfer)
            f = found.frequencies
            curves.append(Curve(TARGET, "target", _row(f), _row(decibels(targets[-1].response(f)))))
    for k, (label, found) in enumerate(several):
        f = found.frequencies
        curves.append(Curve(label, _ROLES[k], _row(f), _row(decibels(found.real))))
    y = _decibel_axis("magnitude", [np.array(c.y) for c in curves])
    every = np.concatenate([found.frequencies for _, found in several])
    panel = Panel(_frequency_axis(np.sort(every)), y, tuple(curves))
    return Figure("comparison", "Magnitudes, with real op amps", (panel,))


def decibels(response: npt.NDArray[np.complexfloating]) -> Array:
    """Return 20 log10 of a magnitude; minus infinity for zero."""
    with np.errstate(divide="ignore"):
        return np.asarray(20 * np.log10(np.abs(response)))


# -- the pieces ------------------------------------------------------------------------------------


def _responses(found: Examined) -> list[tuple[str, str, npt.NDArray[np.complexfloating]]]:
    f = found.frequencies
    rows: list[tuple[str, str, npt.NDArray[np.complexfloating]]] = []
    if found.target is not None:
        rows.append((TARGET, "target", found.target.transfer.response(f)))
    if found.preferred.choice is not None:
        rows.append((GIVEN, "given", found.given.response(f)))
    rows.append((BUILT, "built", found.H.response(f)))
    rows.append((_real_label(found), "real", found.real))
    return rows


def _op_amps(found: Examined) -> str:
    return f"op amps: {found.model.name}; " if found.network.op_amps else ""


def _real_label(found: Examined) -> str:
    return "real op amps" if found.network.op_amps else "with source and load"


def _tolerance(found: Examined) -> tuple[tuple[Array, Array], tuple[Array, Array] | None]:
    studied = found.tolerances
    band = (studied.percentiles[0], studied.percentiles[-1])
    worst = studied.worst_case
    return band, None if worst is None else (worst.low_db, worst.high_db)


def _bands(band: tuple[Array, Array], f: Array) -> list[Band]:
    count = len(band[0])
    return [Band("tolerance", "tolerance", _row(f[:count]), _row(band[0]), _row(band[1]))]


def _curves_of(worst: tuple[Array, Array] | None, f: Array) -> list[Curve]:
    if worst is None:
        return []
    return [Curve("worst case", "worst", _row(f), _row(side)) for side in worst]


def _reference(found: Examined) -> tuple[str, Array]:
    """Return what deviations are measured from: its name and dB."""
    f = found.frequencies
    mask = found.wishes.mask
    if mask is not None and mask.within:
        return f"the mask's gain, {mask.level_db:.4g} dB", np.full(len(f), mask.level_db)
    if found.target is not None:
        return "the target", decibels(found.target.transfer.response(f))
    if found.preferred.choice is not None:
        return "the values as given", decibels(found.given.response(f))
    return "the nominal response", decibels(found.H.response(f))


def _deviations(found: Examined) -> Panel:
    f = found.frequencies
    _, zero = _reference(found)
    size = decibels(found.H.response(f)) if found.wishes.within else zero
    shown = size >= np.max(size[np.isfinite(size)], initial=-math.inf) - RANGE_DB

    def away(values: Array) -> Array:
        with np.errstate(invalid="ignore"):
            return np.where(shown[: len(values)], values - zero[: len(values)], math.nan)

    curves = [
        Curve(label, role, _row(f), _row(away(decibels(h)))) for label, role, h in _responses(found)
    ]
    band, worst = _tolerance(found)
    low, high = away(band[0]), away(band[1])
    bands = _bands((low, high), f)
    if worst is not None:
        curves += _curves_of((away(worst[0]), away(worst[1])), f)
    flat = size >= np.max(size[np.isfinite(size)], initial=-math.inf) - 3.02
    if found.wishes.within:
        flat = np.any([(f >= x.low_hz) & (f <= x.high_hz) for x in found.wishes.within], axis=0)
    sizes = [np.array(c.y)[flat] for c in curves]
    sizes += [low[flat[: len(low)]], high[flat[: len(high)]]]
    each = np.concatenate(sizes)
    each = np.concatenate([each, [1.5 * x.level_db for x in found.wishes.within]])
    most = float(np.max(np.abs(each[np.isfinite(each)]), initial=_LEAST_DEVIATION))
    half = _rounded_up(min(1.3 * most, _MOST_DEVIATION))
    limits = tuple(_within(found.wishes.within))
    y = Axis("deviation", "dB", "linear", -half, half)
    return Panel(_frequency_axis(f), y, tuple(curves), tuple(bands), limits, share=1.0)


def _cut(panel: Panel) -> str:
    """Say how far the curves of deviations go beyond the panel; empty where they do not."""
    reach = {
        c.label: max((abs(v) for v in c.y if math.isfinite(v)), default=0.0) for c in panel.curves
    }
    worst = max(reach, key=lambda label: reach[label])
    if reach[worst] <= panel.y.high * 1.001:
        return ""
    return f"Curves are cut there; the farthest, {worst}, reaches {reach[worst]:.3g} dB."


def _regions(mask: Iterable[Limit]) -> list[Region]:
    found = []
    for limit in mask:
        ends = {">=": (-math.inf, limit.level_db), "<=": (limit.level_db, math.inf)}
        if limit.operation in ends:
            low, high = ends[limit.operation]
            found.append(Region("mask", "mask", limit.low_hz, limit.high_hz, low, high))
    return found


def _within(mask: Iterable[Limit]) -> list[Region]:
    found = []
    for limit in mask:
        for low, high in ((-math.inf, -limit.level_db), (limit.level_db, math.inf)):
            found.append(Region("mask", "mask", limit.low_hz, limit.high_hz, low, high))
    return found


def _frequency_axis(f: Array) -> Axis:
    return Axis("frequency", "Hz", "log", float(f[0]), float(f[-1]))


def _decibel_axis(quantity: str, rows: Sequence[Array]) -> Axis:
    every = np.concatenate(rows)
    every = every[np.isfinite(every)]
    top = 10 * math.ceil((float(np.max(every, initial=-300.0)) + 2) / 10)
    low = max(10 * math.floor(float(np.min(every, initial=top)) / 10), top - _MOST_DB)
    return Axis(quantity, "dB", "linear", min(low, top - _LEAST_DB), top)


def _step_axis(quantity: str, unit: str, rows: Sequence[Array], step: float) -> Axis:
    """Return an axis from one multiple of `step` to another."""
    every = np.concatenate(rows)
    every = every[np.isfinite(every)]
    low = step * math.floor(float(np.min(every, initial=0.0)) / step + 1e-6)
    high = step * math.ceil(float(np.max(every, initial=0.0)) / step - 1e-6)
    return Axis(quantity, unit, "linear", low, high if high > low else low + step)


def _rounded_up(value: float) -> float:
    scale = 10.0 ** math.floor(math.log10(value))
    return next(m * scale for m in (1, 1.5, 2, 3, 4, 5, 6, 8, 10) if m * scale >= value * 0.999)


def _row(values: npt.NDArray[np.floating]) -> tuple[float, ...]:
    return tuple(map(float, values))
