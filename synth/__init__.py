"""Op-amp filter synthesis driven by the complement property.

>>> import synth
>>> lowpass = synth.stage("sallen-key-lowpass-unity").circuit()
>>> complement = synth.swap(lowpass)
>>> print(synth.analyse(complement).H.complement())
3.97018e+07 / (s^2 + 8496.18 s + 3.97018e+07)

Names are looked up when they are first used, so that ``import synth`` stays light.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

from synth.shown import register

if TYPE_CHECKING:
    from synth.api import (
        analyse,
        apply,
        explain,
        load,
        rc_cr,
        read,
        save,
        scale_frequency,
        scale_impedance,
        swap,
    )
    from synth.api_amplifier import check, ranking
    from synth.api_mask import (
        check_mask,
        compare_responses,
        fit_table,
        flatten_delay,
        realise_mask,
    )
    from synth.api_pages import netlist, page, parts_list, plot
    from synth.api_realise import (
        divide,
        realise,
        target_for,
        target_from_text,
        target_from_transfer,
    )
    from synth.api_routes import lift
    from synth.api_values import cheapest_classes, choose_values, tolerance
    from synth.catalog import stage, stages
    from synth.drawing import Drawing, draw
    from synth.drawing.render import to_svg
    from synth.errors import SynthError
    from synth.masks.limits import DelayLimit, Limit, Mask, mask_from_text, read_mask
    from synth.measured.table import ResponseTable, read_response, response_from_text
    from synth.network.deck_writer import write_deck
    from synth.network.model import Branch, Network, OpAmp, Port
    from synth.realisation.circuit import read_circuit
    from synth.realisation.design import Design
    from synth.target.target import Target
    from synth.tolerances.spread import Distribution, Spread, Temperature
    from synth.transfer.transfer import Transfer
    from synth.values.series import Shelf
    from synth.values.stock import Stock, read_stock

_HOMES = {
    "synth.api": (
        "analyse",
        "apply",
        "explain",
        "load",
        "rc_cr",
        "read",
        "save",
        "scale_frequency",
        "scale_impedance",
        "swap",
    ),
    "synth.api_amplifier": ("check", "ranking"),
    "synth.api_mask": (
        "check_mask",
        "compare_responses",
        "fit_table",
        "flatten_delay",
        "realise_mask",
    ),
    "synth.measured.table": ("ResponseTable", "read_response", "response_from_text"),
    "synth.api_pages": ("netlist", "page", "parts_list", "plot"),
    "synth.api_realise": (
        "divide",
        "realise",
        "target_for",
        "target_from_text",
        "target_from_transfer",
    ),
    "synth.api_routes": ("lift",),
    "synth.api_values": ("cheapest_classes", "choose_values", "tolerance"),
    "synth.catalog": ("stage", "stages"),
    "synth.drawing": ("Drawing", "draw"),
    "synth.drawing.render": ("to_svg",),
    "synth.errors": ("SynthError",),
    "synth.network.deck_writer": ("write_deck",),
    "synth.network.model": ("Branch", "Network", "OpAmp", "Port"),
    "synth.realisation.circuit": ("read_circuit",),
    "synth.realisation.design": ("Design",),
    "synth.target.target": ("Target",),
    "synth.masks.limits": ("DelayLimit", "Limit", "Mask", "mask_from_text", "read_mask"),
    "synth.tolerances.spread": ("Distribution", "Spread", "Temperature"),
    "synth.transfer.transfer": ("Transfer",),
    "synth.values.series": ("Shelf",),
    "synth.values.stock": ("Stock", "read_stock"),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}

__all__ = [
    "Branch",
    "DelayLimit",
    "Design",
    "Distribution",
    "Drawing",
    "Limit",
    "Mask",
    "Network",
    "OpAmp",
    "Port",
    "ResponseTable",
    "Shelf",
    "Spread",
    "Stock",
    "SynthError",
    "Target",
    "Temperature",
    "Transfer",
    "analyse",
    "apply",
    "cheapest_classes",
    "check",
    "check_mask",
    "choose_values",
    "compare_responses",
    "divide",
    "draw",
    "explain",
    "fit_table",
    "flatten_delay",
    "lift",
    "load",
    "mask_from_text",
    "netlist",
    "page",
    "parts_list",
    "plot",
    "ranking",
    "rc_cr",
    "read",
    "read_circuit",
    "read_mask",
    "read_response",
    "read_stock",
    "realise",
    "realise_mask",
    "response_from_text",
    "save",
    "scale_frequency",
    "scale_impedance",
    "stage",
    "stages",
    "swap",
    "target_for",
    "target_from_text",
    "target_from_transfer",
    "to_svg",
    "tolerance",
    "write_deck",
]

#: What notebooks show, and who draws it.
register(
    {
        ("Network", "svg"): "synth.pages.notebook:network_svg",
        ("Network", "latex"): "synth.pages.notebook:network_latex",
        ("Network", "html"): "synth.pages.notebook:network_html",
        ("Transfer", "latex"): "synth.pages.notebook:transfer_latex",
        ("Target", "latex"): "synth.pages.notebook:target_latex",
        ("Design", "svg"): "synth.pages.notebook:design_svg",
        ("Design", "latex"): "synth.pages.notebook:design_latex",
        ("Design", "html"): "synth.pages.notebook:design_html",
        ("Realisation", "svg"): "synth.pages.notebook:realisation_svg",
        ("Realisation", "latex"): "synth.pages.notebook:realisation_latex",
        ("Realisation", "html"): "synth.pages.notebook:realisation_html",
        ("Figure", "svg"): "synth.pages.notebook:figure_svg",
    }
)


def __getattr__(name: str) -> object:
    if name not in _HOME_OF:
        raise AttributeError(f"module 'synth' has no attribute {name!r}")
    value: object = getattr(import_module(_HOME_OF[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
