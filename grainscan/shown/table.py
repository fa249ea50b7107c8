"""The plain table that the command line prints."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from grainscan.results import BlankResult, EndScan
from grainscan.wording import figure_words, interval_words

__all__ = ["result_table"]

_HEADS = ("blank", "sort", "slope of grain", "90 % interval", "rings", "strength kept")
_NONE = "not known"


def result_table(results: Sequence[BlankResult], *, width: int = 100) -> str:
    """A table of results for a fixed-width font, each row followed by its reasons.

    ``width``: columns of the terminal; only the reasons are wrapped to it, never the figures.
    ``strength kept`` gives bending, impact bending and compression in per cent of straight
    grain.
    """
    rows = [_row(result) for result in results]
    widths = [max(len(cell) for cell in column) for column in zip(_HEADS, *rows, strict=True)]
    lines = [_line(_HEADS, widths), _line(["-" * w for w in widths], widths)]
    for result, row in zip(results, rows, strict=True):
        lines.append(_line(row, widths))
        for reason in result.because[:4]:
            lines += textwrap.wrap(
                reason,
                max(width, 40),
                initial_indent="    ",
                subsequent_indent="    ",
                break_on_hyphens=False,
            )
    return "\n".join(lines)


def _line(cells: Sequence[str], widths: Sequence[int]) -> str:
    return "  ".join(cell.ljust(w) for cell, w in zip(cells, widths, strict=True)).rstrip()


def _row(result: BlankResult) -> tuple[str, ...]:
    m = result.measurement
    return (
        m.record.blank,
        result.sort,
        _NONE if m.slope is None else figure_words(m.slope),
        _NONE if m.slope is None else interval_words(m.slope),
        _rings(m.end),
        _strength(result),
    )


def _rings(end: EndScan | None) -> str:
    if end is None or end.ring_direction_deg is None:
        return _NONE
    orientation = f" {end.orientation}" if end.orientation else ""
    return f"{end.ring_direction_deg:.0f}°{orientation}"


def _strength(result: BlankResult) -> str:
    if result.strength is None:
        return _NONE
    s = result.strength
    return f"{100 * s.bending:.0f} / {100 * s.impact:.0f} / {100 * s.compression:.0f} %"
