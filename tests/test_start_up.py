"""The command line answers fast: nothing heavy is imported before a command needs it."""

import os
import subprocess
import sys
from pathlib import Path

import synth

HEAVY = ("numpy", "scipy", "sympy", "networkx", "matplotlib", "jinja2")
ENVIRONMENT = {**os.environ, "PYTHONPATH": str(Path(synth.__file__).parents[1])}


def _python(code):
    return subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, env=ENVIRONMENT
    ).stdout


def _heavy_after(code):
    report = f"import sys; print([m for m in {HEAVY!r} if m in sys.modules])"
    return _python(f"{code}\n{report}").splitlines()[-1]


def test_import_is_light():
    assert _heavy_after("import synth; dir(synth)") == "[]"


def test_help_is_light():
    code = "from synth.cli.main import run; run(['--help'])"
    assert _heavy_after(code) == "[]"


def test_analyse_needs_no_search():
    code = "from synth.cli.main import run; run(['analyse', 'rc-lowpass'])"
    assert not {"scipy", "networkx", "sympy", "matplotlib", "jinja2"} & set(
        _names(_heavy_after(code))
    )


def _names(text):
    return [x.strip(" '") for x in text.strip("[]").split(",")]
