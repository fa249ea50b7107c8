"""The table at the start of a report on several blanks, and that of the command line."""

from __future__ import annotations

from grainscan.stock.find import StockLine
from grainscan.wording import angle_words, one_in_words

__all__ = ["overview_heads", "overview_row", "reason_of"]


def overview_heads() -> tuple[str, ...]:
    """Names of the columns."""
    return ("blank", "sort", "slope of grain", "90 % interval", "species", "part", "reason")


def overview_row(line: StockLine) -> tuple[str, ...]:
    """One blank as texts, in the order of the columns."""
    sort = line.sort or "not scanned"
    return (
        line.code,
        f"{sort} (by hand)" if line.overruled_by else sort,
        _slope(line),
        _interval(line),
        line.species or "",
        line.part or "",
        reason_of(line),
    )


def reason_of(line: StockLine) -> str:
    """Why the blank is sorted as it is, in one line."""
    if line.overruled_by:
        return (
            f"{line.overruled_by}: {line.overruled_why} "
            f"(measured: {line.measured_sort or 'nothing'})"
        )
    return line.because[0] if line.because else ""


def _slope(line: StockLine) -> str:
    if line.slope_deg is None:
        return "not known"
    least = "at least " if line.slope_high_deg is None else ""
    return f"{least}{angle_words(line.slope_deg)}, {one_in_words(line.slope_deg)}"


def _interval(line: StockLine) -> str:
    if line.slope_low_deg is None:
        return "not known"
    if line.slope_high_deg is None:
        return f"at least {angle_words(line.slope_low_deg)}"
    return f"{angle_words(line.slope_low_deg)} to {angle_words(line.slope_high_deg)}"
