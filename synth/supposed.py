"""What conditions say of values that they suppose: ``equal R: w0 = 1/(R*sqrt(C1*C2))``.

The supposed is put into the values of the example, and the exact response is compared with what is
said.  Where the example leaves nothing to measure (a Q that is infinite), its values are moved a
little first.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping

from synth.conditions import check, named, signs_within, unknown, with_sizes
from synth.errors import CatalogError, ExpressionError
from synth.statements import Statement
from synth.transfer import polynomial as exact
from synth.transfer.design import value_of

_NEAR = 1e-6
_SIGNS = signs_within(_NEAR)
#: By what the values of the example are multiplied in turn, part by part.
_MOVED = (
    (1.0,),
    (1.07, 0.93, 0.96, 1.12, 0.89),
    (0.91, 1.04, 1.13, 0.87, 1.09, 0.95, 1.02),
)
#: What is supposed is put into the values so often, each may change what others use.
_PASSES = 5
_SETTLED = 1e-9
#: Values of the parts -> (N, D) of H(s) as `synth.claims.response` gives them.
Response = Callable[[Mapping[str, float]], tuple[exact.Poly, exact.Poly]]
Gain = Callable[[exact.Poly, exact.Poly], Mapping[str, float]]


def check_supposed(
    said: Statement, values: Mapping[str, float], response: Response, gain: Gain
) -> None:
    """Check what a statement says of the values that it supposes.

    Parameters
    ----------
    said : Statement
    values : mapping
        Of the parts in an example, ohm and farad.
    response : callable
        The exact response at other values.
    gain : callable
        N and D -> the pass-band gain with its sign, under the name ``gain``; nothing where the
        kind has none.

    Raises
    ------
    CatalogError
        If something does not hold, or cannot be measured.
    """
    left = list(said.relations)
    known: Mapping[str, float] = {}
    for supposed in _met(said, values):
        n, d = response({name: supposed[name] for name in values})
        known = {**supposed, **named(n, d), **with_sizes(gain(n, d))}
        for one in [r for r in left if r.names <= set(known)]:
            check(one, "the example with what is supposed", known, _SIGNS)
            left.remove(one)
        if not left:
            return
    if not known:
        raise CatalogError(
            f"key conditions: {said.text}: what is supposed cannot be met with positive values "
            "near those of the example"
        )
    raise unknown(left[0], known, "what is supposed")


def _met(said: Statement, values: Mapping[str, float]) -> Iterator[dict[str, float]]:
    """Yield values near those of the example with what is supposed, and the names in it."""
    for factors in _MOVED:
        moved = {n: v * factors[k % len(factors)] for k, (n, v) in enumerate(values.items())}
        try:
            found = _settled(said, moved)
        except (ExpressionError, ValueError):
            continue
        if found and all(v > 0 for v in found.values()):
            yield found


def _settled(said: Statement, values: Mapping[str, float]) -> dict[str, float]:
    """Put what is supposed into values until nothing changes; return nothing if it always does."""
    found = dict(values)
    for _ in range(_PASSES):
        before = dict(found)
        for given in said.supposed:
            found.update(dict.fromkeys(given.names, value_of(given.formula, found)))
        if found.keys() == before.keys() and all(
            abs(v - before[n]) <= _SETTLED * abs(v) for n, v in found.items()
        ):
            return found
    return {}
