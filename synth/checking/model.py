"""The real op amp as a small table of numbers: generic classes, files, and inline lists.

A model is a text file in TOML with the keys of `OpAmpModel`; values are numbers or texts with SI
prefixes and units (``"1M"``, ``"18 nV/sqrt(Hz)"``, ``"0.5 V/us"``).  The classes shipped in
``models`` have invented round values of what is common practice for their class, and stand for no
product.  An inline list starts from the class ``general-purpose`` and changes what it names.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from functools import cache
from pathlib import Path
from typing import Any

from synth.analysis.amplifier import Amplifier
from synth.checking.model_fields import FIELD_UNITS, check_fields
from synth.checking.quantity import read_quantity
from synth.errors import FormatError, NumberError

#: Class that an inline list starts from.
START = "general-purpose"
#: Short key of an inline list -> field.
SHORT: Mapping[str, str] = {
    "a0": "dc_gain",
    "gbw": "gain_bandwidth",
    "p2": "second_pole",
    "rout": "output_resistance",
    "ib": "bias_current",
    "ios": "offset_current",
    "en": "noise_voltage",
    "en_corner": "noise_voltage_corner",
    "in": "noise_current",
    "in_corner": "noise_current_corner",
    "slew": "slew_rate",
    "vcc": "supply_positive",
    "vee": "supply_negative",
    "iout": "output_current",
    "iq": "quiescent_current",
}
#: Short keys of an inline list that set a positive and a negative field together: supplies of
#: +-V; output swing and common-mode range of +-V about the middle of the supplies.
PAIRS: tuple[str, ...] = ("supply", "swing", "cm")
_LONGEST_FILE = 100_000


@dataclass(frozen=True)
class OpAmpModel:
    """A real op amp.

    Parameters
    ----------
    name : str
        Of the class or the file.
    dc_gain : float
        A0, V/V.
    gain_bandwidth : float
        A0 times the first pole, Hz.
    second_pole : float
        Hz; infinite where there is none.
    output_resistance : float
        Open loop, ohm.
    offset : float
        Input offset voltage, V, taken in either polarity.
    bias_current, offset_current : float
        Mean of the two input currents, and their difference, A; taken in either polarity.
    noise_voltage, noise_voltage_corner : float
        Density in V/sqrt(Hz) above the corner in Hz, below which its power rises as 1/f.
    noise_current, noise_current_corner : float
        The same of each input's current, A/sqrt(Hz).
    slew_rate : float
        V/s.
    supply_positive, supply_negative : float
        Voltages of the rails against ground, V.
    swing_to_positive, swing_to_negative : float
        How far the output stays from each rail, V.
    output_current : float
        Largest, A.
    common_mode_to_positive, common_mode_to_negative : float
        How far the inputs must stay from each rail, V; negative where they may pass it.
    quiescent_current : float
        A.

    Raises
    ------
    NumberError
        If a value is out of its range or the rails leave no output swing or no input range.
    """

    name: str
    dc_gain: float
    gain_bandwidth: float
    second_pole: float
    output_resistance: float
    offset: float
    bias_current: float
    offset_current: float
    noise_voltage: float
    noise_voltage_corner: float
    noise_current: float
    noise_current_corner: float
    slew_rate: float
    supply_positive: float
    supply_negative: float
    swing_to_positive: float
    swing_to_negative: float
    output_current: float
    common_mode_to_positive: float
    common_mode_to_negative: float
    quiescent_current: float

    def __post_init__(self) -> None:
        _check(self)

    @property
    def amplifier(self) -> Amplifier:
        """The small-signal part, frequencies in rad/s."""
        return Amplifier(
            2 * math.pi * self.gain_bandwidth,
            self.dc_gain,
            2 * math.pi * self.second_pole,
            self.output_resistance,
        )

    @property
    def output_range(self) -> tuple[float, float]:
        """Lowest and highest output voltage against ground, V."""
        return (
            self.supply_negative + self.swing_to_negative,
            self.supply_positive - self.swing_to_positive,
        )

    @property
    def common_mode_range(self) -> tuple[float, float]:
        """Lowest and highest input voltage against ground, V."""
        return (
            self.supply_negative + self.common_mode_to_negative,
            self.supply_positive - self.common_mode_to_positive,
        )

    @property
    def middle(self) -> float:
        """Middle of the supplies against ground, V."""
        return (self.supply_positive + self.supply_negative) / 2

    def with_gain_bandwidth(self, factor: float) -> OpAmpModel:
        """Return the model with gain-bandwidth and second pole multiplied by a factor."""
        return replace(
            self,
            gain_bandwidth=self.gain_bandwidth * factor,
            second_pole=self.second_pole * factor,
        )


# -- reading ---------------------------------------------------------------------------------------


def op_amp_model(text: str) -> OpAmpModel:
    """Read a model: the name of a class, a file, or an inline list.

    Parameters
    ----------
    text : str
        ``rail-to-rail-10mhz``; ``my_amplifier.toml``; or ``gbw=1M,a0=200k,offset=1m,swing=13``,
        which starts from the class ``general-purpose``.  Keys of a list are the fields of
        `OpAmpModel` and the short ones of `SHORT` and `PAIRS`: a0, gbw, p2, rout, offset, ib,
        ios, en, en_corner, in, in_corner, slew, vcc, vee, iout, iq; supply (+-V, or both rails as
        ``0:5``), swing and cm
        (+-V about the middle of the supplies); ``class=NAME`` starts from another class.  Where
        gbw is given and p2 is not, the second pole keeps its ratio to the gain-bandwidth;
        ``p2=inf`` takes it away.

    Raises
    ------
    NumberError
        If a value cannot be read or is out of range.
    FormatError
        If there is no such class or file, or a key is unknown, missing or given twice.

    Examples
    --------
    >>> op_amp_model("gbw=3M,supply=5,swing=4.9").output_range
    (-4.9, 4.9)
    """
    if "=" in text:
        return _inline(text)
    if text in model_names():
        return _shipped(text)
    path = Path(text)
    try:
        is_file = path.is_file()
    except (OSError, ValueError):
        is_file = False
    if is_file:
        return read_model(path)
    raise FormatError(
        f"there is no op-amp class and no file {text!r}; the classes are "
        f"{', '.join(model_names())}, and a list such as gbw=1M,a0=200k,offset=1m works too"
    )


@cache
def model_names() -> tuple[str, ...]:
    """Return the names of the shipped classes, sorted."""
    return tuple(sorted(p.stem for p in _folder().glob("*.toml")))


def models() -> tuple[OpAmpModel, ...]:
    """Return every shipped class, by name."""
    return tuple(map(_shipped, model_names()))


def read_model(path: Path | str) -> OpAmpModel:
    """Read a model file; errors as `op_amp_model`, naming the file."""
    import tomllib

    path = Path(path)
    try:
        raw = path.read_bytes()
        if len(raw) > _LONGEST_FILE:
            raise FormatError(f"op-amp model {path} is longer than {_LONGEST_FILE} bytes")
        data = tomllib.loads(raw.decode("utf-8"))
    except OSError as error:
        raise FormatError(f"op-amp model {path} cannot be read: {error.strerror}") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as error:
        raise FormatError(f"op-amp model {path} is not valid TOML: {error}") from error
    for key in data:
        if key not in FIELD_UNITS and key not in ("name", "remark"):
            raise FormatError(
                f"op-amp model {path}: unknown key {key}; the keys are name, "
                f"{', '.join(FIELD_UNITS)}, and remark"
            )
    missing = [k for k in FIELD_UNITS if k not in data and k != "second_pole"]
    if missing:
        raise FormatError(f"op-amp model {path}: no value for {', '.join(missing)}")
    name = data.get("name", path.stem)
    if not isinstance(name, str) or not name.strip() or not name.isprintable():
        raise FormatError(f"op-amp model {path}: key name must be text of one line")
    try:
        values = {k: _value(k, data.get(k, math.inf)) for k in FIELD_UNITS}
        return OpAmpModel(name, **values)
    except NumberError as error:
        raise NumberError(f"op-amp model {path}: {error}") from error


def _folder() -> Path:
    return Path(__file__).resolve().parent / "models"


@cache
def _shipped(name: str) -> OpAmpModel:
    return read_model(_folder() / f"{name}.toml")


def _inline(text: str) -> OpAmpModel:
    given: dict[str, str] = {}
    for item in text.split(","):
        key, equals, value = (x.strip() for x in item.partition("="))
        field = SHORT.get(key, key)
        if not equals or not value:
            raise FormatError(f"{item.strip()!r} in {text!r} is no key=value, such as gbw=1M")
        if field not in FIELD_UNITS and field not in (*PAIRS, "class"):
            raise FormatError(
                f"an op amp has no key {key!r}; the keys are class, "
                f"{', '.join((*SHORT, 'offset', *PAIRS))} and the long names of a model file"
            )
        if key == "supply" and ":" in value:
            low, _, value = (x.strip() for x in value.partition(":"))
            if "supply_negative" in given or "supply_positive" in given:
                raise FormatError(f"{item.strip()!r} gives both rails; leave vcc and vee out")
            given["supply_negative"], field = low, "supply_positive"
        if field in given:
            raise FormatError(f"key {key!r} is given twice in {text!r}; give it once")
        given[field] = value
    base = given.pop("class", START)
    if "=" in base:
        raise FormatError(f"{base!r} is no class; class= takes the name of a class or a file")
    start = op_amp_model(base)
    pairs = {k: _value(k, given.pop(k)) for k in PAIRS if k in given}
    values: dict[str, float] = {k: _value(k, v) for k, v in given.items()}
    if "gain_bandwidth" in values and "second_pole" not in values:
        ratio = start.second_pole / start.gain_bandwidth
        values["second_pole"] = ratio * values["gain_bandwidth"]
    _place_pairs(start, pairs, values)
    current = {f.name: getattr(start, f.name) for f in fields(start)}
    return OpAmpModel(**{**current, **values, "name": text})


def _place_pairs(start: OpAmpModel, pairs: Mapping[str, float], values: dict[str, float]) -> None:
    """Turn supply, swing and cm, which are about the middle, into the fields of both rails."""

    def put(field: str, value: float, key: str) -> None:
        if field in values:
            raise FormatError(f"key {key!r} and key {field!r} say the same thing; give one of them")
        values[field] = value

    if "supply" in pairs:
        put("supply_positive", pairs["supply"], "supply")
        put("supply_negative", -pairs["supply"], "supply")
    high = values.get("supply_positive", start.supply_positive)
    low = values.get("supply_negative", start.supply_negative)
    for key, stem in (("swing", "swing"), ("cm", "common_mode")):
        if key == "swing" and key in pairs and 0 < (high - low) / 2 < pairs[key]:
            raise NumberError(
                f"swing={pairs[key]:g} is more than the rails of {low:g} V and {high:g} V leave to "
                f"either side of their middle; give at most {(high - low) / 2:g}, or the supply as "
                "well"
            )
        if key in pairs:
            for rail in ("positive", "negative"):
                put(f"{stem}_to_{rail}", (high - low) / 2 - pairs[key], key)


def _value(key: str, given: Any) -> float:
    return read_quantity(key, given, FIELD_UNITS.get(key, "V"))


# -- checking --------------------------------------------------------------------------------------


def _check(model: OpAmpModel) -> None:
    check_fields({field: getattr(model, field) for field in FIELD_UNITS})
    if model.supply_negative >= model.supply_positive:
        raise NumberError(
            f"supply_negative ({model.supply_negative:g} V) must be below supply_positive "
            f"({model.supply_positive:g} V)"
        )
    for what, (low, high), stem in (
        ("output swing", model.output_range, "swing"),
        ("input common-mode range", model.common_mode_range, "common_mode"),
    ):
        if low >= high:
            raise NumberError(
                f"no {what} is left between the rails ({model.supply_negative:g} V and "
                f"{model.supply_positive:g} V); lower {stem}_to_positive or {stem}_to_negative"
            )
