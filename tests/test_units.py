"""Numbers with suffixes: SI prefixes [BIPM, SI brochure], codes [IEC 60062], deck suffixes.

The deck's suffixes were compared with what ngspice itself does with the same text.
"""

from __future__ import annotations

import contextlib
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from synth.errors import NumberError
from synth.units import format_deck, format_si, parse_deck_number, parse_si
from tests.simulator import needs_simulator, simulate


@pytest.mark.parametrize(
    ("text", "value"),
    [
        # prefixes of the SI brochure, capitals matter
        ("1kHz", 1e3),
        ("4.7k", 4700.0),
        ("10nF", 10e-9),
        ("10 nF", 10e-9),
        ("1MHz", 1e6),
        ("1mHz", 1e-3),
        ("2.2u", 2.2e-6),
        ("2.2\u00b5F", 2.2e-6),
        ("2.2\u03bcF", 2.2e-6),
        ("100 \u03a9", 100.0),
        ("100 \u2126", 100.0),
        ("1Gohm", 1e9),
        ("3T", 3e12),
        ("5p", 5e-12),
        ("1f", 1e-15),
        ("1F", 1.0),
        ("2 H", 2.0),
        ("20ms", 20e-3),
        ("1e-9", 1e-9),
        (".5", 0.5),
        ("-3", -3.0),
        # IEC 60062, clause on codes for values: the letter stands for the decimal point
        ("4k7", 4700.0),
        ("4K7", 4700.0),
        ("4R7", 4.7),
        ("R47", 0.47),
        ("2n2", 2.2e-9),
        ("1M5", 1.5e6),
        ("6p8F", 6.8e-12),
    ],
)
def test_command_line_numbers(text: str, value: float) -> None:
    assert parse_si(text) == value


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("", "missing"),
        ("   ", "missing"),
        ("nan", "not a number"),
        ("inf", "not a number"),
        ("1e999", "outside the range"),
        ("1e99999999999", "outside the range"),
        ("9" * 41, "41 characters"),
        ("12x", "'x'"),
        ("1k5q", "no unit"),
        ("1.2.3", "not a number"),
        ("1,5k", "not a number"),
        ("4.7K", "small k"),
        ("1MEG", "mega is written M"),
        ("k", "not a number"),
        ("1_000", "not a number"),
        ("\u0661", "not a number"),  # a digit, but not one of ours
        ("__import__('os')", "not a number"),
    ],
)
def test_command_line_refusals(text: str, part: str) -> None:
    with pytest.raises(NumberError) as error:
        parse_si(text)
    assert part in str(error.value)


def test_another_unit_is_refused() -> None:
    assert parse_si("1k", "Hz") == parse_si("1kHz", "Hz") == 1000.0
    with pytest.raises(NumberError, match="is in Hz, but a value in ohm"):
        parse_si("1kHz", "ohm")


DECK_NUMBERS = [
    ("10kOhm", 1e4),
    ("100nF", 100e-9),
    ("1MEG", 1e6),
    ("1meg", 1e6),
    ("1MegOhm", 1e6),
    ("1M", 1e-3),
    ("1mH", 1e-3),
    ("1F", 1e-15),
    ("1mil", 25.4e-6),
    ("2.2\u00b5", 2.2e-6),
    ("5T", 5e12),
    ("5g", 5e9),
    ("1e3k", 1e6),
    ("1d3", 1e3),
    ("33Ohm", 33.0),
    (".5k", 500.0),
]


@pytest.mark.parametrize(("text", "value"), DECK_NUMBERS)
def test_deck_numbers(text: str, value: float) -> None:
    assert parse_deck_number(text)[0] == pytest.approx(value, rel=1e-15)


@needs_simulator
@pytest.mark.parametrize("text", [text for text, _ in DECK_NUMBERS])
def test_deck_numbers_mean_the_same_in_the_simulator(text: str) -> None:
    deck = f"one ampere into R\nI1 0 a AC 1\nR1 a 0 {text}\n.ac dec 1 1 10\n.print ac v(a)\n.end\n"
    if text in ("1F", "1M", "1mH", "1mil", "2.2\u00b5"):  # too small for a resistor: scale up
        deck = deck.replace(f"R1 a 0 {text}", f"G1 a 0 a 0 {text}")
        assert 1 / simulate(deck).node("a")[0] == pytest.approx(
            parse_deck_number(text)[0], rel=1e-6
        )
        return
    assert simulate(deck).node("a")[0] == pytest.approx(parse_deck_number(text)[0], rel=1e-9)


