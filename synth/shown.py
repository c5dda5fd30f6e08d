"""What a notebook shows of an object: asked for in a low room, answered by a high one.

A network is drawn by rooms far above its own, which it must not import.  So its ``_repr_svg_``
asks here, and the top of the package says once, in ``synth/__init__.py``, which function answers
for which class and form.  Nothing is imported before something is shown.
"""

from __future__ import annotations

from collections.abc import Mapping
from importlib import import_module

from synth.errors import SynthError

#: (class, form) -> ``module:function``; forms are svg, latex and html.
_ANSWERS: dict[tuple[str, str], str] = {}


def register(answers: Mapping[tuple[str, str], str]) -> None:
    """Say which function shows which class of objects in which form.

    Parameters
    ----------
    answers : mapping
        (name of the class, form) -> ``module:function``, which takes the object and returns the
        text, or None where the object has none.
    """
    _ANSWERS.update(answers)


def shown(thing: object, form: str) -> str | None:
    """Return the object in a form; None where it has none, or cannot be shown (an error there)."""
    place = _ANSWERS.get((type(thing).__name__, form))
    if place is None:
        return None
    module, _, function = place.partition(":")
    try:
        answer: str | None = getattr(import_module(module), function)(thing)
    except SynthError:
        return None
    return answer
