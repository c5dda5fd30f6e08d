"""The catalogue for a reader: list, one stage, family tree; as text and as JSON."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import inf
from typing import Any

from synth.catalog import Stage
from synth.generators.asked import GAINS as GAINS_ASKED
from synth.generators.kept import Json, kept_designs, kept_figures
from synth.generators.published import published_counts
from synth.realisation.saved import VERSION
from synth.report.answer import parts_json, response_json
from synth.report.layout import labelled, wrapped
from synth.report.measured import gains_taken, measured_remarks
from synth.report.netlist import deck_text
from synth.report.record import Response
from synth.report.text import count_text, response_lines
from synth.statements import Statement, statements

#: At this Q the list is sorted by figures that depend on Q.
SORT_Q = 5.0
#: Step -> what a stage made by it is to its base, for the counts of the tree.
RELATIONS: Mapping[str, str] = {
    "swap": "swap",
    "lift": "lift",
    "rc-cr": "rc-cr mirror",
    "loop-complement": "loop complement",
    "output": "another output",
    "pair-op-amps": "another pairing of op amps",
    "cascade": "cascade",
}
#: Kind -> what its gain is, which design equations call g where it can be chosen.
GAINS: Mapping[str, str] = {
    "lowpass": "the magnitude of the gain at DC",
    "highpass": "the magnitude of the gain at high frequencies",
    "bandpass": "the magnitude of the gain at the centre",
    "bandstop": "the magnitude of the gain on both sides of the notch",
    "lowpass-notch": "the magnitude of the gain at DC",
    "highpass-notch": "the magnitude of the gain at high frequencies",
    "allpass": "the magnitude of the gain",
    "peaking": "the ratio of the gain at the centre to that at both ends",
}
_NAME = re.compile(r"[A-Za-z]\w*")
#: Mark of a gain-bandwidth below which the circuit oscillates before f0 is off.
_MARK = {"f0": "", "oscillation": "*"}
_NOT_KEPT = "figures: none, for they are computed beforehand and for the stages of the package only"
_FIGURES = (
    ("spread", "spread"),
    ("q_sensitivity", "largest |S(Q)|"),
    ("f0_sensitivity", "largest |S(f0)|"),
    ("gain_bandwidth", "gain-bandwidth/f0"),
)


# -- sorting ---------------------------------------------------------------------------------------


def _at(key: str) -> Callable[[Stage, str | None], float]:
    """Return a figure of a kind at `SORT_Q`; where none is known, that of the design equations."""

    def value(stage: Stage, kind: str | None) -> float:
        figures = kept_figures(stage, kind)
        for row in [] if figures is None else figures["at"]:
            if row["q"] == SORT_Q:
                found = row[key] if row["spread"] is not None else (row["designed"] or {}).get(key)
                return inf if found is None else float(found)
        return inf

    return value


#: Key of ``--sort`` -> what a stage, and its kind where one is asked for, is sorted by, smallest
#: first; stages without the figure come last.
SORTS: Mapping[str, Callable[[Stage, str | None], Any]] = {
    "name": lambda s, _: s.name,
    "parts": lambda s, _: len(s.network.branches) + len(s.network.op_amps),
    "capacitors": lambda s, _: sum(b.power == 1 for b in s.network.branches),
    "op-amps": lambda s, _: len(s.network.op_amps),
    "spread": _at("spread"),
    "q-sensitivity": _at("q_sensitivity"),
    "f0-sensitivity": _at("f0_sensitivity"),
    "gain-bandwidth": _at("gain_bandwidth"),
}


def sorted_by(stages: Iterable[Stage], key: str, kind: str | None = None) -> list[Stage]:
    """Return the stages sorted by a key of `SORTS`, then by name.

    Figures are those of `kind`, by default of the first kind of each stage.
    """
    return sorted(stages, key=lambda s: (SORTS[key](s, kind), s.name))


# -- the list --------------------------------------------------------------------------------------


def catalog_answer(stages: Iterable[Stage], kind: str | None = None) -> Json:
    """Return the answer of ``catalog`` without a name; figures are those of `kind` if given."""
    return {
        "schema": VERSION,
        "command": "catalog",
        "stages": [
            {
                "name": s.name,
                "title": s.title,
                "names": list(s.names),
                "source": s.source,
                "kinds": list(s.kinds),
                "order": s.order,
                "op_amps": len(s.network.op_amps),
                "parts": len(s.network.branches) + len(s.network.op_amps),
                "capacitors": sum(b.power == 1 for b in s.network.branches),
                **origin_json(s),
                "conditions": list(s.conditions),
                "figures": kept_figures(s, kind),
            }
            for s in stages
        ],
    }


def origin_json(stage: Stage) -> Json:
    """Return the stage it derives from, null for a base stage, and the steps."""
    return {"base": stage.base or None, "steps": list(stage.steps)}


def catalog_text(stages: Iterable[Stage], kind: str | None = None) -> str:
    """Return the stages, a few lines each, with their figures, those of `kind` if given."""
    found = list(stages)
    lines = []
    for s in found:
        size = f"order {s.order}, {count_text(s.network)}; {', '.join(s.kinds)}"
        lines += wrapped(f"{s.name}: {s.title}", hanging="    ")
        lines += wrapped(size, "    ", "      ")
        if s.base:
            lines += wrapped(origin_text(s), "    ", "      ")
        lines += figure_lines(s, "    ", kind)
    derived = sum(bool(s.base) for s in found)
    lines += [""]
    lines += wrapped(
        f"{len(found)} circuits, {derived} of them derived; `synth catalog NAME` shows a stage, "
        "`synth lift` finds the shares of the others; figures are those of responses of second "
        "order, see `synth catalog --help`; as designed g is "
        f"{GAINS_ASKED[0]:g}, or where the equations do not reach it that of "
        f"{', '.join(f'{g:g}' for g in GAINS_ASKED[1:])} with the smallest spread, and no such "
        "line where a stage has no design equations; a dash: no values found, or out of reach of "
        "the design equations; an asterisk: below it the circuit oscillates before f0 is off by "
        "5 %"
    )
    return "\n".join(lines) + "\n"


def origin_text(stage: Stage) -> str:
    """Say where a derived stage comes from."""
    return f"from {stage.base} by {', '.join(stage.steps)}"


def figure_lines(stage: Stage, indent: str, kind: str | None = None) -> list[str]:
    """Return the figures at each Q, of smallest spread and as designed; none where none apply.

    They are those of `kind`, by default of the first kind of the stage.
    """
    figures = kept_figures(stage, kind)
    if figures is None:
        return wrapped(_NOT_KEPT, indent, indent + "  ")
    if not figures["at"]:
        return []
    qs = ", ".join(f"{row['q']:g}" for row in figures["at"])
    notch = f" with its notch at {figures['notch']:g} f0," if figures["notch"] else ""
    label = f"{figures['kind']}{notch} at Q = {qs}"
    designed = [row["designed"] or {} for row in figures["at"]]
    if not any(designed) and figures["none"]:
        return wrapped(f"{label}: none, {figures['none']}", indent, indent + "  ")
    as_designed = f"as designed{gains_taken(figures['at'])}"
    if all(row["spread"] is None for row in figures["at"]):
        return _figures_at(f"{label}, {as_designed}", designed, indent)
    lines = _figures_at(label, figures["at"], indent)
    if any(designed):
        lines += _figures_at(as_designed, designed, indent)
    return lines


def _figures_at(label: str, rows: Sequence[Json], indent: str) -> list[str]:
    texts = []
    for key, what in _FIGURES:
        marks = [_MARK[row.get("limit") or "f0"] if key == "gain_bandwidth" else "" for row in rows]
        values = (_number(row.get(key)) + mark for row, mark in zip(rows, marks, strict=True))
        texts.append(f"{what} {', '.join(values)}")
    return wrapped(f"{label}: {'; '.join(texts)}", indent, indent + "  ")


def _number(x: float | None) -> str:
    return "-" if x is None else f"{x:g}"


# -- one stage -------------------------------------------------------------------------------------


def stage_answer(stage: Stage, response: Response) -> Json:
    """Return the answer of ``catalog NAME``; `response` is that of the example's values."""
    return {
        "schema": VERSION,
        "command": "catalog",
        "stage": {
            "name": stage.name,
            "title": stage.title,
            "names": list(stage.names),
            "kinds": list(stage.kinds),
            "order": stage.order,
            "sign": stage.sign,
            "H": stage.H,
            "source": stage.source,
            **origin_json(stage),
            "conditions": list(stage.conditions),
            "statements": [{"text": s.text, "checked": s.checked} for s in statements_of(stage)],
            "remarks": list(stage.remarks),
            "published_design": _rows_json(tuple(stage.design.items())),
            "designs": [
                {"kind": kind, "rows": _rows_json(d.rows), "gain": d.gain or None}
                for kind, d in kept_designs(stage).items()
            ],
            "figures": kept_figures(stage),
            "figures_of_other_kinds": [
                found for kind in stage.kinds[1:] if (found := kept_figures(stage, kind))
            ],
            "measured": measured_remarks(stage),
            **response_json(response),
            **parts_json(response.network),
            "netlist": deck_text(response.network),
        },
    }


