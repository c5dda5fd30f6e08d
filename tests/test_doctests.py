"""The examples in the docstrings of the installed package run as they stand."""

from __future__ import annotations

import doctest
import importlib
import pkgutil

import pytest

import synth

MODULES = sorted(m.name for m in pkgutil.walk_packages(synth.__path__, "synth."))


def test_modules_are_found() -> None:
    assert "synth.units" in MODULES
    assert len(MODULES) > 40


@pytest.mark.parametrize("name", MODULES)
def test_docstring_examples(name: str) -> None:
    result = doctest.testmod(importlib.import_module(name))
    assert result.failed == 0
