"""Lengths as typed and as printed: millimetres, and inches with fractions."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from grainscan.errors import InputError
from grainscan.wording import plain_name

__all__ = [
    "MM_PER_INCH",
    "Sixtyfourths",
    "Units",
    "inch_words",
    "length_words",
    "parse_length_mm",
    "parse_section_mm",
    "typed_units",
]

Units = Literal["mm", "in"]

MM_PER_INCH = 25.4  # exact by definition
# Longer than any log; a larger number is a slip of unit.
_LONGEST_MM = 50_000.0
_STEP = 64

_NUMBER = r"(?P<whole>\d{1,9})[\s-]+(?P<top>\d{1,4})/(?P<bottom>\d{1,4})"
_FORM = re.compile(
    rf"(?:{_NUMBER}|(?P<only_top>\d{{1,4}})/(?P<only_bottom>\d{{1,4}})"
    r"|(?P<decimal>\d{1,9}(?:\.\d{1,12})?|\.\d{1,12}))\s*(?P<unit>[a-z\"']*)",
    re.ASCII,
)
_UNITS = {
    "mm": 1.0, "millimetre": 1.0, "millimetres": 1.0, "millimeter": 1.0, "millimeters": 1.0,
    "cm": 10.0, "m": 1000.0,
    "in": MM_PER_INCH, "inch": MM_PER_INCH, "inches": MM_PER_INCH, '"': MM_PER_INCH,
    "''": MM_PER_INCH,
}  # fmt: skip
_HELP = 'Write it as 11 mm, 7/16 in, 1 3/8" or 0.4375 in'


def parse_length_mm(text: str, *, what: str = "length") -> float:
    """A length in millimetres from text: ``11``, ``11mm``, ``1.1 cm``, ``7/16"``, ``1 3/8 in``.

    A plain number is millimetres. A fraction must say its unit: it could be meant either way.
    ``what`` names the length in messages.

    Raises
    ------
    InputError
        The text is no length, is not above 0, or is longer than 50 m.

    Examples
    --------
    >>> parse_length_mm("1 3/8 in")
    34.925
    """
    match = _FORM.fullmatch(_plain(text))
    if match is None:
        raise InputError(f"{plain_name(text)!r} is no {what}. {_HELP}.")
    number = _number(match, text, what)
    unit = match["unit"]
    if not unit and match["decimal"] is None:
        raise InputError(f"The {what} {plain_name(text)!r} needs its unit, such as 7/16 in.")
    if unit and unit not in _UNITS:
        raise InputError(f"{plain_name(unit)!r} is no unit for a {what}. {_HELP}.")
    length_mm = float(number) * _UNITS[unit or "mm"]
    if not 0.0 < length_mm <= _LONGEST_MM:
        raise InputError(
            f"The {what} {plain_name(text.strip())!r} must be above 0 and at most "
            f"{_LONGEST_MM:.0f} mm."
        )
    return length_mm


def parse_section_mm(text: str) -> tuple[float, float]:
    """Width and height in millimetres from text: ``25 x 26 mm``, ``1 in x 7/8 in``, ``25``.

    A single length stands for a square. A unit written once, at the end, holds for both.

    Raises
    ------
    InputError
        A part is no length, or there are more than two.

    Examples
    --------
    >>> parse_section_mm("25 x 26 mm")
    (25.0, 26.0)
    """
    parts = [part.strip() for part in re.split(r"[x×]", _plain(text))]
    if len(parts) > 2:
        raise InputError(f"{plain_name(text)!r} is no section. Write it as 25 x 26 mm.")
    unit = re.search(r"[a-z\"']*$", parts[-1])
    if len(parts) == 2 and unit is not None and re.search(r"[\d.]$", parts[0]):
        parts[0] += unit[0]
    sizes = [parse_length_mm(part, what="section") for part in parts]
    return sizes[0], sizes[-1]


def typed_units(text: str) -> Units:
    """The units in which a length was typed: "in" if it says inches, else "mm"."""
    return "in" if re.search(r"in|\"|''", _plain(text)) else "mm"


def _plain(text: str) -> str:
    """Lower case, with ⅜ written 3/8 and curly inch marks straight."""
    spread = re.sub(r"(?<=\d)(?=[¼-¾⅐-⅞])", " ", text.strip())
    flat = unicodedata.normalize("NFKC", spread).replace("\u2044", "/")
    for mark in ("\u2033", "\u201d", "\u201c", "\u2032\u2032"):
        flat = flat.replace(mark, '"')
    return flat.lower().strip()


def _number(match: re.Match[str], text: str, what: str) -> Fraction:
    if match["decimal"] is not None:
        return Fraction(match["decimal"])
    whole = int(match["whole"] or 0)
    top = int(match["top"] or match["only_top"])
    bottom = int(match["bottom"] or match["only_bottom"])
    if bottom == 0:
        raise InputError(f"The {what} {plain_name(text)!r} divides by nothing.")
    return whole + Fraction(top, bottom)


@dataclass(frozen=True, slots=True)
class Sixtyfourths:
    """A length to the nearest 1/64 inch, and what the rounding has taken off or added.

    ``over_in`` is the true length less the rounded one, in inches: at most 1/128 either way.
    """

    count: int
    over_in: float

    @classmethod
    def nearest(cls, length_mm: float) -> Sixtyfourths:
        inches = length_mm / MM_PER_INCH
        count = round(inches * _STEP)
        return cls(count, inches - count / _STEP)

    @property
    def words(self) -> str:
        """Such as ``1 3/8 in``, the fraction in its lowest terms."""
        size = Fraction(abs(self.count), _STEP)
        whole, rest = divmod(size, 1)
        parts = [str(whole)] if whole or not rest else []
        if rest:
            parts.append(f"{rest.numerator}/{rest.denominator}")
        return ("-" if self.count < 0 else "") + " ".join(parts) + " in"


def inch_words(length_mm: float) -> str:
    """Inches with a fraction, and the true decimal wherever the fraction is not exact to 0.001.

    Examples
    --------
    >>> inch_words(11.1125)
    '7/16 in'
    >>> inch_words(14.7)
    'about 37/64 in (0.579 in)'
    """
    near = Sixtyfourths.nearest(length_mm)
    if abs(near.over_in) < 0.0005:
        return near.words
    return f"about {near.words} ({length_mm / MM_PER_INCH:.3f} in)"


def length_words(length_mm: float, units: Units = "mm") -> str:
    """The length in ``units``, "mm" (to 0.01 mm) or "in" (to 1/64, with the true decimal)."""
    return inch_words(length_mm) if units == "in" else f"{length_mm:.2f} mm"
