"""The fields of an op-amp model: their units, and the values that any op amp can have."""

from __future__ import annotations

import math
from collections.abc import Mapping

from synth.errors import NumberError
from synth.units import format_si, plain

#: Field -> unit it is written in.
FIELD_UNITS: Mapping[str, str] = {
    "dc_gain": "V/V",
    "gain_bandwidth": "Hz",
    "second_pole": "Hz",
    "output_resistance": "ohm",
    "offset": "V",
    "bias_current": "A",
    "offset_current": "A",
    "noise_voltage": "V/sqrt(Hz)",
    "noise_voltage_corner": "Hz",
    "noise_current": "A/sqrt(Hz)",
    "noise_current_corner": "Hz",
    "slew_rate": "V/s",
    "supply_positive": "V",
    "supply_negative": "V",
    "swing_to_positive": "V",
    "swing_to_negative": "V",
    "output_current": "A",
    "common_mode_to_positive": "V",
    "common_mode_to_negative": "V",
    "quiescent_current": "A",
}
#: Highest voltage anywhere, V: these are low-voltage circuits.
HIGHEST_VOLTAGE = 1e3
_POSITIVE = frozenset({"dc_gain", "gain_bandwidth", "second_pole", "slew_rate", "output_current"})
_SIGNED = frozenset(
    {
        "supply_positive",
        "supply_negative",
        "common_mode_to_positive",
        "common_mode_to_negative",
    }
)
_MAY_BE_INFINITE = frozenset({"second_pole", "slew_rate", "output_current"})
#: Largest magnitudes, a thousand times and more beyond what is made; smallest where 0 has no sense.
_LARGEST: Mapping[str, float] = {
    "dc_gain": 1e9,
    "gain_bandwidth": 1e12,
    "second_pole": 1e14,
    "output_resistance": 1e6,
    "offset": 10.0,
    "bias_current": 1.0,
    "offset_current": 1.0,
    "noise_voltage": 1.0,
    "noise_voltage_corner": 1e9,
    "noise_current": 1.0,
    "noise_current_corner": 1e9,
    "slew_rate": 1e15,
    "output_current": 1e3,
    "quiescent_current": 1e3,
}
_SMALLEST: Mapping[str, float] = {
    "dc_gain": 1.0,
    "gain_bandwidth": 1e-3,
    "slew_rate": 1e-6,
    "output_current": 1e-12,
}
#: A second pole this far below the gain-bandwidth suits no feedback of less gain than that.
_LOWEST_SECOND_POLE = 0.01


def check_fields(values: Mapping[str, float]) -> None:
    """Raise NumberError, naming the field, where a value is none that an op amp has.

    Parameters
    ----------
    values : mapping
        Field -> value, all of `FIELD_UNITS`.
    """
    for field, unit in FIELD_UNITS.items():
        value = values[field]
        wanted = "finite" if field in _SIGNED else "finite and not negative"
        good = not math.isnan(value) and (math.isfinite(value) or field in _MAY_BE_INFINITE)
        if field in _POSITIVE:
            good, wanted = good and value > 0, "positive"
        elif field not in _SIGNED:
            good = good and value >= 0
        most = _LARGEST.get(field, HIGHEST_VOLTAGE)
        if field == "dc_gain" and value == math.inf:
            wanted = f"finite; give at most {most:g}, more than any op amp has"
        if not good:
            raise NumberError(f"{field} is {value:g} {unit}; it must be {wanted}")
        if math.isfinite(value) and abs(value) > most:
            raise NumberError(
                f"{field} is {value:g} {unit}; give at most {most:g}, more than any op amp has"
            )
        if value < _SMALLEST.get(field, value):
            raise NumberError(
                f"{field} is {value:g} {unit}; an op amp has at least {_SMALLEST[field]:g}"
            )
    pole, speed = values["second_pole"], values["gain_bandwidth"]
    if pole < _LOWEST_SECOND_POLE * speed:
        raise NumberError(
            f"second_pole is {format_si(pole, 'Hz')}, {plain(speed / pole)} times below the "
            f"gain-bandwidth of {format_si(speed, 'Hz')}; it must be at least a hundredth of it "
            "(inf for none)"
        )
