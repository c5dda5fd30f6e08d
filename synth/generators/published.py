"""Published circuits and the stages that they are: how many turn out to be swaps or lifts.

``catalog/published.tsv`` has a line for each: its name, the stage, and where the stage is a derived
one its base and steps.  A stage that was published under two names has two lines.  The tests match
the graphs and compare the transfer functions.
"""

from __future__ import annotations

from typing import NamedTuple

from synth.catalog import package_stages
from synth.errors import CatalogError

#: File of the published circuits, beside the stage files.
PUBLISHED = "published.tsv"


class Published(NamedTuple):
    """A published circuit; `base` and `steps` are empty where its stage is written out."""

    name: str
    stage: str
    base: str
    steps: str


def published() -> tuple[Published, ...]:
    """Return the published circuits that the catalogue was compared with.

    Raises
    ------
    CatalogError
        If their file is missing or a line of it has not four columns.
    """
    path = package_stages() / PUBLISHED
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
        return tuple(Published(*line.split("\t")) for line in lines)
    except (OSError, TypeError) as error:
        raise CatalogError(f"{path} is missing or spoilt; install the package again") from error


def published_counts() -> dict[str, int]:
    """Return how many circuits there are and how many stages; the rest counts the stages.

    A stage that was published under two names is one: how many of them derive from others, and
    how many by swap or lift.
    """
    stages = {p.stage: p for p in published()}.values()
    found = [p for p in stages if p.base]
    return {
        "circuits": len(published()),
        "stages": len(stages),
        "derived": len(found),
        "swaps_or_lifts": sum(p.steps.startswith(("swap", "lift")) for p in found),
    }
