"""Words and figures as every table, picture and page writes them."""

from __future__ import annotations

import math
from collections.abc import Iterable

from grainscan.results import LocalTrouble, SlopeInSpace

__all__ = [
    "angle_words",
    "figure_words",
    "interval_words",
    "one_in_words",
    "place_words",
    "plain_name",
    "printable",
    "sentence",
    "sentence_list",
    "slope_words",
    "trouble_words",
]

_LONGEST_NAME = 120


def plain_name(text: str) -> str:
    """The text fit for one line of output.

    File names may hold line breaks, control characters and bytes that are no characters at
    all; each is shown as ``?``. A very long name is cut in its middle.
    """
    shown = "".join(c if c.isprintable() else "?" for c in text)
    if len(shown) > _LONGEST_NAME:
        half = _LONGEST_NAME // 2 - 2
        shown = f"{shown[:half]}...{shown[-half:]}"
    return shown


def printable(text: str) -> str:
    """The text with ``?`` for everything but line breaks that is no printed character."""
    return "".join(c if c.isprintable() or c == "\n" else "?" for c in text)


def one_in_words(angle_deg: float) -> str:
    """``1 in N`` for an angle in degrees; N has three figures at most.

    A slope flatter than 1 in 999 says ``flatter than 1 in 999``: no photograph tells more.
    """
    tangent = math.tan(math.radians(abs(angle_deg)))
    if tangent * 999 < 1:
        return "flatter than 1 in 999"
    n = 1.0 / tangent
    return f"1 in {n:.1f}" if n < 10 else f"1 in {n:.0f}"


def angle_words(angle_deg: float) -> str:
    return f"{angle_deg:.1f}°"


def interval_words(slope: SlopeInSpace) -> str:
    """The 90 % interval of a slope in degrees, or its lower end alone."""
    if slope.high_deg is None:
        return f"at least {slope.low_deg:.1f}°"
    return f"{slope.low_deg:.1f}° to {slope.high_deg:.1f}°"


def figure_words(slope: SlopeInSpace) -> str:
    """Such as ``1 in 41, 1.4°``; for a lower bound ``at least 1.4°``, steep ones with 1 in N."""
    angle, one_in = angle_words(slope.angle_deg), one_in_words(slope.angle_deg)
    if not slope.lower_bound_only:
        return f"{one_in}, {angle}"
    # "At least flatter than" would say nothing.
    return f"at least {angle}" if one_in.startswith("flatter") else f"at least {one_in}, {angle}"


def slope_words(slope: SlopeInSpace) -> str:
    """Such as ``1 in 41, 1.4° (90 % interval 1.1° to 1.8°)``."""
    return f"{figure_words(slope)} (90 % interval {interval_words(slope)})"


def place_words(at: float) -> str:
    """A place along the blank, from its share of the length."""
    return f"{at * 100:.0f} % of the length from the left end"


def trouble_words(trouble: LocalTrouble, letter: str) -> str:
    """Such as ``a knot on face A, 42 % of the length from the left end (160 mm), 12 mm across``.

    A swirl has no size of its own: its stretch is said.
    """
    place = place_words(trouble.at)
    if trouble.at_mm is not None:
        place += f" ({trouble.at_mm:.0f} mm)"
    if trouble.what == "swirl":
        stretch = f"{trouble.start * 100:.0f} to {trouble.stop * 100:.0f} %"
        return f"a swirl of fibres on face {letter}, {place}, over {stretch}"
    if trouble.radius_mm is not None:
        return f"a knot on face {letter}, {place}, about {2.0 * trouble.radius_mm:.0f} mm across"
    return f"a knot on face {letter}, {place}, about {2.0 * trouble.radius:.1f} widths across"


def sentence(text: str) -> str:
    """The text on one line, with a capital, unless it starts with a file's name, and a stop."""
    line = " ".join(text.split())
    if line.partition(" ")[0].isalpha():
        line = line[:1].upper() + line[1:]
    return line if line.endswith((".", "!", "?")) else f"{line}."


def sentence_list(words: Iterable[str], last: str = "and") -> str:
    """``a, b and c``."""
    items = list(words)
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} {last} {items[-1]}"
