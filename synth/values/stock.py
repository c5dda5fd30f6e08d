"""A drawer of parts, from CSV text: value, tolerance, count."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from dataclasses import dataclass

from synth.errors import NumberError
from synth.units import parse_si
from synth.values.grids import ValueList, value_list

#: Name of a kind in the file (lower case) -> letter of the part.
_KINDS: Mapping[str, str] = {
    "r": "R",
    "resistor": "R",
    "resistors": "R",
    "c": "C",
    "capacitor": "C",
    "capacitors": "C",
    "l": "L",
    "inductor": "L",
    "inductors": "L",
}
_UNITS: Mapping[str, str] = {"R": "ohm", "C": "F", "L": "H"}
_NAMES: Mapping[str, str] = {"R": "resistors", "C": "capacitors", "L": "inductors"}
_COLUMNS = ("value", "tolerance", "count", "kind")
#: A row without a count can be used as often as one likes.
UNLIMITED = 10**9
_MOST_ROWS = 100_000


@dataclass(frozen=True)
class StockItem:
    """One row of the drawer.

    Parameters
    ----------
    letter : str
        R, C or L.
    value : float
        Ohm, farad or henry.
    tolerance : float or None
        As a fraction (0.01 for 1 %), None where the row does not say.
    count : int
        Pieces at hand.
    """

    letter: str
    value: float
    tolerance: float | None
    count: int


@dataclass(frozen=True)
class Stock:
    """The contents of a drawer."""

    name: str
    items: tuple[StockItem, ...]

    def grid(self, letter: str) -> ValueList:
        """Return the values of one kind of part.

        Raises
        ------
        NumberError
            If the drawer has none.
        """
        found = [i.value for i in self.items if i.letter == letter and i.count > 0]
        if not found:
            raise NumberError(
                f"the stock list {self.name} has no {_NAMES.get(letter, letter)}; add rows for "
                "them or name a series"
            )
        return value_list(found, f"{_NAMES[letter]} of {self.name}")

    def counts(self, letter: str) -> dict[float, int]:
        """Return value -> pieces at hand, rows of the same value added up."""
        total: dict[float, int] = {}
        for i in self.items:
            if i.letter == letter:
                total[i.value] = min(UNLIMITED, total.get(i.value, 0) + i.count)
        return total


def read_stock(text: str, name: str = "stock") -> Stock:
    r"""Read a stock list.

    Parameters
    ----------
    text : str
        CSV with a header that has ``value`` and may have ``kind`` (R, C, resistor, ...),
        ``tolerance`` (``1%``) and ``count``.  Values are read with SI suffixes; without a kind
        the unit says it (``10kohm``, ``4.7nF``).
    name : str
        Named in messages.

    Raises
    ------
    NumberError
        If the header or a row cannot be read; the message has the line number.

    Examples
    --------
    >>> read_stock("value,count\n4.7nF,3\n").items
    (StockItem(letter='C', value=4.7e-09, tolerance=None, count=3),)
    """
    reader = csv.reader(io.StringIO(text.lstrip("\ufeff")))
    items: list[StockItem] = []
    header: list[str] | None = None
    try:
        for row in reader:
            if not any(cell.strip() for cell in row):
                continue
            if header is None:
                header = _header(row, name, reader.line_num)
                continue
            if len(items) >= _MOST_ROWS:
                raise NumberError(f"{name} has more than {_MOST_ROWS} rows; shorten it")
            items.append(_item(row, header, f"line {reader.line_num} of {name}"))
    except csv.Error as error:
        raise NumberError(f"line {reader.line_num} of {name} is no CSV row: {error}") from None
    if not items:
        raise NumberError(f"{name} has no parts; write a header value,count and a row for each")
    return Stock(name, tuple(items))


def _header(row: list[str], name: str, line: int) -> list[str]:
    header = [cell.strip().lower() for cell in row]
    unknown = [h for h in header if h not in _COLUMNS]
    if unknown or "value" not in header or len(set(header)) != len(header):
        raise NumberError(
            f"line {line} of {name} must be a header with value and any of tolerance, count, "
            f"kind, each once; it is {','.join(row)[:60]}"
        )
    return header


def _item(row: list[str], header: list[str], where: str) -> StockItem:
    if len(row) != len(header):
        raise NumberError(
            f"{where} has {len(row)} cells, but the header has {len(header)}; write one for each"
        )
    cells = {h: c.strip() for h, c in zip(header, row, strict=True)}
    text = cells["value"]
    letter = _letter(cells.get("kind", ""), text, where)
    try:
        value = parse_si(text, _UNITS[letter])
    except NumberError as error:
        raise NumberError(f"{where}: {error}") from None
    if not value > 0:
        raise NumberError(f"{where}: the value {text} must be positive")
    return StockItem(
        letter, value, _tolerance(cells.get("tolerance", ""), where), _count(cells, where)
    )


def _letter(kind: str, value: str, where: str) -> str:
    if kind:
        letter = _KINDS.get(kind.lower())
        if letter is None:
            raise NumberError(f"{where}: {kind!r} is no kind of part; write R, C or L")
        return letter
    for letter, unit in _UNITS.items():
        for spelling in (unit, unit + "s", "Ω", "\u2126") if letter == "R" else (unit,):
            plain = value.casefold() if len(spelling) > 1 else value
            if plain.endswith(spelling):
                return letter
    raise NumberError(
        f"{where}: {value!r} does not say whether it is a resistor or a capacitor; add a column "
        "kind or write the unit, as in 10kohm or 4.7nF"
    )


def _tolerance(text: str, where: str) -> float | None:
    if not text:
        return None
    try:
        value = parse_si(text.removesuffix("%").strip()) / 100
    except NumberError as error:
        raise NumberError(f"{where}: {error}") from None
    if not (0 < value < 1 and text.endswith("%")):
        raise NumberError(
            f"{where}: the tolerance {text} must lie between 0 and 100 %; write it with its sign, "
            "as in 1%"
        )
    return value


def _count(cells: Mapping[str, str], where: str) -> int:
    text = cells.get("count", "")
    if not text:
        return UNLIMITED
    if not (text.isascii() and text.isdigit() and len(text) < 10):
        raise NumberError(f"{where}: the count {text!r} is no whole number; write how many pieces")
    return int(text)
