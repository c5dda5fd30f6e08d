"""Lift plans: which terminals to drive, wholly or in part, for a wanted numerator.

With the values fixed the numerator under a drive is linear, ``N = sum a_k N_k``.  Whole terminals
cost nothing, a split costs parts (a resistor less than the divider at an op-amp pin, that less
than a capacitor).  The sets of splits are taken in the order of their cost, and for each the
whole terminals with the largest gain are found (`synth.search.pattern`).

Source of the sum law: D. Hilberman, IEEE Trans. Circuit Theory CT-20 (1973) 540-547 (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import chain, combinations, islice

import numpy as np
import numpy.typing as npt

from synth.analysis.loop import Loop
from synth.analysis.numbers import CommonForm, common_form
from synth.errors import TransformError
from synth.network.model import Network, Terminal
from synth.search.goal import Goal
from synth.search.pattern import NOISE, Box, best_whole
from synth.transform.split import PIN_RESISTANCE

Array = npt.NDArray[np.float64]

#: Cost of splitting: a resistor (one part more), a divider at a bare pin (two), a capacitor.
SPLIT_COSTS = {"resistor": 1.0, "pin": 2.2, "capacitor": 2.5}
#: Values of resistors (ohm) and capacitors (farad) that can be bought (common practice).
WINDOWS = {0: (1.0, 1e7), 1: (1e-12, 1e-2)}
#: A plan with less than this share of the largest gain any plan has is not offered.
_LEAST_SHARE = 0.02
_CLOSE = 1e-9
#: At most so many sets of splits are tried; every one for up to 9 free terminals.
_MOST_SETS = 4000


@dataclass(frozen=True)
class Lift:
    """One terminal of a plan.

    Parameters
    ----------
    terminal : Terminal
    fraction : float
        Of the input that drives it, 0 to 1.
    """

    terminal: Terminal
    fraction: float

    @property
    def split(self) -> bool:
        """Whether the terminal is driven in part."""
        return 0 < self.fraction < 1

    @property
    def moved(self) -> bool:
        """Whether anything changes at this terminal."""
        return self.fraction != float(self.terminal.at != "ground")


@dataclass(frozen=True)
class Plan:
    """A drive of every terminal, with what it gives.

    Parameters
    ----------
    lifts : tuple of Lift
        Every terminal of the loop.
    gain : float
        g in N = g * wanted; its sign is the response's.
    cost : float
        Sum of the split costs.
    strained : tuple of Terminal
        Those whose split makes a part outside `WINDOWS` of one that was inside.
    """

    lifts: tuple[Lift, ...]
    gain: float
    cost: float
    strained: tuple[Terminal, ...] = ()

    @property
    def drive(self) -> dict[Terminal, float]:
        """Terminal -> fraction."""
        return {x.terminal: x.fraction for x in self.lifts}


@dataclass(frozen=True)
class Numerators:
    """The loop's numerators as numbers, normalised to s/w0, ascending; D monic.

    ``rows[k]`` belongs to ``terminals[k]``; ``held`` marks the ones that stay.
    """

    terminals: tuple[Terminal, ...]
    rows: Array
    denominator: Array
    w0: float

    @property
    def held(self) -> npt.NDArray[np.bool_]:
        """Which terminals may not move."""
        return np.array([bool(t.held) for t in self.terminals], dtype=bool)

    @property
    def still(self) -> npt.NDArray[np.bool_]:
        """Which terminals stay as they are: held, or without any effect."""
        return np.asarray(self.held | ~self.rows.any(axis=1))

    @property
    def scale(self) -> Array:
        """The size of each power's coefficients, to measure what is left over by."""
        size = np.abs(self.denominator) + np.abs(self.rows).max(axis=0)
        return np.asarray(np.where(size > 0, size, 1.0))

    @property
    def now(self) -> Array:
        """The drive as it stands."""
        return np.array([float(t.at != "ground") for t in self.terminals])


def numerators(loop: Loop, w0: float) -> Numerators:
    """Return the numerators of a loop with values, normalised to `w0` (rad/s).

    Raises
    ------
    TransformError
        If a terminal's transfer is improper, so that it has no place over D.
    """
    form: CommonForm = common_form(loop)
    n = len(form.denominator) - 1
    for t, p in form.terminals.items():
        if len(p) > n + 1:
            raise TransformError(
                f"the transfer from terminal {t} grows without bound with frequency (its "
                "numerator has a higher degree than the denominator), so it is no lift of this loop"
            )
    scale = w0 ** (np.arange(n + 1) - n)
    terminals = tuple(form.terminals)

    def row(p: Sequence[object]) -> Array:
        padded = [float(c) for c in p] + [0.0] * (n + 1 - len(p))  # type: ignore[arg-type]
        return np.asarray(np.array(padded) * scale, dtype=np.float64)

    return Numerators(
        terminals,
        np.array([row(form.terminals[t]) for t in terminals]),
        row(form.denominator),
        w0,
    )


