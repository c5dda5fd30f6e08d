"""What goes with circuits beside their own figures: of the mask, or of the table they are for."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from synth.realisation.saved import Json


@dataclass(frozen=True)
class Asked:
    """Lines and JSON that go with the circuits.

    Parameters
    ----------
    head : tuple of str
        Lines under the target.
    remarks : mapping
        Number of a circuit -> lines under it.
    mask, response : dict or None
        For the answer.
    """

    head: tuple[str, ...] = ()
    remarks: Mapping[int, Sequence[str]] = field(default_factory=dict)
    mask: Json | None = None
    response: Json | None = None


#: For a target that is no mask and no table.
NOTHING = Asked()