def statements_of(stage: Stage) -> tuple[Statement, ...]:
    """Return what the conditions of a stage say, in pieces that were checked or are in words."""
    return statements(stage.conditions, [b.name for b in stage.network.branches])


def _rows_json(rows: Sequence[tuple[str, str]]) -> list[Json]:
    return [{"name": name, "is": text} for name, text in rows]


def stage_text(stage: Stage, response: Response) -> str:
    """Return one stage: where it is from, H, design equations, figures, deck."""
    lines = wrapped(f"{stage.name}: {stage.title}", hanging="  ")
    if stage.names:
        lines += labelled("also called", "; ".join(stage.names))
    lines += labelled("kinds", ", ".join(stage.kinds))
    lines += [f"order: {stage.order}"]
    if stage.base:
        lines += wrapped(origin_text(stage), hanging="  ")
    lines += labelled("source", stage.source)
    for said in statements_of(stage):
        label = "condition (checked)" if said.checked else "condition (in words)"
        lines += labelled(label, said.text)
    for text in stage.remarks:
        lines += labelled("remark", text)
    lines += labelled("published H(s)", stage.H)
    if stage.design:
        label = f"design as {stage.kinds[0]}, of the stage file"
        lines += labelled(label, _rows_text(tuple(stage.design.items())))
    for kind, design in kept_designs(stage).items():
        gain = f"; gain {design.gain}" if design.gain else ""
        lines += labelled(f"design as {kind}", _rows_text(design.rows) + gain)
    if stage.design or kept_designs(stage):
        lines += wrapped(f"({symbols_text(stage)})", "  ")
    for remark in measured_remarks(stage):
        lines += labelled("measured", remark)
    if kept_figures(stage) is None:
        lines += wrapped(_NOT_KEPT, hanging="  ")
    for kind in stage.kinds[1:]:
        if kept_figures(stage, kind):
            lines += figure_lines(stage, "", kind)
    lines += ["", *response_lines(response, "H(s)"), "", "deck, with example values:"]
    return "\n".join(line.rstrip() for line in lines) + "\n" + deck_text(response.network)


