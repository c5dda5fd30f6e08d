"""What a stage is good and bad at, in sentences measured from its figures and sensitivities."""

from __future__ import annotations

from collections.abc import Sequence
from math import exp, log
from statistics import linear_regression

from synth.generators.asked import GAINS
from synth.generators.bandwidth import OSCILLATION
from synth.generators.kept import Json, kept_figures
from synth.report.example_remarks import example_remarks
from synth.report.trimming import tuning
from synth.stage_file import Stage

#: Figures within this factor of each other hardly depend on Q.
_FLAT = 1.15
#: A power law is told of where no figure is further from it than this.
_FIT = 0.15
_GROWTH = (
    ("spread", "the spread of like parts"),
    ("q_sensitivity", "the largest sensitivity of Q to a part"),
    ("gain_bandwidth", "the gain-bandwidth over f0 that keeps f0 within 5 % without oscillation"),
)


def measured_remarks(stage: Stage) -> list[str]:
    """Return the remarks on a stage that can be measured: spread, sensitivity, op amps, tuning."""
    figures = kept_figures(stage)
    found = [] if figures is None else _growths(figures["at"], figures["none"])
    if stage.example:
        found += (tuning(stage) if stage.order == 2 else []) or example_remarks(stage)
    return found


def _growths(rows: Sequence[Json], none: str | None) -> list[str]:
    reached = [row for row in rows if row["spread"] is not None]
    missing = [f"{row['q']:g}" for row in rows if row["spread"] is None]
    designed = [{"q": row["q"], **row["designed"]} for row in rows if row["designed"]]
    found = []
    if reached and missing:
        found.append(f"no values found for Q = {', '.join(missing)}")
    elif missing and not designed:
        found.append(f"no figures at Q = {', '.join(missing)}: {none}")
    as_designed = f"as designed{gains_taken(rows)}"
    for where, chosen in (("at the smallest spread found", reached), (as_designed, designed)):
        for key, what in _GROWTH:
            values = [(row["q"], row[key]) for row in chosen if row[key]]
            if len(values) < 2:
                continue
            limits = [row["limit"] for row in chosen if row[key]]
            told = _growth(what, values, limits if key == "gain_bandwidth" else [])
            if all(not line.endswith(told) for line in found):
                found.append(f"{where}, {told}")
    return found


def gains_taken(rows: Sequence[Json]) -> str:
    """Return ", g = 10 at Q = 5" where design equations were asked for another gain than 1.

    Parameters
    ----------
    rows : sequence
        The figures at each Q (`synth.generators.figures.figures`).
    """
    designed = [row for row in rows if row["designed"]]
    taken: dict[float, list[str]] = {}
    for row in designed:
        gain = row["designed"]["gain"]
        if gain is not None and gain != GAINS[0]:
            taken.setdefault(gain, []).append(f"{row['q']:g}")
    if len(taken) == 1 and len(designed) == len(rows) == len(*taken.values()):
        return f", g = {next(iter(taken)):g}"
    told = ", ".join(f"{gain:g} at Q = {' and '.join(qs)}" for gain, qs in taken.items())
    return f", g = {told}" if told else ""


def _growth(what: str, values: Sequence[tuple[float, float]], limits: Sequence[str]) -> str:
    listed = ", ".join(f"{v:g}" for _, v in values)
    at = ", ".join(f"{q:g}" for q, _ in values)
    osc = [f"{q:g}" for (q, _), limit in zip(values, limits, strict=False) if limit == OSCILLATION]
    end = f"; oscillation is the limit at Q = {', '.join(osc)}" if osc else ""
    return f"{what} {_law(values)}: {listed} at Q = {at}{end}"


def _law(values: Sequence[tuple[float, float]]) -> str:
    """Say how the figures go with Q: a power law only where all are near it."""
    sizes = [v for _, v in values]
    if max(sizes) <= _FLAT * min(sizes):
        return "hardly depends on Q"
    if len(values) > 2:
        x, y = [log(q) for q, _ in values], [log(v) for v in sizes]
        power, offset = linear_regression(x, y)
        off = max(abs(exp(b - power * a - offset) - 1) for a, b in zip(x, y, strict=True))
        if off <= _FIT and sizes in (sorted(sizes), sorted(sizes, reverse=True)):
            return f"{'grows' if power > 0 else 'falls'} as Q^{power:.1f}"
    return "is"
