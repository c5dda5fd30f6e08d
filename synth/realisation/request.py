"""What somebody wants of the values of a circuit: series, windows, stock, pairs, metric, floor."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from synth.errors import NumberError
from synth.masks.limits import Limit
from synth.network.model import POWERS, Network
from synth.tolerances.grids import HIGHEST, LOWEST
from synth.units import format_si
from synth.values.grids import Grid, PairGrid, union
from synth.values.proven import WORK
from synth.values.series import CAPACITORS, RESISTORS, TOLERANCES, Shelf
from synth.values.stock import Stock

METRICS = ("figures", "coefficients", "band", "mask")
#: Part of the smallest tolerance that the error may be, when no floor is said.
FLOOR_SHARE = 0.1
FLOOR_RULE = (
    "a tenth of the smallest tolerance among the series (or the stock), since smaller errors "
    "vanish in those of the parts; where it cannot be met, 1.5 times the least error there is"
)
#: The same for a mask, which is a hard limit.
MASK_RULE = (
    "the choice of least spread among those inside the mask; where there is none, the one that "
    "leaves it least"
)
#: Metrics in dB.
_DECIBELS = ("band", "mask")
#: No error above this is good enough, as a fraction and in dB.
_MOST_FLOOR, _MOST_FLOOR_DB = 0.5, 6.0
#: The floor of a mask in dB: rounding of the arithmetic.
INSIDE = 1e-10
#: How a pair is connected: in series, in parallel, or whichever is nearer.
PAIRS: Mapping[str, bool | None] = {"series": True, "parallel": False, "either": None}
#: Tolerance of parts whose source says none.
_USUAL = 0.01
_INDUCTORS = (1e-6, 10.0)


@dataclass(frozen=True)
class Source:
    """Where the values of a kind of part, or of one part, come from.

    Parameters
    ----------
    grid : Grid
    tolerance : float
        As a fraction; the smallest where they differ.
    """

    grid: Grid
    tolerance: float


@dataclass(frozen=True)
class ValueRequest:
    """All that is said about the values of a circuit.

    Parameters
    ----------
    sources : mapping
        Letter (R, C, L) or part -> where its values come from; the name of a part comes first.
    keep : mapping
        Part -> the value it keeps.
    ties : tuple of tuples of str
        Parts that are to be equal.
    pairs : mapping
        Part made of two -> True in series, False in parallel, None for whichever is nearer.
    counts : mapping
        Letter -> (value -> pieces at hand); empty without a stock list.
    metric : str
        figures, coefficients, band or mask.
    band : tuple of two float or None
        In hertz, for the metric band.
    mask : tuple of Limit
        For the metric mask.
    floor : float or None
        Error that is good enough: a fraction, or dB for band and mask; None for `FLOOR_RULE`.
    top : int
        How many choices are wanted.
    work : float
        Rows of the enumeration allowed for each cell: half for the least error, half for the
        least spread.
    seconds : float or None
        Wall-clock limit for each cell.
    pareto : bool
        Whether the trade between error and spread is wanted too.
    """

    sources: Mapping[str, Source]
    keep: Mapping[str, float] = field(default_factory=dict)
    ties: tuple[tuple[str, ...], ...] = ()
    pairs: Mapping[str, bool | None] = field(default_factory=dict)
    counts: Mapping[str, Mapping[float, int]] = field(default_factory=dict)
    metric: str = "figures"
    band: tuple[float, float] | None = None
    mask: tuple[Limit, ...] = ()
    floor: float | None = None
    top: int = 5
    work: float = WORK
    seconds: float | None = None
    pareto: bool = False

    def __post_init__(self) -> None:
        _check(self)

    def source(self, part: str) -> Source | None:
        """Return where the values of a part come from."""
        return self.sources.get(part) or self.sources.get(part[0])

    def grid(self, part: str) -> Grid | None:
        """Return the values of a part, pairs among them where it is one."""
        source = self.source(part)
        if source is None:
            return None
        if part not in self.pairs:
            return source.grid
        series = self.pairs[part]
        adds = series if series is None or part[0] != "C" else not series
        return PairGrid(source.grid, adds)

    def floor_for(self, parts: Sequence[str]) -> float:
        """Return the floor of the rule for the parts to choose, as a fraction.

        Of a mask nothing is given away: there it is `INSIDE` decibels.
        """
        if self.metric == "mask":
            return INSIDE * math.log(10) / 20
        found = [s.tolerance for p in parts for s in (self.source(p),) if s is not None]
        return FLOOR_SHARE * min(found, default=_USUAL)


def _check(r: ValueRequest) -> None:
    if r.metric not in METRICS:
        raise NumberError(f"there is no metric {r.metric!r}; choose one of {', '.join(METRICS)}")
    for metric, given in (("band", r.band is not None), ("mask", bool(r.mask))):
        if given and r.metric != metric:
            raise NumberError(
                f"a {metric} is given, and the metric {r.metric} does not look at it; leave the "
                f"{metric} out, or ask for the metric {metric}"
            )
        if r.metric == metric and not given:
            raise NumberError(f"the metric {metric} needs a {metric}; give one")
    if r.floor is not None and r.floor > (_MOST_FLOOR_DB if r.metric in _DECIBELS else _MOST_FLOOR):
        raise NumberError(
            f"a floor of {_floor_words(r)} is not good enough for any target; give an error of at "
            f"most {100 * _MOST_FLOOR:g} %, or {_MOST_FLOOR_DB:g} dB over a band or mask"
        )
    if r.band is not None and not LOWEST <= r.band[0] < r.band[1] <= HIGHEST:
        raise NumberError(
            f"the band {r.band[0]:g} Hz to {r.band[1]:g} Hz is none; the lower end must come "
            f"first and be below the upper one, and both lie from {LOWEST:g} Hz to {HIGHEST:g} Hz"
        )
    if r.floor is not None and not 0 <= r.floor < math.inf:
        raise NumberError(
            f"a floor of {r.floor:g} makes no sense; give a positive error, or 0 for the least "
            "there is"
        )
    if r.top < 1:
        raise NumberError(f"{r.top} choices cannot be made; ask for 1 or more")
    if not 1 <= r.work < math.inf:
        raise NumberError(
            f"work of {r.work:g} rows is no amount; give a number of 1 or more, as 2e7"
        )
    if r.seconds is not None and not 0 < r.seconds < math.inf:
        raise NumberError(f"a time of {r.seconds:g} seconds is none; give a positive one, as 10")


def _floor_words(r: ValueRequest) -> str:
    return f"{r.floor:g} dB" if r.metric in _DECIBELS else f"{100 * (r.floor or 0):g} %"


def series_source(text: str, low: float, high: float) -> Source:
    """Return the values of a series, or of several joined by ``+`` or commas, in a window.

    Raises
    ------
    NumberError
        If a series is unknown, or the window holds none of its values.

    Examples
    --------
    >>> series_source("E24+E96", 1e3, 1e6).tolerance
    0.01
    """
    if not isinstance(text, str):
        raise NumberError(f"{text!r} is no series; write its name as text, as E96 or E24+E96")
    names = [n.strip().upper() for n in text.replace("+", ",").split(",")]
    if not all(names):
        raise NumberError(
            f"{text!r} lacks the name of a series; write one, as E96, or several, as E24+E96"
        )
    shelves = [Shelf(n, low, high) for n in names]
    grid: Grid = shelves[0] if len(shelves) == 1 else union(shelves)
    return Source(grid, min(TOLERANCES[n] for n in names) / 100)


@dataclass(frozen=True)
class PartWishes:
    """What may be chosen for the parts, in the user's terms.

    Parameters
    ----------
    resistors, capacitors : str
        Series E3 to E192, or several joined by ``+``, as ``"E24+E96"``.
    resistor_window, capacitor_window : tuple of two float, optional
        Ohm and farad; by default 1k to 1M and 100p to 1u.
    parts : mapping
        Part -> series of its own.
    keep : mapping
        Part -> value it keeps; None for the value it has.
    ties : sequence of sequences of str
        Parts that are to be equal.
    pairs : mapping
        Part made of two -> ``"series"``, ``"parallel"`` or ``"either"``.
    stock : Stock, optional
        A drawer in place of the series; its counts are respected.
    """

    resistors: str = RESISTORS.series
    capacitors: str = CAPACITORS.series
    resistor_window: tuple[float, float] | None = None
    capacitor_window: tuple[float, float] | None = None
    parts: Mapping[str, str] = field(default_factory=dict)
    keep: Mapping[str, float | None] = field(default_factory=dict)
    ties: Sequence[Sequence[str]] = ()
    pairs: Mapping[str, str] = field(default_factory=dict)
    stock: Stock | None = None

    def windows(self) -> Mapping[str, tuple[float, float]]:
        """Return letter -> smallest and largest value."""
        return {
            "R": self.resistor_window or (RESISTORS.low, RESISTORS.high),
            "C": self.capacitor_window or (CAPACITORS.low, CAPACITORS.high),
            "L": _INDUCTORS,
        }


@dataclass(frozen=True)
class ErrorWish:
    """What the error is, and when it is good enough; fields as in `ValueRequest`.

    Without a metric it is figures, or band or mask where one is given.
    """

    metric: str | None = None
    band: tuple[float, float] | None = None
    mask: Sequence[Limit] = ()
    floor: float | None = None


@dataclass(frozen=True)
class Effort:
    """How much is wanted and what it may cost; fields as in `ValueRequest`."""

    top: int = 5
    work: float = WORK
    seconds: float | None = None
    pareto: bool = False


def request_for(
    network: Network, wishes: PartWishes, error: ErrorWish, effort: Effort
) -> ValueRequest:
    """Return the request of a user, its names checked against the circuit.

    Raises
    ------
    NumberError
        If a name, a series, a window or a number makes no sense.
    """
    names = [b.name for b in network.branches]
    ties = [n for t in wishes.ties for n in t]
    for n in (*wishes.parts, *wishes.keep, *wishes.pairs, *ties):
        if n not in names:
            raise NumberError(f"no part is called {n}; the parts are {', '.join(names)}")
    sources, counts = _sources(network, wishes)
    for n, how in wishes.pairs.items():
        if how not in PAIRS:
            raise NumberError(f"{how!r} is no way to pair {n}; write {', '.join(PAIRS)}")
        if n in wishes.keep:
            raise NumberError(f"part {n} is to be kept and to be made of a pair; ask for one")
    for n in wishes.parts:
        if n in wishes.keep:
            raise NumberError(f"part {n} is to be kept and has a series of its own; ask for one")
    kept = _kept(network, wishes.keep)
    implied = "band" if error.band is not None else "mask" if error.mask else "figures"
    return ValueRequest(
        sources,
        kept,
        tuple(_tie(t, network, kept) for t in wishes.ties),
        {n: PAIRS[how] for n, how in wishes.pairs.items()},
        counts,
        error.metric or implied,
        error.band,
        tuple(error.mask),
        error.floor,
        effort.top,
        effort.work,
        effort.seconds,
        effort.pareto,
    )


def _sources(
    network: Network, wishes: PartWishes
) -> tuple[dict[str, Source], dict[str, Mapping[float, int]]]:
    """Where the values come from by letter and by part, and the pieces of a stock list."""
    windows = wishes.windows()
    sources: dict[str, Source] = {}
    counts: dict[str, Mapping[float, int]] = {}
    if wishes.stock is None:
        sources["R"] = series_source(wishes.resistors, *windows["R"])
        sources["C"] = series_source(wishes.capacitors, *windows["C"])
    else:
        wanted = [b.name for b in network.branches if b.name not in wishes.keep]
        for letter in sorted({n[0] for n in wanted} & set("RCL")):
            items = [i for i in wishes.stock.items if i.letter == letter]
            tolerances = [i.tolerance for i in items if i.tolerance]
            sources[letter] = Source(wishes.stock.grid(letter), min(tolerances, default=_USUAL))
            counts[letter] = wishes.stock.counts(letter)
            _check_pieces(wishes, letter, wanted, counts[letter])
    for n, text in wishes.parts.items():
        sources[n] = series_source(text, *windows[_letter(n)])
    return sources, counts


def _check_pieces(
    wishes: PartWishes, letter: str, wanted: Sequence[str], counts: Mapping[float, int]
) -> None:
    """Raise NumberError when the stock has fewer pieces of a kind than the circuit has parts."""
    parts = [n for n in wanted if n[0] == letter and n not in wishes.parts]
    needed = len(parts) + sum(n in wishes.pairs for n in parts)
    pieces = sum(counts.values())
    if pieces < needed:
        name = wishes.stock.name if wishes.stock is not None else ""
        raise NumberError(
            f"the stock list {name} has {pieces} pieces of kind {letter}, but {', '.join(parts)} "
            f"need {needed}; add to it, keep parts, or name a series for some with --part"
        )


def _letter(name: str) -> str:
    if name[0] not in "RCL":
        raise NumberError(f"part {name} is none of R, C and L; keep its value instead")
    return name[0]


def _kept(network: Network, keep: Mapping[str, float | None]) -> dict[str, float]:
    found = {}
    for n, v in keep.items():
        value = network.branch(n).value if v is None else v
        if value is None:
            raise NumberError(f"part {n} is kept but has no value; write it, as in {n}=10k")
        if not 0 < value < math.inf:
            raise NumberError(f"part {n} is kept at {value:g}; a value must be positive and finite")
        found[n] = value
    return found


def _tie(parts: Sequence[str], network: Network, kept: Mapping[str, float]) -> tuple[str, ...]:
    if len(parts) < 2 or len(set(parts)) < len(parts):
        raise NumberError(f"the tie {'='.join(parts)} needs two different parts or more")
    if len({network.branch(n).power for n in parts}) > 1:
        raise NumberError(f"{'='.join(parts)} ties parts of different kinds; tie like parts only")
    held = {kept[n] for n in parts if n in kept}
    if len(held) > 1:
        values = ", ".join(f"{n} at {format_si(kept[n])}" for n in parts if n in kept)
        raise NumberError(f"the tie {'='.join(parts)} contradicts what is kept: {values}")
    return tuple(parts)


def window_words(request: ValueRequest) -> str:
    """Return where the values come from, in words."""
    found = []
    for key, s in request.sources.items():
        label = s.grid.label
        found.append(f"{key}: {label}" if key in POWERS or key else label)
    return "; ".join([*found, *(f"{n} kept at {format_si(v)}" for n, v in request.keep.items())])
