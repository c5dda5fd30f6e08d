"""The text and JSON forms of a choice of tolerance classes."""

from __future__ import annotations

from synth.network.model import Network
from synth.realisation.saved import Json
from synth.report.answer import yield_json
from synth.report.layout import wrapped
from synth.tolerances.classes import ClassChoice, Classes
from synth.tolerances.remarks import share_text


def classes_text(choice: ClassChoice, network: Network) -> str:
    """Return the classes that reach a wanted yield, and what they cost as an order."""
    asked = f"a yield of {share_text(choice.wanted)}"
    lines = [""]
    if not choice.complete:
        lines += wrapped("! interrupted: the classes are not all tried", hanging="  ")
    if choice.by_kind is None:
        lines += wrapped(
            f"no tolerance class reaches {asked}: {_words(choice.tightest, network)}; change "
            "values or limits, or trim",
            hanging="  ",
        )
        return "\n".join(lines) + "\n"
    lines += wrapped(f"cheapest classes for {asked} ({choice.tried} choices tried):")
    lines += wrapped(f"one class a kind: {_words(choice.by_kind, network)}", "  ", "    ")
    if choice.by_part is not None:
        lines += wrapped(f"part by part: {_words(choice.by_part, network)}", "  ", "    ")
        lines += wrapped(f"{_parts(choice.by_part)}", "    ", "    ")
    lines += wrapped(
        "cost is an order, not a price: a class counts one step more than the next wider one, "
        "whatever the part; yields with circuits the choice was not made on",
        "  ",
        "  ",
    )
    return "\n".join(lines) + "\n"


def classes_json(choice: ClassChoice) -> Json:
    """Return a choice of classes."""
    return {
        "wanted": choice.wanted,
        "by_kind": None if choice.by_kind is None else _json(choice.by_kind),
        "by_part": None if choice.by_part is None else _json(choice.by_part),
        "tightest": _json(choice.tightest),
        "tried": choice.tried,
        "complete": choice.complete,
    }


def _json(found: Classes) -> Json:
    return {
        "tolerances": [{"part": n, "tolerance": t} for n, t in found.tolerances.items()],
        "steps": found.steps,
        "yield": yield_json(found.yield_),
    }


def _words(found: Classes, network: Network) -> str:
    kinds = ", ".join(
        f"{kind}s {' and '.join(f'{100 * t:g} %' for t in used)}"
        for kind, used in found.of_kind(network).items()
    )
    y = found.yield_
    return (
        f"{kinds}; {found.steps} steps; yield {share_text(y.value)} ({share_text(y.low)} to "
        f"{share_text(y.high)})"
    )


def _parts(found: Classes) -> str:
    by_class: dict[float, list[str]] = {}
    for part, t in found.tolerances.items():
        by_class.setdefault(t, []).append(part)
    return "; ".join(
        f"{100 * t:g} %: {', '.join(names)}" for t, names in sorted(by_class.items(), reverse=True)
    )
