"""The version of the program, as answers and pages name it."""

from __future__ import annotations


def version() -> str:
    """Return the installed version; ``(not installed)`` where the package runs from its folder."""
    from importlib.metadata import PackageNotFoundError
    from importlib.metadata import version as installed

    try:
        return installed("groundswap")
    except PackageNotFoundError:
        return "(not installed)"
