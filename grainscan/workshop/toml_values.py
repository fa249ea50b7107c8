"""Values out of TOML tables, checked, with messages that name the place and the entry."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Self, TypeVar

from grainscan.errors import InputError, RecordError
from grainscan.from_files import parse_toml, read_content
from grainscan.wording import plain_name, sentence_list
from grainscan.workshop.units import parse_length_mm

__all__ = ["Table", "read_toml"]

Word = TypeVar("Word", bound=str)

_LONGEST_MM = 50_000.0
# Longer than any log; a larger number is a slip of unit.


def read_toml(path: Path, *, most_bytes: int) -> dict[str, Any]:
    """A whole TOML file.

    Raises
    ------
    RecordError
        The file cannot be read, is too long or is no TOML.
    """
    place = plain_name(path.name)
    return parse_toml(read_content(path, most_bytes=most_bytes, place=place), place=place)


class Table:
    """A TOML table together with its place for messages; every wrong entry raises RecordError."""

    def __init__(self, data: object, place: str) -> None:
        if not isinstance(data, Mapping):
            raise RecordError(f"{place}: this must be a table.")
        self._data: Mapping[str, Any] = data
        self.place = place

    def only(self, keys: Sequence[str]) -> Self:
        """Refuse any other key; returns the table."""
        for key in self._data:
            if key not in keys:
                raise RecordError(
                    f"{self.place}: unknown key {plain_name(key)!r}. "
                    f"Known keys are {sentence_list(keys)}."
                )
        return self

    def names(self) -> list[str]:
        return list(self._data)

    def has(self, key: str) -> bool:
        return key in self._data

    def table(self, key: str) -> Table:
        return Table(self._value(key), f"{self.place}, {plain_name(key)}")

    def tables(self, key: str) -> list[Table]:
        values = self._value(key)
        if not isinstance(values, list):
            raise RecordError(f"{self.place}: {key} must be a list.")
        return [Table(v, f"{self.place}, {key} {k + 1}") for k, v in enumerate(values)]

    def text(self, key: str) -> str:
        value = self._value(key)
        if not isinstance(value, str) or not value.strip():
            raise RecordError(f"{self.place}: {key} must be a text in quotes.")
        return value.strip()

    def choice(self, key: str, words: Sequence[Word]) -> Word:
        value = self.text(key)
        for word in words:
            if word == value:
                return word
        raise RecordError(f"{self.place}: {key} must be {sentence_list(words, 'or')}.")

    def number(self, key: str, *, low: float, high: float) -> float:
        return self._checked(self._value(key), key, low, high)

    def whole(self, key: str, *, low: int, high: int) -> int:
        value = self.number(key, low=low, high=high)
        if value != int(value):
            raise RecordError(f"{self.place}: {key} must be a whole number.")
        return int(value)

    def length(self, key: str, *, zero: bool = False) -> float:
        """A length in mm: a number of millimetres, or a text with its unit."""
        return self._length(self._value(key), key, zero)

    def length_or_none(self, key: str) -> float | None:
        return self.length(key, zero=True) if self.has(key) else None

    def length_pairs(self, key: str) -> list[tuple[float, float]]:
        """Pairs of lengths in mm; empty where the key is left out."""
        pairs = self._data.get(key, [])
        if not isinstance(pairs, list) or not all(
            isinstance(pair, list) and len(pair) == 2 for pair in pairs
        ):
            raise RecordError(f"{self.place}: {key} must be a list of pairs, such as [[0, 28]].")
        return [(self._length(a, key, True), self._length(b, key, True)) for a, b in pairs]

    def _value(self, key: str) -> Any:
        if key not in self._data:
            raise RecordError(f"{self.place}: {key} is missing.")
        return self._data[key]

    def _length(self, value: object, key: str, zero: bool) -> float:
        if isinstance(value, str):
            try:
                value = parse_length_mm(value, what=key)
            except InputError as error:
                raise RecordError(f"{self.place}: {error}") from error
        number = self._checked(value, key, 0.0, _LONGEST_MM)
        if number == 0.0 and not zero:
            raise RecordError(f"{self.place}: {key} must be above 0.")
        return number

    def _checked(self, value: object, key: str, low: float, high: float) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise RecordError(f"{self.place}: {key} must be a number.")
        if not (math.isfinite(value) and low <= value <= high):
            raise RecordError(
                f"{self.place}: {key} is {value}; it must lie in {low:g} to {high:g}."
            )
        return float(value)
