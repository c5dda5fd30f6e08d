"""What an answer says of the error, of the stages, and of the circuit's own values."""

from __future__ import annotations

import math

from synth.network.model import Network
from synth.realisation.cell_choice import CellChoice
from synth.realisation.joined import Solution, Whole
from synth.realisation.request import ValueRequest
from synth.realisation.revalued import StageValues
from synth.values.ranking import Option

#: Errors and differences of values below this are rounding.
_EXACT = 1e-9


def metric_words(request: ValueRequest, whole: Whole | None, s: Solution) -> str:
    """Return what the error is; `whole` is given where the stages are taken together."""
    if request.metric == "mask":
        return "largest amount in dB by which |H| leaves the mask"
    if request.band is not None:
        return "largest deviation of |H| in dB over the band"
    if whole is not None:
        phase = " or in phase" if whole.allpass else ""
        return f"largest deviation of |H|{phase} of the whole in dB, within 40 dB of its maximum"
    names = dict.fromkeys(n for c in s.cells for n in c.task.figures.names)
    vanish = any(c.task.figures.vanishing for c in s.cells)
    words = [f"|d ln {n}|" for n in names]
    notches = any(c.task.figures.notches for c in s.cells)
    words += ["depth of the notch"] if notches else []
    balanced = vanish and any(
        c.task.problem.rows[z.top].any() for c in s.cells for z in c.task.figures.vanishing
    )
    return "largest of " + ", ".join([*words, *(["leakage at zeros"] if balanced else [])])


def own_values_note(request: ValueRequest, network: Network, s: Solution) -> tuple[str, ...]:
    """Say when the circuit's own values were exact and to be had, and others were taken."""
    exact = request.metric in ("figures", "coefficients") and s.error > _EXACT
    if not exact:
        return ()
    chosen: dict[str, float] = {}
    for c, o in zip(s.cells, s.options[0], strict=True):
        row = c.task.rounded
        if row is None or c.task.metric.errors(c.task.problem.coefficients(row))[0] > _EXACT:
            return ()
        chosen.update({n: o.values[n] for n in c.task.cell.parts})
    own = network.values
    if all(abs(v - own[n]) <= _EXACT * v for n, v in chosen.items()):
        return ()
    kinds: dict[str, list[float]] = {}
    for n in chosen:
        kinds.setdefault(n[0], []).append(own[n])
    spread = max(max(v) / min(v) for v in kinds.values())
    return (
        f"the circuit's own values are all to be had and exact, with a spread of {spread:.4g}; "
        f"these were taken for their smaller spread or their level; to stay exact use --floor 0",
    )


def tie_notes(request: ValueRequest) -> list[str]:
    """Say of parts that are tied, but come from different series, that both must have the value."""
    found = []
    for t in request.ties:
        grids = (request.grid(n) for n in t if n not in request.keep)
        labels = dict.fromkeys(g.label for g in grids if g is not None)
        if len(labels) > 1:
            found.append(f"{'='.join(t)}: values that are in each of {' and '.join(labels)}")
    return found


def stage_values(c: CellChoice, option: Option) -> StageValues:
    """Return the record of a stage with the values that were taken."""
    t = c.task.target
    return StageValues(
        c.task.cell.name,
        tuple(p for e in c.task.problem.elements for p in e.parts),
        t.order,
        t.w0 / (2 * math.pi) if t.order else None,
        1 / t.denominator[1] if t.order == 2 else None,
        option.error,
        c.least.bound,
        c.choice.proved,
        c.task.problem.combinations,
        c.certificate,
        c.pareto,
    )
