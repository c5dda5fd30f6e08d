"""The record of one transformation, and the contract that every transformation keeps."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from synth.errors import TransformError
from synth.network.model import Network


@dataclass(frozen=True)
class Step:
    """One step of a derivation.

    Parameters
    ----------
    name : str
        The transformation, in the words of the command line.
    arguments : tuple of (str, str)
        Its arguments, for a reader.
    theorem : str
        Why the result is right, in one sentence.
    map : tuple of (str, str)
        Old part name -> new part name, for every part of the old network.
    notes : tuple of str
        What the reader should know about this application.
    """

    name: str
    arguments: tuple[tuple[str, str], ...]
    theorem: str
    map: tuple[tuple[str, str], ...]
    notes: tuple[str, ...] = ()

    def __str__(self) -> str:
        if not self.arguments:
            return self.name
        return f"{self.name} ({', '.join(f'{k} {v}' for k, v in self.arguments)})"


class Transformation(Protocol):
    """What every transformation offers."""

    def accepts(self, network: Network) -> str:
        """Return why it does not apply to `network`; empty when it does."""

    def apply(self, network: Network) -> tuple[Network, Step]:
        """Return the new network and the step; TransformError when it does not apply."""


def require(transformation: Transformation, network: Network) -> None:
    """Raise TransformError with the reason when the transformation does not apply."""
    reason = transformation.accepts(network)
    if reason:
        raise TransformError(reason)


def unchanged_names(network: Network) -> tuple[tuple[str, str], ...]:
    """Return the map of a step that keeps every name."""
    names = [b.name for b in network.branches] + [u.name for u in network.op_amps]
    return tuple((n, n) for n in names)
