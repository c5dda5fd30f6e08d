"""Every figure there is of a circuit, by name."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from difflib import get_close_matches
from typing import NamedTuple

from synth.errors import NumberError
from synth.plots import others, response
from synth.plots.record import Figure
from synth.report.examined import Examined


class FigureForm(NamedTuple):
    """What a figure shows, and how it is made from a circuit; None where it cannot be."""

    meaning: str
    make: Callable[[Examined], Figure | None]


FIGURES: Mapping[str, FigureForm] = {
    "magnitude": FigureForm(
        "target, mask, values given and preferred, tolerance, real op amps", response.magnitude
    ),
    "phase": FigureForm("phase, continuous", response.phase_figure),
    "delay": FigureForm("group delay", response.delay),
    "step": FigureForm("step response", others.step),
    "impulse": FigureForm("impulse response", others.impulse),
    "poles": FigureForm("poles and zeros, ideal and with real op amps", others.poles),
    "complement": FigureForm("H, its complement, their sum and its defect", response.complement),
    "sensitivity": FigureForm("f0, Q and gain to every part", others.sensitivity),
    "noise": FigureForm("noise by contributor", others.noise),
}


def figures(found: Examined) -> tuple[Figure, ...]:
    """Return every figure that the circuit has."""
    made = (form.make(found) for form in FIGURES.values())
    return tuple(f for f in made if f is not None)


def figure(found: Examined, name: str) -> Figure:
    """Return one figure.

    Raises
    ------
    NumberError
        If there is no figure of that name, or the circuit has none.
    """
    if name not in FIGURES:
        close = get_close_matches(name, FIGURES, n=1)
        advice = f"did you mean {close[0]}? " if close else ""
        raise NumberError(f"there is no figure {name!r}; {advice}choose {', '.join(FIGURES)}")
    made = FIGURES[name].make(found)
    if made is None:
        reason = found.no_time if name in ("step", "impulse") else "nothing contributes to it"
        raise NumberError(f"{found.name} has no figure {name}: {reason}")
    name_of = found.name.rstrip("/").rpartition("/")[2] or found.name
    return replace(made, title=f"{made.title} of {name_of}")
