"""Preferred numbers against IEC 60063 as tests/published/published_tables.json has it."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from synth.errors import NumberError
from synth.values.series import CAPACITORS, RESISTORS, TABLES, Shelf, nearest, preferred_values

PUBLISHED: dict[str, list[int]] = json.loads(
    (Path(__file__).parent / "published" / "published_tables.json").read_text(encoding="utf-8")
)["iec_60063"]
every_series = pytest.mark.parametrize("series", PUBLISHED)


def rounded(series: str, digits: int) -> list[int]:
    """The formula 10^(k/n), rounded: what the standard's tables are not."""
    n = int(series[1:])
    return [round(10 ** (digits - 1 + k / n)) for k in range(n)]


@every_series
def test_series_are_those_of_the_standard(series: str) -> None:
    assert list(TABLES[series]) == PUBLISHED[series]
    assert len(TABLES[series]) == int(series[1:])


def test_no_series_is_missing() -> None:
    assert set(TABLES) == set(PUBLISHED)


def test_values_that_differ_from_the_rounded_formula() -> None:
    """E24: 27 30 33 36 39 43 47 82; E192: 920 (IEC 60063)."""
    e24 = [a for a, b in zip(TABLES["E24"], rounded("E24", 2), strict=True) if a != b]
    assert e24 == [27, 30, 33, 36, 39, 43, 47, 82]
    e192 = [a for a, b in zip(TABLES["E192"], rounded("E192", 3), strict=True) if a != b]
    assert e192 == [920]
    for series in ("E48", "E96"):
        assert list(TABLES[series]) == rounded(series, 3)


@pytest.mark.parametrize(("fine", "coarse"), [("E6", "E3"), ("E12", "E6"), ("E24", "E12")])
def test_each_coarse_series_is_every_other_value(fine: str, coarse: str) -> None:
    assert TABLES[fine][::2] == TABLES[coarse]


@pytest.mark.parametrize(("fine", "coarse"), [("E96", "E48"), ("E192", "E96")])
def test_fine_series_nest(fine: str, coarse: str) -> None:
    assert TABLES[fine][::2] == TABLES[coarse]


@every_series
def test_a_decade_holds_as_many_values_as_the_series_says(series: str) -> None:
    for low in (1e-12, 1e-7, 1.0, 1e3, 1e6):
        values = preferred_values(series, low, low * 10)
        assert len(values) == int(series[1:]) + 1  # both ends
        assert values[0] == pytest.approx(low, rel=1e-15)
        assert values[-1] == pytest.approx(10 * low, rel=1e-15)
        assert (np.diff(values) > 0).all()


@every_series
def test_values_are_the_doubles_nearest_to_their_decimals(series: str) -> None:
    """4.7e-9 is written 4.7e-09 and not 4.700000000000001e-09."""
    digits = len(str(PUBLISHED[series][0]))
    found = preferred_values(series, 1e-9, 9.99e-9)
    assert [repr(float(v)) for v in found] == [
        repr(float(Fraction(m, 10 ** (digits - 1)) / 10**9)) for m in PUBLISHED[series]
    ]


def test_windows_include_both_ends_and_nothing_outside() -> None:
    values = preferred_values("E12", 4.7e3, 22e3)
    assert list(values) == [4700, 5600, 6800, 8200, 10000, 12000, 15000, 18000, 22000]
    assert list(preferred_values("E12", 4.71e3, 21.9e3)) == list(values[1:-1])
    assert list(Shelf("E3", 100.0, 100.0).values) == [100.0]


def test_default_windows_hold_their_ends() -> None:
    for shelf in (RESISTORS, CAPACITORS):
        assert shelf.values[0] == shelf.low
        assert shelf.values[-1] == shelf.high


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (("E95", 1e3, 1e6), "no preferred series E95; choose one of E3, E6"),
        (("E96", 1e6, 1e3), "is empty"),
        (("E96", 0.0, 1e3), "must be positive"),
        (("E96", -1.0, 1e3), "must be positive"),
        (("E96", 1.0, float("inf")), "is empty"),
        (("E96", float("nan"), 1.0), "is empty"),
        (("E3", 23.0, 46.0), "no value of E3 lies between"),
    ],
)
def test_shelves_refuse_with_a_sentence(arguments: tuple[str, float, float], sentence: str) -> None:
    with pytest.raises(NumberError, match=sentence):
        Shelf(*arguments)


@given(st.floats(1e3, 1e6), st.sampled_from(sorted(PUBLISHED)))
def test_nearest_is_the_nearest_in_ratio(value: float, series: str) -> None:
    shelf = Shelf(series, 1e3, 1e6)
    found = nearest(value, shelf)
    assert found in shelf.values
    best = min(max(v / value, value / v) for v in shelf.values)
    assert max(found / value, value / found) == pytest.approx(best, rel=1e-12)


def test_nearest_stays_inside_the_window() -> None:
    assert nearest(1.0, RESISTORS) == 1e3
    assert nearest(1e9, RESISTORS) == 1e6
