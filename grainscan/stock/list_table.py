"""Lists of the stock book for a terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from grainscan.stock.find import StockLine, SummaryLine
from grainscan.stock.report_words import overview_heads, overview_row, reason_of

__all__ = ["list_table", "summary_table"]


def list_table(lines: Sequence[StockLine], *, width: int = 100) -> str:
    """Blanks for a fixed-width font, each followed by its reason.

    ``width``: columns of the terminal; only the reasons are wrapped to it.
    """
    if not lines:
        return "No blanks."
    heads = overview_heads()[:-1]
    rows = [overview_row(line)[:-1] for line in lines]
    widths = _widths(heads, rows)
    out = [_row(heads, widths), _row(["-" * w for w in widths], widths)]
    for line, row in zip(lines, rows, strict=True):
        out.append(_row(row, widths))
        out += textwrap.wrap(
            reason_of(line),
            max(width, 40),
            initial_indent="    ",
            subsequent_indent="    ",
            break_on_hyphens=False,
        )
    return "\n".join(out)


def summary_table(lines: Sequence[SummaryLine]) -> str:
    """What is in stock, and what a cut list needs of it."""
    if not lines:
        return "No blanks."
    has_needed = any(line.needed is not None for line in lines)
    heads = ["part", "species", "keep", "check", "set aside", "not scanned"]
    heads += ["needed", "short"] if has_needed else []
    rows = [_summary_row(line, with_needed=has_needed) for line in lines]
    widths = _widths(heads, rows)
    return "\n".join(_row(row, widths) for row in (heads, ["-" * w for w in widths], *rows))


def _summary_row(line: SummaryLine, *, with_needed: bool) -> list[str]:
    species = line.species or ("all" if line.needed is not None else "not named")
    counts = (line.keep, line.check, line.set_aside, line.not_scanned)
    row = [line.part or "no part named", species, *map(str, counts)]
    if with_needed:
        row += ["" if count is None else str(count) for count in (line.needed, line.short)]
    return row


def _widths(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> list[int]:
    return [max(len(cell) for cell in column) for column in zip(heads, *rows, strict=True)]


def _row(cells: Sequence[str], widths: Sequence[int]) -> str:
    return "  ".join(cell.ljust(w) for cell, w in zip(cells, widths, strict=True)).rstrip()
