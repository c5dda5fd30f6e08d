"""The tables of a page, line by line."""

from __future__ import annotations

from math import isinf

from synth.network.model import UNITS
from synth.pages.record import (
    NoiseLine,
    OpAmpLine,
    PartLine,
    RootLine,
    SensitivityLine,
)
from synth.report.examined import Examined
from synth.tolerances.spread import ranges


def part_lines(found: Examined) -> tuple[PartLine, ...]:
    """Return the parts of the signal path, values as given where they differ."""
    shares = ranges(found.network, found.wishes.spread).tolerance
    given = found.design.network.values
    rows = []
    for b, share in zip(found.network.branches, shares, strict=True):
        old = given.get(b.name)
        odd = b.name in found.preferred.left
        rows.append(
            PartLine(
                b.name,
                b.kind,
                b.nodes,
                old if old != b.value else None,
                b.value,
                UNITS[b.power],
                float(share),
                "in none of the series" if odd else "",
            )
        )
    for u in found.network.op_amps:
        pins = (f"+ {u.plus}", f"- {u.minus}", f"out {u.out}")
        rows.append(PartLine(u.name, "op amp", pins, None, None, "", None, u.model or ""))
    return tuple(rows)


def root_lines(found: Examined) -> tuple[RootLine, ...]:
    """Return poles and zeros with their shifts."""
    small = found.facts.small
    return tuple(
        RootLine(what, r.f0_hz, r.q, r.f0_shift, r.q_shift)
        for what, rows in (("pole", small.poles), ("zero", small.zeros))
        for r in rows
    )


def op_amp_lines(found: Examined) -> tuple[OpAmpLine, ...]:
    """Return margins, offsets and levels of every op amp."""
    facts = found.facts
    point = facts.small.operating_point
    offsets = {a.op_amp: a.worst_v for a in (point.amplifiers if point else ())}
    margins = {m.op_amp: m.phase_margin_deg for m in facts.small.margins}
    rows = []
    for a in facts.levels.amplifiers:
        cause, peak = min(a.limits, key=lambda limit: limit[1].value)
        rows.append(
            OpAmpLine(
                a.name,
                margins[a.name],
                offsets.get(a.name),
                a.output.value,
                a.output.at_hz,
                peak.value,
                "" if isinf(peak.value) else cause,
            )
        )
    return tuple(rows)


def noise_lines(found: Examined) -> tuple[NoiseLine, ...]:
    """Return the contributors, the loudest first."""
    return tuple(
        NoiseLine(c.part, c.kind, c.vrms, c.share, c.spot)
        for c in found.facts.small.noise.contributors
    )


def sensitivity_lines(found: Examined) -> tuple[SensitivityLine, ...]:
    """Return every part, the one to tighten first on top."""
    table: dict[str, dict[str, float]] = {}
    for s in found.facts.small.part_sensitivities:
        table.setdefault(s.part, {})[s.quantity] = s.value
    rows = []
    for p in found.tolerances.by_share:
        row = table.get(p.name, {})
        rows.append(SensitivityLine(p.name, row.get("f0"), row.get("Q"), row.get("gain"), p.share))
    return tuple(rows)
