"""The exceptions of the package: one small tree, each message a sentence for a person.

A message names the thing, says what is wrong with it and what to do about it.  The command
line prints it as it stands and exits with status 2.
"""

from __future__ import annotations


class SynthError(Exception):
    """Base of every error the package raises on purpose."""


class NumberError(SynthError, ValueError):
    """A number or a value with a unit cannot be read, or lies outside its range."""


class ExpressionError(SynthError, ValueError):
    """The text of a rational function cannot be read."""


class DeckError(SynthError, ValueError):
    """A netlist cannot be read, or does not say where its input or output is."""


class NetworkError(SynthError, ValueError):
    """A network is malformed: unknown part, missing or floating node, clash of names."""


class SingularError(SynthError, ArithmeticError):
    """The nodal equations have no unique solution."""


class TargetError(SynthError, ValueError):
    """A target response is not one a circuit can have (improper, unstable, not real)."""


class TransformError(SynthError, ValueError):
    """A transformation does not apply to this network; the message says why."""


class CatalogError(SynthError, ValueError):
    """A stage file is wrong, or a stage of that name does not exist."""


class RealisationError(SynthError, ValueError):
    """No circuit of the catalogue realises the target; the message says what is missing."""


class FormatError(SynthError, ValueError):
    """A saved design does not follow the schema."""


class StageFileError(CatalogError):
    """A stage file is wrong; the message names the file, once."""


class StageWarning(UserWarning):
    """A stage file changed since it was verified, or a wrong one was left out."""
