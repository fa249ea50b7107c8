"""Measurements as JSON texts and back, with nothing lost.

The JSON file of ``grainscan scan`` is rounded and leaves out what only pictures need; the book
keeps everything. Floats are written so that the same float is read.
"""

from __future__ import annotations

import dataclasses
import json
import math
import types
from collections.abc import Mapping
from functools import cache
from typing import Any, Literal, TypeVar, Union, get_args, get_origin, get_type_hints

from grainscan.errors import BookError
from grainscan.wording import plain_name

__all__ = ["canonical", "from_json", "object_from_json", "texts_from_json", "to_json"]

T = TypeVar("T")


def to_json(value: Any) -> str:
    """A frozen dataclass made of dataclasses, tuples, numbers, texts and None, as one text.

    Raises
    ------
    TypeError, ValueError
        It holds anything else, or a number that is not finite.
    """
    return json.dumps(_plain(value), ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def from_json(kind: type[T], text: str) -> T:
    """The value of that dataclass from its text.

    A field that the text lacks takes its default and a field unknown here is left out, so that
    fields may be added to the results without the book's being rewritten.

    Raises
    ------
    BookError
        The text is not of that kind.
    """
    value = _read(kind, text)
    assert isinstance(value, kind)
    return value


def texts_from_json(text: str) -> tuple[str, ...]:
    """The texts of a JSON array; raises BookError where it is none."""
    found: tuple[str, ...] = _read(tuple[str, ...], text)
    return found


def object_from_json(text: str) -> dict[str, Any]:
    """What a JSON object holds; raises BookError where the text is none."""
    found: dict[str, Any] = _read(dict, text)
    return found


def canonical(value: Mapping[str, Any]) -> str:
    """A JSON text that is the same for equal values."""
    return json.dumps(
        value, ensure_ascii=False, allow_nan=False, sort_keys=True, separators=(",", ":")
    )


def _read(kind: Any, text: str) -> Any:
    try:
        return _made(kind, json.loads(text, parse_constant=_no_number))
    except (KeyError, TypeError, ValueError, OverflowError, RecursionError) as error:
        # OverflowError: a whole number that is no float. RecursionError: nested without end.
        said = plain_name(" ".join(str(error).split()))
        raise BookError(
            f"A record in the book cannot be read ({said}). It was written by another version "
            "of grainscan, or the book is damaged: run grainscan book check."
        ) from error


def _no_number(text: str) -> float:
    raise ValueError(f"{text} is no number")


def _plain(value: Any) -> Any:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: _plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    if value is None or isinstance(value, bool | int | float | str):
        return value
    raise TypeError(f"a result holds a {type(value).__name__}, which the book cannot keep")


def _made(kind: Any, value: Any) -> Any:
    origin = get_origin(kind)
    if dataclasses.is_dataclass(kind):
        return _dataclass(kind, value)
    if origin in (Union, types.UnionType):
        return _of_union(get_args(kind), value)
    if origin is Literal:
        if value not in get_args(kind):
            raise ValueError(f"{value!r} is none of {get_args(kind)}")
        return value
    if origin is tuple:
        return _tuple(get_args(kind), value)
    if kind is float and isinstance(value, int | float) and not isinstance(value, bool):
        number = float(value)
        if not math.isfinite(number):
            raise ValueError("a number is too large")
        return number
    if not isinstance(value, kind):
        raise TypeError(f"{value!r} is no {getattr(kind, '__name__', kind)}")
    return value


def _dataclass(kind: Any, value: Any) -> Any:
    if not isinstance(value, dict):
        raise TypeError(f"{kind.__name__} is no object")
    hints = _hints(kind)
    return kind(**{name: _made(hints[name], item) for name, item in value.items() if name in hints})


def _of_union(kinds: tuple[Any, ...], value: Any) -> Any:
    if value is None and type(None) in kinds:
        return None
    others = [kind for kind in kinds if kind is not type(None)]
    for kind in others[:-1]:
        try:
            return _made(kind, value)
        except (TypeError, ValueError):
            continue
    return _made(others[-1], value)


def _tuple(kinds: tuple[Any, ...], value: Any) -> tuple[Any, ...]:
    if not isinstance(value, list):
        raise TypeError(f"{value!r} is no list")
    if len(kinds) == 2 and kinds[1] is Ellipsis:
        return tuple(_made(kinds[0], item) for item in value)
    if len(kinds) != len(value):
        raise ValueError(f"{len(value)} values where {len(kinds)} are wanted")
    return tuple(_made(kind, item) for kind, item in zip(kinds, value, strict=True))


@cache
def _hints(kind: type) -> dict[str, Any]:
    return get_type_hints(kind)
