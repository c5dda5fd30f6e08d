"""Figures in time and in the plane of s, and bars: sensitivities and noise."""

from __future__ import annotations

import math
from collections.abc import Sequence
from math import pi

import numpy as np

from synth.analysis.roots import RootShift
from synth.errors import TargetError
from synth.plots.record import Axis, Bars, BarSet, Curve, Figure, Mark, Panel
from synth.plots.response import BUILT, TARGET
from synth.plots.scales import si_text
from synth.report.examined import Examined
from synth.transfer.time_response import TimeResponse, time_response

#: Most groups of bars; the rest is added up or left out, and said so.
_MOST_BARS = 12
#: A real root further out than this multiple of the largest ideal one is left out.
_FAR = 3.0
#: Sensitivities below the first are rounding; parts with none above the second are left out.
_ROUNDING, _DUST = 1e-6, 1e-4


def step(found: Examined) -> Figure | None:
    """Return the step response; None where there is none."""
    time = found.time
    if time is None:
        return None
    curves = [
        *_wanted(found, time, "step"),
        Curve(BUILT, "step", _row(time.times), _row(time.step)),
    ]
    note = "Ideal op amps; a step of 1 V at the input."
    if time.final and math.isfinite(time.final):
        ends = (float(time.times[0]), float(time.times[-1]))
        curves.append(Curve("final value", "final", ends, (time.final, time.final)))
        note += f" Overshoot {100 * max(time.overshoot, 0.0):.3g} % of the final value."
    return _in_time("step", "Step response", "V", "output", curves, note)


def impulse(found: Examined) -> Figure | None:
    """Return the impulse response; None where there is none."""
    time = found.time
    if time is None:
        return None
    curves = [
        *_wanted(found, time, "impulse"),
        Curve(BUILT, "impulse", _row(time.times), _row(time.impulse)),
    ]
    note = "Ideal op amps; to an impulse of 1 V s."
    if time.direct:
        note += f" At t = 0 an impulse of {time.direct:.4g} passes besides; it is not drawn."
    return _in_time("impulse", "Impulse response", "V/(V s)", "output", curves, note)


def _wanted(found: Examined, time: TimeResponse, which: str) -> list[Curve]:
    if found.target is None:
        return []
    try:
        wanted = time_response(found.target.transfer, time.times)
    except TargetError:
        return []
    values = wanted.step if which == "step" else wanted.impulse
    return [Curve(TARGET, "target", _row(time.times), _row(values))]


def _in_time(
    name: str, title: str, unit: str, quantity: str, curves: Sequence[Curve], note: str
) -> Figure:
    values = np.concatenate([np.array(c.y) for c in curves])
    low, high = min(0.0, float(values.min())), max(0.0, float(values.max()))
    room = 0.06 * ((high - low) or 1.0)
    end = max(c.x[-1] for c in curves)
    panel = Panel(
        Axis("time", "s", "linear", 0.0, end),
        Axis(quantity, unit, "linear", low - (room if low < 0 else 0.0), high + room),
        tuple(curves),
    )
    return Figure(name, title, (panel,), note=note)


def poles(found: Examined) -> Figure:
    """Return poles and zeros in hertz, with ideal and with real op amps."""
    h = found.H
    marks = [Mark("zeros", "zero", z.real / (2 * pi), z.imag / (2 * pi)) for z in h.zeros]
    marks += [_pole_mark(p) for p in h.poles]
    size = max([abs(r) / (2 * pi) for r in (*h.poles, *h.zeros)], default=0.0) or 1.0
    small = found.facts.small
    if found.network.op_amps:
        shifted = (
            ("zeros, real op amps", "real-zero", small.zeros),
            ("poles, real op amps", "real-pole", small.poles),
        )
        for label, role, rows in shifted:
            for root in _real_roots(rows):
                if abs(root) / (2 * pi) <= _FAR * size:
                    marks.append(Mark(label, role, root.real / (2 * pi), root.imag / (2 * pi)))
    reach = 1.3 * max([size, *(max(abs(m.x), abs(m.y)) for m in marks)])
    right = max([0.3 * reach, *(1.25 * m.x for m in marks)])
    panel = Panel(
        Axis("real part of s/2π", "Hz", "linear", -reach, right),
        Axis("imaginary part of s/2π", "Hz", "linear", -reach, reach),
        marks=tuple(marks),
        equal=True,
    )
    return Figure("poles", "Poles and zeros", (panel,))


