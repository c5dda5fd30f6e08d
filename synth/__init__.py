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

if TYPE_CHECKING:
    from synth.api import (
        analyse,
        apply,
        cheapest_classes,
        choose_values,
        divide,
        explain,
        load,
        rc_cr,
        read,
        realise,
        save,
        scale_frequency,
        scale_impedance,
        swap,
        target_for,
        target_from_text,
        target_from_transfer,
        tolerance,
    )
    from synth.api_amplifier import check, ranking
    from synth.catalog import stage, stages
    from synth.errors import SynthError
    from synth.network.deck_writer import write_deck
    from synth.network.model import Branch, Network, OpAmp, Port
    from synth.realisation.circuit import read_circuit
    from synth.realisation.design import Design
    from synth.target.target import Target
    from synth.tolerances.limits import Limit, read_mask
    from synth.tolerances.spread import Distribution, Spread, Temperature
    from synth.transfer.transfer import Transfer
    from synth.values.series import Shelf
    from synth.values.stock import Stock, read_stock

_HOMES = {
    "synth.api": (
        "analyse",
        "apply",
        "cheapest_classes",
        "choose_values",
        "divide",
        "explain",
        "load",
        "rc_cr",
        "read",
        "realise",
        "save",
        "scale_frequency",
        "scale_impedance",
        "swap",
        "target_for",
        "target_from_text",
        "target_from_transfer",
        "tolerance",
    ),
    "synth.api_amplifier": ("check", "ranking"),
    "synth.catalog": ("stage", "stages"),
    "synth.errors": ("SynthError",),
    "synth.network.deck_writer": ("write_deck",),
    "synth.network.model": ("Branch", "Network", "OpAmp", "Port"),
    "synth.realisation.circuit": ("read_circuit",),
    "synth.realisation.design": ("Design",),
    "synth.target.target": ("Target",),
    "synth.tolerances.limits": ("Limit", "read_mask"),
    "synth.tolerances.spread": ("Distribution", "Spread", "Temperature"),
    "synth.transfer.transfer": ("Transfer",),
    "synth.values.series": ("Shelf",),
    "synth.values.stock": ("Stock", "read_stock"),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}

__all__ = [
    "Branch",
    "Design",
    "Distribution",
    "Limit",
    "Network",
    "OpAmp",
    "Port",
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
    "choose_values",
    "divide",
    "explain",
    "load",
    "ranking",
    "rc_cr",
    "read",
    "read_circuit",
    "read_mask",
    "read_stock",
    "realise",
    "save",
    "scale_frequency",
    "scale_impedance",
    "stage",
    "stages",
    "swap",
    "target_for",
    "target_from_text",
    "target_from_transfer",
    "tolerance",
    "write_deck",
]


def __getattr__(name: str) -> object:
    if name not in _HOME_OF:
        raise AttributeError(f"module 'synth' has no attribute {name!r}")
    value: object = getattr(import_module(_HOME_OF[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
