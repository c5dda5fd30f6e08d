"""Design equations: part values of a second-order stage in closed form from w0, Q and gain.

One capacitance C sets the impedance level.  Some parts are made equal (resistors 1/(w0*C),
capacitors C), the others follow from the equations of the kind (`synth.generators.asked`).  Which
parts are made equal is tried out: the choice that works for the widest range of Q is kept, then
one that leaves the gain free, then the shortest.  A design equation whose value is not positive
says that this Q or gain is out of reach with equal parts.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, product
from typing import Any

import numpy as np

from synth.analysis.loop import Loop, expanded
from synth.analysis.ring import Poly
from synth.claims import response, sign_of
from synth.generators.asked import NOTCH_AT, asked
from synth.generators.solver import MOST_OPERATIONS, closed_forms
from synth.stage_file import Stage

#: Poles and gains that a choice of equal parts is tried at.
QS = (0.6, 1.0, 5.0, 20.0)
GAINS = (1.0, 2.0, 0.4, 5.0)
#: Tried where none of `QS` is in reach, as with resistors and capacitors alone.
LOW_QS = (0.2, 0.3, 0.45)
#: Kinds of second order that have equations.
KINDS = (
    *("lowpass", "highpass", "bandpass", "bandstop", "lowpass-notch", "highpass-notch"),
    *("allpass", "peaking", "general"),
)
#: At most so many choices of unknown parts are solved for a kind.
_CHOICES = 160
#: Where more than three equations come from N and D of more than `_MANY` terms, resistors alone are
#: sought, and a choice is solved in numbers first, at this Q and these gains, from so many starts;
#: one without a solution is left.
_MANY, _TRIAL_Q, _TRIAL_GAINS, _STARTS = 20, 5.0, (1.0, 0.4), 3
_WIDEST, _MET = 8.0, 1e-6


@dataclass(frozen=True)
class Design:
    """The design equations of one kind of a stage.

    Parameters
    ----------
    rows : tuple of (str, str)
        Name and expression, in the order they are worked out: roots first, then every part.  An
        expression that begins with ``sqrt(`` is the root of the rest.
    gain : str
        The gain that results, where it cannot be chosen; empty where it is given as g.
    """

    rows: tuple[tuple[str, str], ...]
    gain: str


def designs(stage: Stage) -> dict[str, Design]:
    """Return the design equations of every kind of a stage of second order that has them."""
    found = {}
    for kind in stage.kinds:
        design = designed(stage, kind) if kind in KINDS and stage.order == 2 else None
        if design is not None:
            found[kind] = design
    return found


def designed(stage: Stage, kind: str) -> Design | None:
    """Return the design equations of one kind; None where no choice has a closed form."""
    import sympy

    system = _system(stage, kind)
    if system is None:
        return None
    best: tuple[tuple[Any, ...], dict[Any, Any], Any] | None = None
    for with_gain in (True, False):
        equations = [*system.shape, *([system.gain] if with_gain else [])]
        if with_gain and system.gain is None:
            continue
        for values, reached, pairs in _choices(system, equations):
            full = {p: values.get(p, sympy.Integer(1)) for p in system.parts}
            operations = sum(v.count_ops() for v in values.values())
            roots = sum(v.has(sympy.sqrt) or _root_of(v) is not None for v in values.values())
            score = (-reached, not with_gain, roots, operations, -pairs)
            if best is None or score < best[0]:
                best = (score, full, None if with_gain else system.result(full))
        if best is not None and best[0][0] == -len(QS):
            break
    return None if best is None else _written(best[1], best[2])


# -- the equations ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class _System:
    """Equations in the part symbols, normalised to w0 = 1 and C = 1."""

    parts: tuple[Any, ...]
    shape: tuple[Any, ...]
    gain: Any | None
    result_ratio: Any | None
    zero: float
    terms: int

    def result(self, values: Mapping[Any, Any]) -> Any | None:
        """Return the gain that the values give, without its sign."""
        import sympy

        return None if self.result_ratio is None else sympy.factor(self.result_ratio.subs(values))


def _system(stage: Stage, kind: str) -> _System | None:
    import sympy

    loop = stage.loop
    parts = tuple(sympy.Symbol(b.name, positive=True) for b in stage.network.branches)
    above, below = expanded(loop.transfer()), expanded(loop.denominators)
    n, d = _coefficients(loop, above, parts), _coefficients(loop, below, parts)
    least = min(*d, *n)
    top = [n.get(least + k, sympy.Integer(0)) for k in range(3)]
    bottom = [d.get(least + k, sympy.Integer(0)) for k in range(3)]
    if max(*d, *n) - least != 2 or not bottom[0] or not bottom[2]:
        return None
    exact_n, exact_d = response(loop, stage.circuit(kind))
    sign = sign_of(exact_n, exact_d, kind)
    q, g, m = (sympy.Symbol(x, positive=True) for x in ("Q", "g", "m"))
    zero = m if kind in NOTCH_AT else sympy.Integer(1)
    factor = 1 if kind == "peaking" else sign
    found = asked(kind, top, bottom, q, factor * g, zero)
    ratio = None
    if found.gain is not None:
        ratio = sympy.solve(found.gain, g)
        ratio = ratio[0] if len(ratio) == 1 else None
    terms = len(above) + len(below)
    shape = tuple(e for e in found.shape if e != 0)
    return _System(parts, shape, found.gain, ratio, NOTCH_AT.get(kind, 1.0), terms)


def _coefficients(loop: Loop, poly: Poly, parts: Sequence[Any]) -> dict[int, Any]:
    import sympy

    found: dict[int, Any] = {}
    branches = loop.network.branches
    for mask, c in poly.items():
        held = [k for k in range(len(parts)) if mask >> k & 1]
        term = sympy.Integer(int(c))
        for k in held:
            term *= parts[k] if branches[k].power > 0 else 1 / parts[k]
        power = sum(branches[k].power for k in held)
        found[power] = found.get(power, sympy.Integer(0)) + term
    return found


# -- which parts are made equal --------------------------------------------------------------------


def _choices(
    system: _System, equations: Sequence[Any]
) -> Iterator[tuple[dict[Any, Any], float, int]]:
    """Yield solutions for sets of unknown parts, the others made equal; resistors alone first.

    With each, at how many Q, and at how many pairs of Q and gain, every part is positive.
    """
    import sympy

    resistors = [p for p in system.parts if p.name.startswith("R")]
    tried = 0
    large = len(equations) > 3 and system.terms > _MANY
    whole = [sympy.expand(sympy.numer(sympy.together(e))) for e in equations]
    for pool in (resistors, *([] if large else [list(system.parts)])):
        solved = False
        for size in range(1, len(equations) + 1):
            for unknowns in combinations(pool, size):
                if pool is not resistors and set(unknowns) <= set(resistors):
                    continue
                ones = {p: 1 for p in system.parts if p not in unknowns}
                asked_of = [e.subs(ones) for e in whole]
                if large and not _in_numbers(asked_of, unknowns, system.zero):
                    continue
                tried += 1
                if tried > _CHOICES:
                    return
                for found in closed_forms(asked_of, unknowns):
                    if any(v.count_ops() > MOST_OPERATIONS for v in found.values()):
                        continue
                    reached, pairs = _reached(found, system.zero)
                    solved = solved or reached >= 1
                    if reached:
                        yield found, reached, pairs
        if solved:
            return


def _in_numbers(equations: Sequence[Any], unknowns: Sequence[Any], zero: float) -> bool:
    """Say whether polynomials have a positive common zero that a few numerical searches find."""
    import sympy
    from scipy.optimize import least_squares

    q, g, m = (sympy.Symbol(x, positive=True) for x in ("Q", "g", "m"))
    if any(e != 0 and not e.free_symbols & set(unknowns) for e in equations):
        return False
    misses = sympy.lambdify([list(unknowns), q, g, m], equations, "numpy")
    gains = _TRIAL_GAINS if any(e.has(g) for e in equations) else _TRIAL_GAINS[:1]
    generator = np.random.default_rng(0)
    starts = generator.normal(0.0, 1.0, (_STARTS, len(unknowns)))
    for gain, start in product(gains, starts):
        found = least_squares(
            lambda x, at=gain: np.array(
                misses(np.exp(np.clip(x, -_WIDEST, _WIDEST)), _TRIAL_Q, at, zero), dtype=float
            ),
            start,
            method="lm",
            max_nfev=60 * len(start),
        )
        if np.abs(found.fun).max() < _MET and np.abs(found.x).max() < _WIDEST - 1:
            return True
    return False


def _reached(values: Mapping[Any, Any], zero: float) -> tuple[float, int]:
    """Return at how many Q, and at how many pairs of Q and gain, every part is positive.

    A low Q counts little, and only where no other is in reach.
    """
    import sympy

    def good(q: float, g: float) -> bool:
        at = {sympy.Symbol(n, positive=True): x for n, x in (("Q", q), ("g", g), ("m", zero))}
        found = (v.evalf(15, subs=at) for v in values.values())
        return all(x.is_real and 1e-6 < x < 1e6 for x in found)

    for qs, weight in ((QS, 1.0), (LOW_QS, 0.1)):
        rows = [sum(good(q, g) for g in GAINS) for q in qs]
        if any(rows):
            return weight * sum(n > 0 for n in rows), sum(rows)
    return 0.0, 0


# -- as text ---------------------------------------------------------------------------------------


def _root_of(e: Any) -> Any | None:
    import sympy

    roots = [
        p for p in e.atoms(sympy.Pow) if p.exp in (sympy.Rational(1, 2), -sympy.Rational(1, 2))
    ]
    return roots[0].base if roots else None


def _written(values: Mapping[Any, Any], gain: Any | None) -> Design:
    import sympy

    roots: dict[Any, Any] = {}
    plain = {}
    for part, value in values.items():
        while (base := _root_of(value)) is not None:
            root = roots.setdefault(base, sympy.Symbol(f"t{len(roots) + 1}", positive=True))
            value = value.subs(sympy.sqrt(base), root)
        plain[part] = value
    result = ""
    if gain is not None:
        for base, root in roots.items():
            gain = gain.subs(sympy.sqrt(base), root)
        result = _text(gain)
    rows = [(root.name, f"sqrt({_text(base)})") for base, root in roots.items()]
    for part, value in plain.items():
        text = _text(value)
        scale = "C" if part.name.startswith("C") else ""
        if scale:
            rows.append((part.name, "C" if text == "1" else f"C*({text})"))
        else:
            rows.append((part.name, "1/(w0*C)" if text == "1" else f"({text})/(w0*C)"))
    return Design(tuple(rows), result)


def _text(e: Any) -> str:
    import sympy

    return str(sympy.sstr(e)).replace("**", "^")
