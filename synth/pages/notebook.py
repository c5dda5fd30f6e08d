"""What notebooks show: schematics, H(s), designs; registered in ``synth/__init__.py``."""

from __future__ import annotations

from html import escape

from synth.network.model import Network
from synth.pages.blocks import math_html
from synth.pages.html import si_number
from synth.pages.schematic import schematic_svg
from synth.plots.record import Figure
from synth.plots.render import picture
from synth.realisation.design import Design, Realisation
from synth.report import mathematics as m
from synth.report.layout import printable
from synth.report.mathematics import Math
from synth.report.parts_list import parts_list
from synth.report.record import response_of
from synth.target.target import Target
from synth.transfer.transfer import Transfer

_H = m.symbol("H", "", "s")


def network_svg(network: Network) -> str | None:
    """Return the schematic."""
    return schematic_svg(network)


def network_latex(network: Network) -> str:
    """Return H(s) in part names."""
    return _display(m.equal(_H, m.fraction(response_of(network).formula)))


def network_html(network: Network) -> str:
    """Return title, schematic and H(s), in part names and in numbers where there are values."""
    response = response_of(network)
    rows = [m.equal(_H, m.fraction(response.formula))]
    if response.numbers is not None:
        rows.append(m.equal(_H, m.ratio(response.numbers.numerator, response.numbers.denominator)))
    formulas = "".join(f"<div>{math_html(row, block=True)}</div>" for row in rows)
    return _box(network.title, f"{schematic_svg(network) or ''}{formulas}")


def transfer_latex(transfer: Transfer) -> str:
    """Return H(s) in numbers."""
    return _display(m.equal(_H, m.ratio(transfer.numerator, transfer.denominator)))


def target_latex(target: Target) -> str:
    """Return H(s) of what is asked for."""
    return transfer_latex(target.transfer)


def design_svg(design: Design) -> str | None:
    """Return the schematic."""
    return schematic_svg(design.network)


def design_latex(design: Design) -> str:
    """Return H(s) in part names."""
    return network_latex(design.network)


def design_html(design: Design) -> str:
    """Return what was asked, schematic, H(s), parts and the steps taken."""
    asked = "" if design.target is None else f"<p>{_words(str(design.target))}</p>"
    steps = "".join(f"<li>{_words(str(s))}: {_words(s.theorem)}</li>" for s in design.derivation)
    rows = "".join(
        f"<tr><td>{g.count}</td><td>{escape(g.kind)}</td>"
        f"<td>{'' if g.value is None else si_number(g.value, g.unit)}</td>"
        f"<td>{_words(', '.join(g.names))}</td></tr>"
        for g in parts_list(design.network).groups
    )
    table = f"<table><tbody>{rows}</tbody></table>"
    return asked + network_html(design.network) + table + (f"<ol>{steps}</ol>" if steps else "")


def realisation_svg(found: Realisation) -> str | None:
    """Return the schematic."""
    return schematic_svg(found.network)


def realisation_latex(found: Realisation) -> str:
    """Return H(s) in part names."""
    return network_latex(found.network)


def realisation_html(found: Realisation) -> str:
    """Return the design, with its stages and how near it comes to the target."""
    met = "met" if found.meets else "not met"
    line = f"{found.label}: off by up to {found.error_db:.3g} dB, target {met}"
    return f"<p>{_words(line)}</p>{design_html(found.design)}"


def figure_svg(figure: Figure) -> str:
    """Return a figure."""
    return picture(figure).svg


def _display(formula: Math) -> str:
    return f"$\\displaystyle {formula.latex}$"


def _box(title: str, inner: str) -> str:
    head = f"<p><b>{_words(title)}</b></p>" if title else ""
    return f"<div>{head}{inner}</div>"


def _words(text: str) -> str:
    return escape(printable(text))
