"""A circuit with preferred values, as it is handed back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from synth.network.model import Network
from synth.realisation.levels import Levels
from synth.realisation.zero_figures import ZeroFigures
from synth.transform.pair import Pair
from synth.transform.step import Step, unchanged_names
from synth.values.pieces import Taken
from synth.values.ranking import Option


@dataclass(frozen=True)
class StageValues:
    """One stage of the circuit, for the details.

    Parameters
    ----------
    name : str
    parts : tuple of str
        Those that were chosen.
    order : int
    f0_hz, q : float or None
        Of the stage's target; None where it has none.
    error : float
        Of the stage alone, with the values that were taken.
    bound : float
        No choice for the stage has an error below this.
    proved : bool
        Whether the stage's own choice is proved.
    combinations : int
        How many choices the stage has.
    certificate : str
        What is proved of the stage's own choice.
    pareto : tuple of Option
        By error, where they were asked for.
    """

    name: str
    parts: tuple[str, ...]
    order: int
    f0_hz: float | None
    q: float | None
    error: float
    bound: float
    proved: bool
    combinations: int
    certificate: str
    pareto: tuple[Option, ...]


@dataclass(frozen=True)
class Revalued:
    """A circuit with preferred values.

    Parameters
    ----------
    base : Network
        The circuit as it was given.
    choices : tuple of Option
        For all parts, best first.
    metric : str
        What the error is, in words.
    unit : str
        dB, or empty for a fraction.
    error : float
        Of the first choice.
    bound : float
        No choice at all has an error below this; 0 where nothing is known.
    proved : bool
        Whether the first choice is the best of all by what was asked.
    covers : str
        What was looked through, and what the proof covers.
    floor : float
        Errors up to this were taken as good enough.
    reached : bool
        Whether the floor is met.
    nearest_rounding_error : float or None
        When each part is rounded to its nearest value; None without exact values.
    section_wise_error : float or None
        When each stage of a cascade takes its own best choice; None for one stage.
    error_db : float
        Largest deviation of |H| in dB within 40 dB of the target's maximum.
    certificate : str
    stages : tuple of StageValues
    notes : tuple of str
    halves : tuple of mapping
        For each choice: part made of two -> the two.
    levels : Levels or None
    zeros : tuple of ZeroFigures
        Notches and all-passes of the first choice.
    """

    base: Network
    choices: tuple[Option, ...]
    metric: str
    unit: str
    error: float
    bound: float
    proved: bool
    covers: str
    floor: float
    reached: bool
    nearest_rounding_error: float | None
    section_wise_error: float | None
    error_db: float
    certificate: str
    stages: tuple[StageValues, ...]
    notes: tuple[str, ...]
    halves: tuple[Mapping[str, Taken], ...]
    levels: Levels | None
    zeros: tuple[ZeroFigures, ...] = ()

    @property
    def network(self) -> Network:
        """The circuit with the first choice, pairs as two parts."""
        return self.circuit(0)[0]

    @property
    def values(self) -> Mapping[str, float]:
        """The first choice: part -> value, a pair as one."""
        return self.choices[0].values

    @property
    def alternatives(self) -> tuple[Option, ...]:
        """The next best choices, in order."""
        return self.choices[1:]

    @property
    def spread(self) -> float:
        """Largest over smallest value of one kind, of the first choice."""
        return self.choices[0].spread

    def circuit(self, place: int) -> tuple[Network, tuple[Step, ...]]:
        """Return the circuit with one of the choices, and the steps from the one given."""
        chosen = self.choices[place].values
        network = self.base.with_values(chosen)
        step = Step(
            "values",
            (("error", f"{self.choices[place].error:.3g} {self.unit}".rstrip()),),
            f"preferred values; {self.certificate}",
            unchanged_names(self.base),
        )
        steps = [step]
        for part, taken in self.halves[place].items():
            a, b = taken.pieces
            series = taken.adds if part[0] != "C" else not taken.adds
            network, step = Pair(part, (a, b), series).apply(network)
            steps.append(step)
        return network, tuple(steps)