@pytest.mark.parametrize(
    ("text", "value", "part"),
    [
        ("4k7", 4700.0, "simulators read 4k"),
        ("4R7", 4.7, "simulators read 4"),
        ("2n2", 2.2e-9, "IEC 60062"),
        ("1F", 1e-15, "femto"),
        ("10M", 10e-3, "write 10MEG"),
        ("3mil", 76.2e-6, "25.4e-6"),
    ],
)
def test_deck_numbers_that_surprise_draw_a_note(text: str, value: float, part: str) -> None:
    number, note = parse_deck_number(text)
    assert number == pytest.approx(value, rel=1e-15)
    assert note is not None
    assert part in note


@pytest.mark.parametrize("text", ["10k", "100nF", "1meg", "47", "10ohm", "1e-9"])
def test_plain_deck_numbers_draw_no_note(text: str) -> None:
    assert parse_deck_number(text)[1] is None


@pytest.mark.parametrize("text", ["4M7", "4m7", "1M0"])
def test_milli_or_mega_codes_are_refused(text: str) -> None:
    with pytest.raises(NumberError, match=r"ambiguous.*MEG for mega or .*m for milli"):
        parse_deck_number(text)


@pytest.mark.parametrize(
    "text", ["", "nan", "k", "1,5k", "10k5x", "4meg7", "{r}", "1e999", "1" * 50]
)
def test_deck_refusals(text: str) -> None:
    with pytest.raises(NumberError):
        parse_deck_number(text)


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (4700.0, "ohm", "4.7 kohm"),
        (10e-9, "F", "10 nF"),
        (1000.0, "Hz", "1 kHz"),
        (0.0, "V", "0 V"),
        (-0.02, "V", "-20 mV"),
        (999.96, "Hz", "1 kHz"),
        (1591.549, "Hz", "1.592 kHz"),
        (47.0, "", "47"),
        (1e-20, "F", "1e-20 F"),
    ],
)
def test_numbers_for_people(value: float, unit: str, text: str) -> None:
    assert format_si(value, unit) == text


@pytest.mark.parametrize(
    ("value", "text"),
    [(4700.0, "4.7k"), (1e-8, "10n"), (1e6, "1meg"), (47.0, "47"), (1e-3, "1m"), (0.0, "0")],
)
def test_short_deck_numbers(value: float, text: str) -> None:
    assert format_deck(value) == text


def test_what_is_not_finite_is_not_written() -> None:
    for value in (math.inf, math.nan):
        with pytest.raises(NumberError, match="finite"):
            format_deck(value)


@given(
    st.integers(min_value=1, max_value=10**13 - 1),
    st.integers(min_value=-250, max_value=230),
    st.sampled_from([1, -1]),
)
def test_short_deck_numbers_come_back_exactly(digits: int, power: int, sign: int) -> None:
    value = float(f"{sign * digits}e{power}")
    assert parse_deck_number(format_deck(value)) == (value, None)


@given(st.floats(min_value=1e-250, max_value=1e250), st.sampled_from([1, -1]))
def test_deck_numbers_come_back_within_1e_12(magnitude: float, sign: int) -> None:
    value = sign * magnitude
    number, note = parse_deck_number(format_deck(value))
    assert note is None
    assert number == pytest.approx(value, rel=1e-12, abs=0)
    assert format_deck(number) == format_deck(value)


@pytest.mark.parametrize(
    ("value", "text"),
    [(1e-7 / 0.6, "166.6666666667n"), (0.1 + 0.2, "300m"), (4700 * 1.1, "5.17k")],
)
def test_deck_numbers_have_no_tail_of_rounding(value: float, text: str) -> None:
    assert format_deck(value) == text


@given(st.floats(min_value=1e-14, max_value=1e14), st.integers(min_value=2, max_value=9))
def test_numbers_for_people_come_back_rounded(value: float, digits: int) -> None:
    text = format_si(value, "Hz", digits)
    assert parse_si(text, "Hz") == pytest.approx(value, rel=0.51 * 10 ** (1 - digits))


@given(st.text(max_size=60))
def test_any_text_gives_a_number_or_a_sentence(text: str) -> None:
    for parse in (parse_si, lambda t: parse_deck_number(t)[0]):
        with contextlib.suppress(NumberError):
            assert math.isfinite(parse(text))