def plans(loop: Loop, wanted: Goal, keep: int = 5) -> tuple[Plan, ...]:
    """Return lift plans for `wanted`, least cost first, then largest gain; empty without any.

    Parameters
    ----------
    loop : Loop
        Of a network with one input and values.
    wanted : Goal
    keep : int
        At most so many plans.

    Notes
    -----
    For each set of split terminals and each sign of the gain there is one plan, that of the
    largest gain.  Plans that need a part nobody sells come after all others.  A fraction nearer
    to 0 or 1 than 1e-6 is taken for 0 or 1.
    """
    table = numerators(loop, wanted.w0)
    rules = [_split_rule(loop.network, t) for t in table.terminals]
    found: list[Plan] = []
    for sign in (1.0, -1.0):
        target = sign * np.array(wanted.numerator)
        most, vertex = _largest_gain(table, target)
        if most <= _CLOSE:
            continue
        here: list[Plan] = []
        for splits in _split_sets(table, rules, vertex):
            if sum(not p.strained for p in here) >= keep:
                break
            plan = _plan(table, rules, target, splits, most * _LEAST_SHARE)
            if plan is not None:
                here.append(replace(plan, gain=sign * plan.gain))
        found += here
    found.sort(key=lambda p: (bool(p.strained), round(p.cost, 6), p.gain < 0, -abs(p.gain)))
    unique: dict[tuple[float, ...], Plan] = {}
    for plan in found:
        unique.setdefault(tuple(round(x.fraction, 9) for x in plan.lifts), plan)
    return tuple(unique.values())[:keep]


def first_reached(
    loop: Loop, wanted: Sequence[Goal], keep: int = 5
) -> tuple[Goal, tuple[Plan, ...]]:
    """Return the first goal that has plans, with them; the first goal and none without any."""
    for one in wanted:
        found = plans(loop, one, keep)
        if found:
            return one, found
    return wanted[0], ()


@dataclass(frozen=True)
class _Rule:
    """What a split of one terminal costs, and the fractions that leave buyable parts."""

    cost: float
    least: float
    most: float


def _split_rule(network: Network, terminal: Terminal) -> _Rule:
    if terminal.part in {p.name for p in network.outputs}:
        return _Rule(0.0, 0.0, 1.0)  # it reads the input, and is held there
    if terminal.part in {u.name for u in network.op_amps}:
        least = PIN_RESISTANCE / WINDOWS[0][1]
        return _Rule(SPLIT_COSTS["pin"], least, 1 - least)
    b = network.branch(terminal.part)
    cost = SPLIT_COSTS["resistor" if b.power == 0 else "capacitor"]
    low, high = WINDOWS.get(b.power, (0.0, np.inf))
    if b.value is None or not low <= b.value <= high:
        return _Rule(cost, 0.0, 1.0)
    share = b.value / high if b.power == 0 else low / b.value
    return _Rule(cost, share, 1 - share)


def _largest_gain(table: Numerators, target: Array) -> tuple[float, frozenset[int]]:
    """Return the largest g with sum a_k N_k = g*target and 0 <= a_k <= 1, and its splits."""
    from scipy.optimize import linprog

    k = len(table.rows)
    scale = table.scale
    equal = np.column_stack([table.rows.T, -target]) / scale[:, None]
    bounds = [_bound(table, i) for i in range(k)] + [(0.0, None)]
    result = linprog(
        np.append(np.zeros(k), -1.0), A_eq=equal, b_eq=np.zeros(len(target)), bounds=bounds
    )
    if result.status != 0:
        return 0.0, frozenset()
    inner = np.flatnonzero((result.x[:k] > NOISE) & (result.x[:k] < 1 - NOISE))
    return float(result.x[-1]), frozenset(int(i) for i in inner)


def _bound(table: Numerators, k: int) -> tuple[float, float]:
    return (table.now[k], table.now[k]) if table.still[k] else (0.0, 1.0)


def _split_sets(
    table: Numerators, rules: Sequence[_Rule], vertex: frozenset[int]
) -> list[tuple[int, ...]]:
    """Return sets of terminals to split, the cheapest first.

    At a vertex of the drives there are at most as many splits as the order has coefficients less
    one.  Of a large loop only the smaller sets are tried, and that of the largest gain.
    """
    free = [k for k in range(len(table.rows)) if not table.still[k]]
    sizes = range(min(len(free), table.rows.shape[1] - 1) + 1)
    every = chain.from_iterable(combinations(free, size) for size in sizes)
    sets = [*islice(every, _MOST_SETS), tuple(sorted(vertex))]
    return sorted(dict.fromkeys(sets), key=lambda s: round(sum(rules[k].cost for k in s), 6))


def _plan(
    table: Numerators,
    rules: Sequence[_Rule],
    target: Array,
    splits: tuple[int, ...],
    least_gain: float,
) -> Plan | None:
    """With the splits settled, choose the whole terminals and fractions for the largest gain."""
    scale = table.scale
    rows, goal = table.rows / scale, target / scale
    still = np.flatnonzero(table.still)
    whole = [k for k in range(len(rows)) if k not in splits and not table.still[k]]
    start = table.now[still] @ rows[still]
    for strict in (True, False):  # buyable parts, else any
        edges = [(rules[k].least, rules[k].most) if strict else (0.0, 1.0) for k in splits]
        low = np.array([max(a, NOISE) for a, _ in edges])
        high = np.array([min(b, 1 - NOISE) for _, b in edges])
        found = best_whole(start, rows[whole], rows[list(splits)], goal, Box(low, high, least_gain))
        if found is None:
            continue
        driven, fractions, gain = found
        a = table.now.copy()
        a[whole], a[list(splits)] = driven, fractions
        lifts = tuple(Lift(t, float(x)) for t, x in zip(table.terminals, a, strict=True))
        cost = float(sum(rules[k].cost for k in splits))
        strained = (
            ()
            if strict
            else tuple(
                table.terminals[k] for k in splits if not rules[k].least <= a[k] <= rules[k].most
            )
        )
        return Plan(lifts, gain, cost, strained)
    return None