def _pole_mark(p: complex) -> Mark:
    text = ""
    if p.imag > 0:
        q = abs(p) / (-2 * p.real) if p.real else math.inf
        text = f"{si_text(abs(p) / (2 * pi), 'Hz')}, Q {q:.3g}"
    return Mark("poles", "pole", p.real / (2 * pi), p.imag / (2 * pi), text)


def _real_roots(rows: Sequence[RootShift]) -> list[complex]:
    found = []
    for r in rows:
        found.append(r.real)
        if r.partner is not None:
            found.append(r.partner)
    return found


def sensitivity(found: Examined) -> Figure | None:
    """Return the sensitivities of f0, Q and gain to every part, the largest on top."""
    rows = found.facts.small.part_sensitivities
    if not rows:
        return None
    table: dict[str, dict[str, float]] = {}
    for r in rows:
        table.setdefault(r.part, {})[r.quantity] = r.value
    size = {p: max(map(abs, row.values())) for p, row in table.items()}
    parts = sorted((p for p in table if size[p] > _DUST), key=lambda p: -size[p])
    if not parts:
        return None
    shown = parts[:_MOST_BARS]
    without = len(table) - len(parts)
    sets = tuple(
        BarSet(label, role, tuple(_clean(table[p].get(key, math.nan)) for p in shown))
        for key, label, role in (
            ("f0", "f0", "first"),
            ("Q", "Q", "second"),
            ("gain", "largest gain", "third"),
        )
        if any(key in row for row in table.values())
    )
    each = [v for s in sets for v in s.values if math.isfinite(v)]
    low, high = min(0.0, *each), max(0.0, *each)
    room = 0.08 * ((high - low) or 1.0)
    x = Axis("change in % for 1 % of the part", "", "linear", low - room, high + room)
    ideal = ", with ideal op amps" if found.network.op_amps else ""
    note = f"Of the sharpest pole{ideal}."
    if len(parts) > len(shown):
        note += f" {_parts(len(parts) - len(shown))} not drawn: their sensitivities are smaller."
    if without:
        note += f" {_parts(without)} not drawn: they have next to no effect."
    return Figure("sensitivity", "Sensitivity", bars=Bars(x, tuple(shown), sets), note=note)


def _parts(count: int) -> str:
    return "1 part is" if count == 1 else f"{count} parts are"


def _clean(value: float) -> float:
    """Take what is nothing but rounding as none."""
    return 0.0 if abs(value) < _ROUNDING else value


def noise(found: Examined) -> Figure | None:
    """Return the share of every contributor in the power of the noise."""
    n = found.facts.small.noise
    rows = [(f"{c.part} {c.kind}", 100 * c.share) for c in n.contributors if c.share > 0]
    if not rows:
        return None
    rest = rows[_MOST_BARS:]
    rows = rows[:_MOST_BARS]
    if rest:
        rows.append(
            (
                "1 other" if len(rest) == 1 else f"{len(rest)} others",
                sum(share for _, share in rest),
            )
        )
    low, high = (si_text(f, "Hz", 3) for f in n.band_hz)
    most = max(share for _, share in rows)
    x = Axis("share of the noise power", "%", "linear", 0.0, 1.15 * most)
    sets = (BarSet("share", "first", tuple(share for _, share in rows)),)
    note = f"{si_text(n.vrms, 'V', 3)} rms at the output from {low} to {high}."
    return Figure(
        "noise", "Noise by contributor", bars=Bars(x, tuple(w for w, _ in rows), sets), note=note
    )


def _row(values: np.ndarray[tuple[int], np.dtype[np.float64]]) -> tuple[float, ...]:
    return tuple(map(float, values))
