"""Lift plans: which terminals to drive, wholly or in part, for a wanted numerator.

With the values fixed the numerator under a drive is linear, ``N = sum a_k N_k``, so the question
"0 <= a_k <= 1 with N = g * wanted" is a small mixed-integer linear program: whole terminals cost
nothing, a split costs parts (a resistor less than the divider at an op-amp pin, that less than a
capacitor).  Among plans of least cost the one with the largest gain is taken.

Source of the sum law: D. Hilberman, IEEE Trans. Circuit Theory CT-20 (1973) 540-547 (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from synth.analysis.loop import Loop
from synth.analysis.numbers import CommonForm, common_form
from synth.errors import TransformError
from synth.network.model import Terminal
from synth.search.goal import Goal

Array = npt.NDArray[np.float64]

#: Cost of splitting: a resistor (one part more), a divider at a bare pin (two), a capacitor.
SPLIT_COSTS = {"resistor": 1.0, "pin": 2.2, "capacitor": 2.5}
#: A plan with less than this share of the largest gain any plan has is not offered.
_LEAST_SHARE = 0.02
_CLOSE = 1e-9


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
        g in N = g * wanted, over the monic denominator in s/w0; its sign is the response's.
    cost : float
        Sum of the split costs.
    """

    lifts: tuple[Lift, ...]
    gain: float
    cost: float

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
    """
    table = numerators(loop, wanted.w0)
    costs = np.array([_split_cost(loop, t) for t in table.terminals])
    found: list[Plan] = []
    for sign in (1.0, -1.0):
        target = sign * np.array(wanted.numerator)
        most = _largest_gain(table, target)
        if most <= _CLOSE:
            continue
        banned: list[Array] = []
        for _ in range(2 * keep):  # other patterns often end in a plan already found
            splits = _fewest_splits(table, target, costs, most * _LEAST_SHARE, banned)
            if splits is None:
                break
            banned.append(splits)
            plan = _best_of_pattern(table, target, costs, splits, sign)
            if plan is not None:
                found.append(plan)
    found.sort(key=lambda p: (round(p.cost, 6), p.gain < 0, -abs(p.gain)))
    unique: dict[tuple[float, ...], Plan] = {}
    for plan in found:
        unique.setdefault(tuple(round(x.fraction, 9) for x in plan.lifts), plan)
    return tuple(unique.values())[:keep]


def _split_cost(loop: Loop, terminal: Terminal) -> float:
    names = {u.name for u in loop.network.op_amps}
    if terminal.part in names:
        return SPLIT_COSTS["pin"]
    power = loop.network.branch(terminal.part).power
    return SPLIT_COSTS["resistor" if power == 0 else "capacitor"]


def _largest_gain(table: Numerators, target: Array) -> float:
    """Return the largest g with sum a_k N_k = g*target and 0 <= a_k <= 1; 0 when only g = 0."""
    from scipy.optimize import linprog

    k = len(table.rows)
    equal = np.column_stack([table.rows.T, -target])
    bounds = [_bound(table, i) for i in range(k)] + [(0.0, None)]
    result = linprog(
        np.append(np.zeros(k), -1.0), A_eq=equal, b_eq=np.zeros(len(target)), bounds=bounds
    )
    return float(result.x[-1]) if result.status == 0 else 0.0


def _bound(table: Numerators, k: int) -> tuple[float, float]:
    return (table.now[k], table.now[k]) if table.still[k] else (0.0, 1.0)


def _fewest_splits(
    table: Numerators, target: Array, costs: Array, least_gain: float, banned: Sequence[Array]
) -> Array | None:
    """Return the cheapest set of splits not banned, as 0/1; None when there is none left."""
    from scipy.optimize import Bounds, LinearConstraint, milp

    k = len(table.rows)
    # variables: whole (0/1), part (0..1), split (0/1), gain
    zero, eye = np.zeros((k, k)), np.eye(k)
    columns = np.hstack([table.rows.T, table.rows.T, np.zeros((len(target), k)), -target[:, None]])
    rules = [
        LinearConstraint(columns, 0.0, 0.0),
        LinearConstraint(np.hstack([zero, eye, -eye, np.zeros((k, 1))]), -np.inf, 0.0),
        LinearConstraint(np.hstack([eye, zero, eye, np.zeros((k, 1))]), -np.inf, 1.0),
    ]
    for pattern in banned:
        # at least one of its splits is not made, or another one is
        row = np.concatenate([np.zeros(2 * k), np.where(pattern > 0.5, -1.0, 1.0), [0.0]])
        rules.append(LinearConstraint(row, 1.0 - pattern.sum(), np.inf))
    low = np.concatenate([np.zeros(3 * k), [least_gain]])
    high = np.concatenate([np.ones(3 * k), [np.inf]])
    for i in np.flatnonzero(table.still):
        low[i] = high[i] = table.now[i]
        high[k + i] = high[2 * k + i] = 0.0
    result = milp(
        np.concatenate([np.zeros(2 * k), costs, [0.0]]),
        constraints=rules,
        bounds=Bounds(low, high),
        integrality=np.concatenate([np.ones(k), np.zeros(k), np.ones(k), [0.0]]),
    )
    return np.asarray(np.round(result.x[2 * k : 3 * k])) if result.status == 0 else None


def _best_of_pattern(
    table: Numerators, target: Array, costs: Array, splits: Array, sign: float
) -> Plan | None:
    """With the splits settled, choose the whole terminals and fractions for the largest gain."""
    from scipy.optimize import Bounds, LinearConstraint, milp

    k = len(table.rows)
    low, high = np.zeros(k + 1), np.append(np.ones(k), np.inf)
    for i in np.flatnonzero(table.still):
        low[i] = high[i] = table.now[i]
    result = milp(
        np.append(np.zeros(k), -1.0),
        constraints=[LinearConstraint(np.column_stack([table.rows.T, -target]), 0.0, 0.0)],
        bounds=Bounds(low, high),
        integrality=np.append((splits < 0.5).astype(float), 0.0),
    )
    if result.status != 0:
        return None
    exact = _polished(table, target, result.x[:k], splits > 0.5)
    if exact is None:
        return None
    fractions, gain = exact
    lifts = tuple(Lift(t, float(a)) for t, a in zip(table.terminals, fractions, strict=True))
    cost = float(sum(c for c, x in zip(costs, lifts, strict=True) if x.split))
    return Plan(lifts, sign * gain, cost)


def _polished(
    table: Numerators, target: Array, fractions: Array, split: npt.NDArray[np.bool_]
) -> tuple[Array, float] | None:
    """Solve the settled pattern again to full precision; None when it does not hold."""
    a = np.where(split, fractions, np.round(fractions))
    inner = split & (a > _CLOSE) & (a < 1 - _CLOSE)
    a = np.where(inner, a, np.round(a))
    fixed = a[~inner] @ table.rows[~inner]
    unknowns = np.column_stack([table.rows[inner].T, -target])
    scale = np.abs(table.denominator) + np.abs(table.rows).max(axis=0) + 1e-300
    solution, *_ = np.linalg.lstsq(unknowns / scale[:, None], -fixed / scale, rcond=None)
    a[inner] = solution[:-1]
    left = (a @ table.rows - solution[-1] * target) / scale
    if np.abs(left).max() > _CLOSE or (a < 0).any() or (a > 1).any() or solution[-1] <= 0:
        return None
    return a, float(solution[-1])
