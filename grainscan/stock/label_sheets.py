"""Sheets that labels are printed on."""

from __future__ import annotations

from dataclasses import dataclass

from grainscan.errors import InputError
from grainscan.wording import plain_name, sentence_list

__all__ = ["SHEETS", "Sheet", "sheet_named"]

# ISO 216 A4 and the North American letter format, 8½ × 11 in.
_A4_MM = (210.0, 297.0)
_LETTER_MM = (215.9, 279.4)
_INCH_MM = 25.4


@dataclass(frozen=True, slots=True)
class Sheet:
    """A page of equal labels, in the middle of the page; sizes are width × height in mm.

    ``gap_mm``: between neighbours. ``cut_lines``: plain paper, which is cut with scissors.
    """

    name: str
    page_mm: tuple[float, float]
    label_mm: tuple[float, float]
    columns: int
    rows: int
    gap_mm: tuple[float, float] = (0.0, 0.0)
    cut_lines: bool = False

    @property
    def labels(self) -> int:
        return self.columns * self.rows

    def corner_mm(self, number: int) -> tuple[float, float]:
        """Left and top of a label on its page; they are counted along the rows from 0."""
        row, column = divmod(number % self.labels, self.columns)
        left, top = (
            (page - count * label - (count - 1) * gap) / 2
            for page, count, label, gap in zip(
                self.page_mm, (self.columns, self.rows), self.label_mm, self.gap_mm, strict=True
            )
        )
        return (
            left + column * (self.label_mm[0] + self.gap_mm[0]),
            top + row * (self.label_mm[1] + self.gap_mm[1]),
        )


# Die-cut sizes sold everywhere: common practice, no source. Printers shift pages by a
# millimetre or two, so the first sheet is worth a trial on plain paper.
SHEETS = {
    sheet.name: sheet
    for sheet in (
        Sheet("plain-a4", _A4_MM, (90.0, 38.0), 2, 7, cut_lines=True),
        Sheet("plain-letter", _LETTER_MM, (90.0, 36.0), 2, 7, cut_lines=True),
        Sheet("a4-3x7", _A4_MM, (63.5, 38.1), 3, 7, gap_mm=(2.54, 0.0)),
        Sheet("a4-3x8", _A4_MM, (70.0, 37.0), 3, 8),
        Sheet("a4-2x7", _A4_MM, (99.1, 38.1), 2, 7, gap_mm=(2.5, 0.0)),
        Sheet("a4-2x4", _A4_MM, (99.1, 67.7), 2, 4, gap_mm=(2.5, 0.0)),
        Sheet("letter-3x10", _LETTER_MM, (2.625 * _INCH_MM, _INCH_MM), 3, 10, gap_mm=(3.175, 0.0)),
        Sheet("letter-2x5", _LETTER_MM, (4 * _INCH_MM, 2 * _INCH_MM), 2, 5, gap_mm=(4.7625, 0.0)),
    )
}


def sheet_named(name: str) -> Sheet:
    """The sheet of that name. Raises InputError if there is none."""
    if name.lower() in SHEETS:
        return SHEETS[name.lower()]
    raise InputError(
        f"There is no label sheet {plain_name(name)!r}. Known are {sentence_list(SHEETS)}."
    )
