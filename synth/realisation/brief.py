"""What a search for circuits is asked: the target, the parts, and what matters."""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace
from functools import cached_property

from synth.errors import RealisationError
from synth.masks.limits import DelayLimit, Limit
from synth.realisation.ranking import IDEAL, parse_names, parse_order
from synth.search.arrange import AIMS
from synth.target.target import Target
from synth.tolerances.spread import Spread
from synth.values.series import CAPACITORS, RESISTORS, Shelf


@dataclass(frozen=True, eq=False)
class Brief:
    """One question.

    Parameters
    ----------
    target : Target
    resistors, capacitors : Shelf
        Where values come from.
    aim : str
        What sections are arranged for: a key of `synth.search.arrange.AIMS`.
    mask : tuple of Limit
        What the response of the whole must keep; the values are then chosen for the largest
        margin.  Empty: they are chosen to be nearest to the target.
    spread : Spread
        How parts vary: what the yield of each circuit is taken with when there is a mask.
    seed : int
        Of the random starts of the value fits; the result is reproducible.
    executor : Executor or None
        Any of `concurrent.futures`; the result does not depend on it.
    rank : str or None
        Criteria to rank by first, joined by commas; see `synth.realisation.ranking.CRITERIA`.
    delays : tuple of DelayLimit
        What the group delay of the whole must keep besides the mask; without a mask the values
        are chosen for the target alone, and these do not count.

    Raises
    ------
    RealisationError
        If the aim or a criterion is unknown.
    """

    target: Target
    resistors: Shelf = RESISTORS
    capacitors: Shelf = CAPACITORS
    aim: str = "range"
    mask: tuple[Limit, ...] = ()
    spread: Spread = field(default_factory=Spread)
    seed: int = 0
    executor: Executor | None = None
    rank: str | None = None
    delays: tuple[DelayLimit, ...] = ()

    def __post_init__(self) -> None:
        if self.aim not in AIMS:
            raise RealisationError(
                f"circuits cannot be arranged for {self.aim!r}; choose one of {', '.join(AIMS)}"
            )
        _ = self.order
        if "yield" in parse_names(self.rank) and not self.mask:
            raise RealisationError("circuits are ranked by yield with a mask or a limit; give one")

    @cached_property
    def order(self) -> tuple[str, ...]:
        """The criteria by which circuits with ideal op amps are ranked, the first first."""
        return parse_order(self.rank, IDEAL, self.aim)

    def seeks(self, criterion: str) -> bool:
        """Say whether circuits are looked for by a criterion: it is named, or before the op amps.

        By yield only where there is a mask.
        """
        if criterion == "yield" and not self.mask:
            return False
        if criterion in parse_names(self.rank) or criterion == "noise" == self.aim:
            return True
        return self.order.index(criterion) < self.order.index("amplifiers")

    @property
    def alone(self) -> Brief:
        """The same question without an executor, as it is sent to one."""
        return self if self.executor is None else replace(self, executor=None)

    @property
    def shelves(self) -> Mapping[str, Shelf]:
        """Letter -> shelf."""
        return {"R": self.resistors, "C": self.capacitors}
