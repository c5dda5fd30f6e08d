"""Plans against brute force: every drive of whole terminals tried, for every stage.

The solver of the mixed-integer programs is a library of its own, which may be wrong, crash or run
for ever; so the plans are made in another process, with a limit of time.
"""

from __future__ import annotations

import json
import math
import subprocess
import sys
from functools import cache
from itertools import product

import numpy as np
import pytest

from synth.analysis.loop import analyse
from synth.analysis.numbers import common_form
from synth.catalog import stage, stages
from synth.errors import SynthError
from synth.search.goal import KINDS, Goal, goal
from synth.search.lift import numerators

#: Every other stage of order 2, and those whose programs have brought solvers down before.
BEFORE = ("allpass-first-order-lag", "allpass-first-order-lead", "impedance-converter-bandpass")
SECOND = [s.name for s in stages() if s.network.op_amps and s.order == 2]
STAGES = [*BEFORE, *(n for n in SECOND[::2] if n not in BEFORE)]
#: Kinds asked of every stage, and the stages asked for all of them.
ASKED = ("bandstop", "allpass")
ALL_OF = ("bainter-notch", "sallen-key-lowpass-gain")
SECONDS = 90
MAKER = """
import json, sys
from synth.analysis.loop import analyse
from synth.catalog import stage
from synth.search.lift import plans
from tests.test_lift_plans import goals

for name in sys.argv[1:]:
    loop = analyse(stage(name).circuit())
    for kind, wanted in goals(name).items():
        print(json.dumps([name, kind, "?"]), flush=True)
        found = plans(loop, wanted, 2)
        print(json.dumps([name, kind, [[p.gain, p.cost, [x.fraction for x in p.lifts]]
              for p in found]]), flush=True)
"""


@cache
def goals(name: str) -> dict[str, Goal]:
    """What can be asked of a stage."""
    form = common_form(analyse(stage(name).circuit()))
    denominator = tuple(float(c) for c in reversed(form.denominator))
    w0 = abs(denominator[-1]) ** (1 / max(1, len(denominator) - 1))
    at = {"lowpass-notch": 1.5, "highpass-notch": 0.7}
    found = {}
    for kind in KINDS if name in ALL_OF else ASKED:
        try:
            at_hz = at[kind] * w0 / 2 / math.pi if kind in at else None
            found[kind] = goal(kind, denominator, at_hz)
        except SynthError:
            continue  # the order does not have the kind
    return found


@cache
def answers() -> tuple[dict[tuple[str, str], list], str]:
    """Plans by stage and kind, and what went wrong."""
    usable = [n for n in STAGES if not improper(n)]
    command = [sys.executable, "-c", MAKER, *usable]
    wrong = ""
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=SECONDS, check=False)
        text, wrong = done.stdout, done.stderr[-500:] if done.returncode else ""
        if done.returncode:
            wrong = f"ended with status {done.returncode} {wrong}"
    except subprocess.TimeoutExpired as error:
        text, wrong = (error.stdout or b"").decode(), "ran for ever"
    rows = [json.loads(line) for line in text.splitlines() if line.startswith("[")]
    if wrong and rows:
        wrong = f"{rows[-1][0]} to {rows[-1][1]}: {wrong}"
    return {(n, k): found for n, k, found in rows if found != "?"}, wrong


@cache
def improper(name: str) -> bool:
    """Whether a terminal's transfer grows without bound."""
    try:
        numerators(analyse(stage(name).circuit()), 1.0)
    except SynthError:
        return True
    return False


def largest_whole_gains(name: str, wanted: Goal) -> dict[int, float]:
    """Sign -> the largest gain with terminals at ground or input only."""
    table = numerators(analyse(stage(name).circuit()), wanted.w0)
    choices = [
        (int(now),) if still else (0, 1) for now, still in zip(table.now, table.still, strict=True)
    ]
    drives = np.array(list(product(*choices)), dtype=float)
    sums = drives @ table.rows
    target = np.array(wanted.numerator)
    gains = sums @ target / (target @ target)
    exact = np.abs(sums - gains[:, None] * target).max(axis=1) < 1e-9 * np.abs(table.rows).max()
    found: dict[int, float] = {}
    for sign in (1, -1):
        some = sign * gains[exact & (sign * gains > 1e-6)]
        if len(some):
            found[sign] = float(some.max())
    return found


def test_every_question_is_answered() -> None:
    _, wrong = answers()
    assert not wrong, wrong


@pytest.mark.parametrize("name", STAGES)
def test_whole_drives_are_all_found(name: str) -> None:
    """A plan without a split comes first where there is one, with the largest gain of its sign."""
    if improper(name):
        pytest.skip("a terminal's transfer is improper")
    found, _ = answers()
    for kind, wanted in goals(name).items():
        if (name, kind) not in found:
            continue  # said by the test above
        whole: dict[int, float] = {}
        for gain, cost, _ in found[name, kind]:
            if cost == 0:
                sign = 1 if gain > 0 else -1
                whole[sign] = max(whole.get(sign, 0.0), abs(gain))
        assert whole == pytest.approx(largest_whole_gains(name, wanted), rel=1e-9), kind


@pytest.mark.parametrize("name", STAGES)
def test_plans_give_the_numerator_and_are_in_order(name: str) -> None:
    if improper(name):
        pytest.skip("a terminal's transfer is improper")
    found, _ = answers()
    for kind, wanted in goals(name).items():
        table = numerators(analyse(stage(name).circuit()), wanted.w0)
        rows = found.get((name, kind), [])
        assert [cost for _, cost, _ in rows] == sorted(cost for _, cost, _ in rows)
        for gain, _, fractions in rows:
            got = np.array(fractions) @ table.rows
            assert got == pytest.approx(gain * np.array(wanted.numerator), abs=1e-8)
