"""What to buy: the parts of a circuit grouped by kind, value and tolerance, with their count."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import inf

from synth.network.model import KINDS, UNITS, Network, OpAmp
from synth.realisation.saved import VERSION, Json
from synth.report.layout import table, wrapped
from synth.tolerances.spread import Spread, ranges
from synth.units import format_si

_HEAD = ("count", "kind", "value", "unit", "text", "tolerance_percent", "parts", "remark")
_BESIDE = "beside the signal"
_OP_AMP = "op amp"


@dataclass(frozen=True)
class PartGroup:
    """Parts that are alike.

    Parameters
    ----------
    kind : str
        The trade's name.
    value : float or None
        In `unit`; None for op amps, and for parts without values.
    unit : str
        ohm, F, H, F*s, or empty.
    tolerance : float or None
        As a fraction; None where none is known.
    names : tuple of str
    remark : str
        Model of an op amp; what a part does that sees no signal.
    """

    kind: str
    value: float | None
    unit: str
    tolerance: float | None
    names: tuple[str, ...]
    remark: str = ""

    @property
    def count(self) -> int:
        """How many."""
        return len(self.names)

    @property
    def text(self) -> str:
        """The value for a reader; empty without one."""
        return "" if self.value is None else format_si(self.value, self.unit, 6)


@dataclass(frozen=True)
class PartsList:
    """The parts of a circuit: passive ones by kind and value, op amps last."""

    title: str
    groups: tuple[PartGroup, ...]

    @property
    def count(self) -> int:
        """How many parts in all."""
        return sum(g.count for g in self.groups)

    @property
    def csv(self) -> str:
        """The list as CSV."""
        return parts_csv(self)

    def __str__(self) -> str:
        return parts_text(self)


def parts_list(network: Network, spread: Spread | None = None) -> PartsList:
    """Return the parts of a circuit.

    Parameters
    ----------
    network : Network
        Decoupling and other parts beside the signal are listed too, without a tolerance: the
        signal asks none of them.
    spread : Spread, optional
        Tolerances; by default 1 % for resistors and 5 % for others.

    Raises
    ------
    NumberError
        If the spread names a part that is not there.

    Examples
    --------
    >>> from synth.catalog import stage
    >>> print(parts_text(parts_list(stage("sallen-key-lowpass-unity").circuit())))
    Sallen-Key low-pass, unity gain
    <BLANKLINE>
    count  kind       value      tolerance  parts
        2  resistor   10.7 kohm  1 %        R1, R2
        1  capacitor  10 nF      5 %        C2
        1  capacitor  22 nF      5 %        C1
        1  op amp                           U1
    <BLANKLINE>
    5 parts
    <BLANKLINE>
    """
    shares = ranges(network, spread or Spread()).tolerance
    rows: list[tuple[str, float | None, str, float | None, str, str]] = [
        (b.kind, b.value, UNITS[b.power], float(share), b.name, "")
        for b, share in zip(network.branches, shares, strict=True)
    ]
    beside = network.bench
    rows += [(b.kind, b.value, UNITS[b.power], None, b.name, _BESIDE) for b in beside.decoupling]
    rows += [(_OP_AMP, None, "", None, u.name, _model(u)) for u in network.op_amps]
    rows += [
        (_OP_AMP, None, "", None, u.name, "; ".join(filter(None, (_model(u), _BESIDE))))
        for u in beside.op_amps
    ]
    order = [*KINDS.values(), _OP_AMP]
    grouped: dict[tuple[str, float | None, str, float | None, str], list[str]] = {}
    for kind, value, unit, share, name, remark in rows:
        grouped.setdefault((kind, value, unit, share, remark), []).append(name)
    groups = [PartGroup(*key[:4], tuple(names), key[4]) for key, names in grouped.items()]
    groups.sort(
        key=lambda g: (
            order.index(g.kind),
            _BESIDE in g.remark,
            inf if g.value is None else g.value,
            g.tolerance or 0.0,
        )
    )
    return PartsList(network.title, tuple(groups))


def _model(u: OpAmp) -> str:
    return f"model {u.model}" if u.model else ""


def parts_csv(found: PartsList) -> str:
    """Return the list as CSV (RFC 4180): values in plain units, names joined by spaces."""
    buffer = io.StringIO()
    writer = csv.writer(buffer)
    writer.writerow(_HEAD)
    for g in found.groups:
        tolerance = "" if g.tolerance is None else f"{100 * g.tolerance:.6g}"
        value = "" if g.value is None else f"{g.value!r}"
        row = (g.count, g.kind, value, g.unit, g.text, tolerance, " ".join(g.names), g.remark)
        writer.writerow(row)
    return buffer.getvalue()


def parts_text(found: PartsList, notes: Sequence[str] = ()) -> str:
    """Return the list for a terminal of 80 columns."""
    lines = wrapped(found.title or "circuit without a title")
    for note in notes:
        lines += wrapped(f"note: {note}", hanging="  ")
    rows = [
        (
            str(g.count),
            g.kind,
            g.text,
            "" if g.tolerance is None else f"{100 * g.tolerance:.3g} %",
            ", ".join(g.names) + (f" ({g.remark})" if g.remark else ""),
        )
        for g in found.groups
    ]
    head = ("count", "kind", "value", "tolerance", "parts")
    lines += ["", *table(head, rows, right=frozenset({0})), ""]
    lines.append(f"{found.count} part{'' if found.count == 1 else 's'}")
    return "\n".join(line.rstrip() for line in lines) + "\n"


def parts_answer(circuit: str, found: PartsList, notes: Iterable[str] = ()) -> Json:
    """Return the answer of ``parts``."""
    return {
        "schema": VERSION,
        "command": "parts",
        "circuit": circuit,
        "title": found.title,
        "groups": groups_json(found),
        "count": found.count,
        "notes": list(notes),
    }


def groups_json(found: PartsList) -> list[Json]:
    """Return the groups."""
    return [
        {
            "count": g.count,
            "kind": g.kind,
            "value": g.value,
            "unit": g.unit,
            "tolerance": g.tolerance,
            "parts": list(g.names),
            "remark": g.remark,
        }
        for g in found.groups
    ]
