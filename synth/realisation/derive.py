"""Every route from a circuit at hand to a wanted kind of response, least rework first.

A route is one or two of swap, rc-cr, loop complement and lift (the lift last), or a fresh circuit
with the same poles.  Each is carried out and analysed; those that give the wanted numerator come
first, then those of the same kind with fewer of its zeros (the complement of a low-pass is a
high-pass that falls only 20 dB per decade).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from math import pi

from synth.analysis.feedback import feedback
from synth.analysis.loop import analyse
from synth.analysis.numbers import modes, transfer
from synth.analysis.zeros import Zero, transmission_zeros
from synth.errors import RealisationError, SynthError, TargetError, TransformError
from synth.network.equivalence import equivalent, shape_key
from synth.network.model import Network
from synth.progress import Progress, counter, portion
from synth.realisation.brief import Brief
from synth.realisation.realise import realise
from synth.realisation.rework import Rework, rework
from synth.search.goal import Goal, goals
from synth.search.lift import first_reached
from synth.target.responses import transfer_target
from synth.transfer.kinds import Description, describe
from synth.transfer.transfer import Transfer
from synth.transform.drive import Swap
from synth.transform.impedance import ImpedanceSwap
from synth.transform.lift import LiftTerminals
from synth.transform.loop_complement import LoopComplement
from synth.transform.step import Step, Transformation

_SINGLE: tuple[Transformation, ...] = (Swap(), ImpedanceSwap(), LoopComplement())
#: Chains tried before a lift: nothing, one transformation, two different ones.
CHAINS: tuple[tuple[Transformation, ...], ...] = (
    (),
    *((t,) for t in _SINGLE),
    *((a, b) for a in _SINGLE for b in _SINGLE if a is not b),
)
#: Name of the route that leaves the circuit alone.
AS_IT_IS = "the circuit as it is"
_LIFTS = 3
#: Share of the work after which only fresh circuits are left; it paces the progress told.
_LOOKED = 0.4
#: Preferred values leave a balanced zero within this share of the terms from its place.
_ROUNDED = 0.02


@dataclass(frozen=True)
class Route:
    """One way to the wanted kind.

    Parameters
    ----------
    name : str
        The steps in a line, or ``"fresh circuit"`` with its stages.
    exact : bool
        Whether the numerator is the one wanted, and not only of its kind.
    network : Network
    steps : tuple of Step
    response : Transfer
        H; coefficients that a lift cancels are zero.
    description : Description
        Of H.
    poles : str
        ``"kept"``, ``"mirrored"`` (other poles of the same Q) or ``"the same by design"``.
    zeros : tuple of Zero
    rework : Rework
        Against the circuit at hand.
    """

    name: str
    exact: bool
    network: Network
    steps: tuple[Step, ...]
    response: Transfer
    description: Description
    poles: str
    zeros: tuple[Zero, ...]
    rework: Rework


def derive(
    network: Network,
    kind: str,
    at_hz: float | None = None,
    *,
    tolerance: float = 0.01,
    fresh: int = 1,
    progress: Progress | None = None,
) -> tuple[Route, ...]:
    """Return the routes from `network` to `kind`, least rework first.

    Parameters
    ----------
    network : Network
        With values, one input and one output.
    kind : str
        One of `synth.search.goal.KINDS`.
    at_hz : float or None
        The zero's frequency in Hz, for the kinds of unequal notch.
    tolerance : float
        Of the parts, for the floors of balanced zeros.
    fresh : int
        How many fresh circuits to offer beside.
    progress : callable, optional
        Called with (done, total).

    Raises
    ------
    TargetError
        If the order of the circuit does not have the kind.
    TransformError
        If the circuit has several inputs.
    RealisationError
        If there is no route.
    """
    if len(network.inputs) != 1:
        names = ", ".join(p.name for p in network.inputs)
        raise TransformError(
            f"the circuit has {len(network.inputs)} inputs ({names}); name the one to derive "
            "from with --input, the others then count as grounded"
        )
    loop = analyse(network)
    order = describe(transfer(loop, loop.transfer())).order
    question = _Question(kind, at_hz, order, tolerance)
    wanted = goals(loop, kind, at_hz)
    found: list[Route] = []
    tick = counter(portion(progress, 0.0, _LOOKED), len(CHAINS))
    for chain in CHAINS:
        found += _by_chain(network, chain, question)
        tick()
    kept = _inequivalent(found)
    kept += _fresh(
        network, question.fullest(wanted), question, fresh, portion(progress, _LOOKED, 1.0)
    )
    if not kept:
        raise RealisationError(
            f"no route leads from this circuit to the kind {kind}: no transformation or lift gives "
            "it, and no stage of the catalogue has it with these poles"
        )
    return tuple(
        sorted(kept, key=lambda r: (not r.exact, r.rework.total, len(r.steps), r.rework.parts))
    )


@dataclass(frozen=True)
class _Question:
    """What is asked of every chain; ``order`` is that of the circuit at hand, as seen."""

    kind: str
    at_hz: float | None
    order: int
    tolerance: float

    def full(self, wanted: Goal) -> bool:
        """Whether a goal has as many modes as the circuit at hand shows."""
        return len(wanted.seen[1]) - 1 >= self.order

    def fullest(self, wanted: Sequence[Goal]) -> Goal:
        """Return the goal with the most modes that shows no more than the circuit at hand."""
        return min(wanted, key=lambda g: abs(len(g.seen[1]) - 1 - self.order))


def _by_chain(
    network: Network, chain: Sequence[Transformation], question: _Question
) -> Iterator[Route]:
    changed, steps = network, list[Step]()
    kind, at_hz, tolerance = question.kind, question.at_hz, question.tolerance
    try:
        for transformation in chain:
            if transformation.accepts(changed):
                return
            changed, step = transformation.apply(changed)
            steps.append(step)
        loop = analyse(changed)
        if not feedback(loop).negative:
            return
        wanted = goals(loop, kind, at_hz)
        if chain:
            h = transfer(loop, loop.transfer())
            exact = any(question.full(g) and _has_numerator(h, g) for g in wanted)
            if exact or (at_hz is None and describe(h).kind == kind):
                yield _route(network, changed, steps, h, tolerance, exact)
            if exact or len(chain) > 1:
                return
        reached, found = first_reached(loop, wanted, _LIFTS)
        for plan in found:
            lift = LiftTerminals(tuple((x.terminal.key, x.fraction) for x in plan.lifts if x.moved))
            if lift.fractions and not lift.accepts(changed):
                lifted, step = lift.apply(changed)
                h = Transfer.from_tf([plan.gain * c for c in reached.seen[0]], reached.seen[1])
                yield _route(network, lifted, [*steps, step], h, tolerance, question.full(reached))
    except SynthError:
        return  # a chain that cannot be carried out on this circuit is no route


def _has_numerator(h: Transfer, wanted: Goal) -> bool:
    """Whether H is the response wanted, up to a constant."""
    if not h.gain:
        return False
    shape = Transfer.from_tf(*wanted.seen)
    places = [(1.1 + 0.3j) * wanted.w0, 0.4j * wanted.w0, 2.3j * wanted.w0]
    ratios = [h(s) / shape(s) for s in places]
    return all(abs(r / ratios[0] - 1) < 1e-6 for r in ratios)


def _route(
    before: Network,
    after: Network,
    steps: Sequence[Step],
    h: Transfer,
    tolerance: float,
    exact: bool,
) -> Route:
    loop = analyse(after)
    work = rework(before, after, steps)
    if not work.total:
        name, steps, title = AS_IT_IS, (), before.title
    else:
        name = " + ".join(s.name for s in steps)
        title = f"{before.title}; {name}".lstrip("; ")
    return Route(
        name=name,
        exact=exact,
        network=replace(after, title=title),
        steps=tuple(steps),
        response=h,
        description=describe(h),
        poles=_pole_text(before, after),
        zeros=transmission_zeros(loop, tolerance),
        rework=work,
    )


def _pole_text(before: Network, after: Network) -> str:
    old, new = (sorted(modes(analyse(n)), key=lambda p: (p.real, p.imag)) for n in (before, after))
    size = max((abs(p) for p in old), default=1.0)
    same = len(old) == len(new) and all(
        abs(a - b) <= 1e-6 * size for a, b in zip(old, new, strict=True)
    )
    return "kept" if same else "mirrored"


def _inequivalent(found: Sequence[Route]) -> list[Route]:
    """Of equivalent circuits with the same response keep the one with the least rework."""
    kept: dict[str, list[Route]] = {}
    for r in sorted(found, key=lambda r: (r.rework.total, len(r.steps), "lift" in r.name)):
        bucket = kept.setdefault(shape_key(r.network), [])
        if not any(
            equivalent(r.network, other.network) is not None and _close(r.response, other.response)
            for other in bucket
        ):
            bucket.append(r)
    return [r for bucket in kept.values() for r in bucket]


def _close(a: Transfer, b: Transfer) -> bool:
    w = 1j * max((abs(p) for p in a.poles), default=1.0)
    return all(abs(a(k * w) - b(k * w)) <= 1e-6 * max(1e-12, abs(a(k * w))) for k in (0.3, 1.7))


def _fresh(
    network: Network, wanted: Goal, question: _Question, count: int, progress: Progress | None
) -> list[Route]:
    """Circuits of the catalogue with the same poles, at unit gain where they pass."""
    if count < 1:
        return []
    try:
        target = transfer_target(Transfer.from_tf(*wanted.seen))
        best = realise(Brief(target), top=count, progress=progress)
    except (RealisationError, TargetError, TransformError):
        return []
    routes = []
    for r in best:
        loop = analyse(r.network)
        h = transfer(loop, loop.transfer())
        routes.append(
            Route(
                name=f"fresh circuit: {r.label}",
                exact=True,
                network=replace(
                    r.network, title=f"{question.kind} at {wanted.w0 / 2 / pi:.5g} Hz, {r.label}"
                ),
                steps=r.design.derivation,
                response=h,
                description=describe(target.transfer),
                poles="the same by design",
                zeros=transmission_zeros(loop, question.tolerance, within=_ROUNDED),
                rework=rework(network, r.network, None),
            )
        )
    return routes