def symbols_text(stage: Stage) -> str:
    """Say what the symbols in the design equations of a stage mean, kind by kind."""
    designs = kept_designs(stage)
    texts = {kind: [*(e for _, e in d.rows), d.gain] for kind, d in designs.items()}
    if stage.design:
        texts.setdefault(stage.kinds[0], []).extend(stage.design.values())
    used = {n for rows in texts.values() for text in rows for n in _NAME.findall(text)}
    words = ["w0 in rad/s", "C any capacitance"]
    meant: dict[str, list[str]] = {}
    for kind, rows in texts.items():
        gained = kind in designs and designs[kind].gain
        if kind in GAINS and (gained or any("g" in _NAME.findall(text) for text in rows)):
            meant.setdefault(GAINS[kind], []).append(kind)
    for what, kinds in meant.items():
        of = f" for {' or '.join(kinds)}" if len(stage.kinds) > 1 else ""
        words.append(f"g or gain{of} {what}")
    if "m" in used:
        words.append("m the frequency of the notch over f0")
    return ", ".join(words) + "; a value that is not positive is out of reach with equal parts"


def _rows_text(rows: Sequence[tuple[str, str]]) -> str:
    return ", ".join(f"{name} = {text}" for name, text in rows)


# -- the tree --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Branching:
    """A stage and those that derive from it."""

    stage: Stage
    children: tuple[Branching, ...]


def family(stages: Sequence[Stage]) -> tuple[Branching, ...]:
    """Return the base stages with everything that derives from them, by name."""

    def below(stage: Stage) -> Branching:
        return Branching(stage, tuple(below(s) for s in stages if s.base == stage.name))

    return tuple(below(s) for s in stages if not s.base)


def counts(stages: Sequence[Stage]) -> Json:
    """Return how many stages there are of each origin; one of two steps counts for each."""
    found: Json = {
        "stages": len(stages),
        "base": sum(not s.base for s in stages),
        "derived": sum(bool(s.base) for s in stages),
    }
    made = dict.fromkeys(RELATIONS, 0)
    for s in stages:
        for name in {step.partition("=")[0] for step in s.steps} & set(made):
            made[name] += 1
    return {**found, "by": made}


def tree_answer(stages: Sequence[Stage]) -> Json:
    """Return the answer of ``catalog --tree``."""

    def node(b: Branching) -> Json:
        return {
            "name": b.stage.name,
            "steps": list(b.stage.steps),
            "derived": [node(c) for c in b.children],
        }

    return {
        "schema": VERSION,
        "command": "catalog",
        "counts": counts(stages),
        "published": published_counts(),
        "tree": [node(b) for b in family(stages)],
    }


def tree_text(stages: Sequence[Stage]) -> str:
    """Return the family tree: base stages, and under each what derives from it, with the steps."""
    lines: list[str] = []

    def put(b: Branching, depth: int) -> None:
        indent = "  " * depth
        how = f" <- {', '.join(b.stage.steps)}" if b.stage.base else ""
        lines.extend(wrapped(f"{b.stage.name}{how}", indent, indent + "    "))
        for child in b.children:
            put(child, depth + 1)

    for b in family(stages):
        put(b, 0)
    found = counts(stages)
    made = ", ".join(f"{RELATIONS[k]} {n}" for k, n in found["by"].items() if n)
    lines += [""]
    lines += wrapped(
        f"{found['stages']} stages grow from {found['base']} written out as graphs; "
        f"{found['by']['swap'] + found['by']['lift']} are swaps or lifts of others, and "
        f"{found['derived']} derive from others in all: {made}"
    )
    p = published_counts()
    lines += wrapped(
        f"{p['circuits']} published circuits are {p['stages']} of these stages, compared by graph "
        f"and H(s): {p['swaps_or_lifts']} are swaps or lifts of others, {p['derived']} derive in "
        "all"
    )
    return "\n".join(lines) + "\n"
