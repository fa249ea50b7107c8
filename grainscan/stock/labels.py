"""A sheet of labels for blanks, as PDF: code, answer, size, and the code as a QR code."""

from __future__ import annotations

from collections.abc import Sequence

import segno
from fpdf import FPDF

from grainscan.errors import InputError
from grainscan.results import SortWord
from grainscan.stock.find import StockLine
from grainscan.stock.label_sheets import Sheet
from grainscan.stock.pdf_pages import FONT, fitted, open_pdf
from grainscan.wording import angle_words, one_in_words

__all__ = ["labels_pdf"]

_PAD_MM = 2.0
_INK = (22, 26, 30)
# ISO/IEC 18004: a QR code needs four modules of white all round.
_QUIET_MODULES = 4
_LARGEST_QR_MM = 30.0
_LARGEST_LINE_MM = 7.0
# Size of the letters in points for a line height in mm, so that lines do not touch.
_PT_PER_LINE_MM = 72 / 25.4 / 1.2


def labels_pdf(
    lines: Sequence[StockLine],
    sheet: Sheet,
    *,
    first: int = 1,
    shift_mm: tuple[float, float] = (0.0, 0.0),
) -> bytes:
    """The labels of some blanks, one after another along the rows.

    Parameters
    ----------
    first
        The first free label of a sheet that was begun, counted from 1.
    shift_mm
        Right and down, for a printer that shifts its pages.

    Returns
    -------
    bytes
        A PDF. Print it at its own size, not fitted to the page.

    Raises
    ------
    InputError
        There are no blanks, or the sheet has no such label.
    """
    if not lines:
        raise InputError("No blank was chosen; there is nothing to print on labels.")
    if not 1 <= first <= sheet.labels:
        raise InputError(f"This sheet has labels 1 to {sheet.labels}; begin at one of them.")
    with open_pdf(sheet.page_mm, title="Labels for blanks") as pdf:
        pdf.set_margin(0)
        pdf.c_margin = 0.0
        for number, line in enumerate(lines, start=first - 1):
            if number % sheet.labels == 0 or number == first - 1:
                pdf.add_page()
            left, top = sheet.corner_mm(number)
            _label(pdf, line, (left + shift_mm[0], top + shift_mm[1]), sheet)
        return bytes(pdf.output())


def _label(pdf: FPDF, line: StockLine, corner: tuple[float, float], sheet: Sheet) -> None:
    width, height = sheet.label_mm
    left, top = corner
    if sheet.cut_lines:
        pdf.set_draw_color(170)
        pdf.set_line_width(0.1)
        pdf.rect(left, top, width, height)
    pdf.set_text_color(*_INK)
    pdf.set_draw_color(*_INK)
    pdf.set_fill_color(*_INK)
    arrow_mm = 4.2
    qr_mm = min(height - 2 * _PAD_MM - arrow_mm, _LARGEST_QR_MM, 0.42 * width)
    _qr_code(pdf, line.code, (left + _PAD_MM, top + _PAD_MM), qr_mm)
    text_left = left + _PAD_MM + qr_mm + 1.0
    text_width = left + width - _PAD_MM - text_left
    _texts(pdf, line, (text_left, top + _PAD_MM), (text_width, height - 2 * _PAD_MM - arrow_mm))
    _marked_end(pdf, (left + _PAD_MM, top + height - _PAD_MM - arrow_mm), width - 2 * _PAD_MM)


def _texts(
    pdf: FPDF, line: StockLine, corner: tuple[float, float], size: tuple[float, float]
) -> None:
    """The lines of text, in proportion to the height there is."""
    left, top = corner
    width, height = size
    rows = [
        (line.code, "B", 1.5),
        (None, "B", 1.35),
        (_slope(line), "", 1.1),
        (_wood(line), "", 0.95),
        (_size(line), "", 0.95),
    ]
    unit = min(height / sum(share for _, _, share in rows), _LARGEST_LINE_MM)
    for text, style, share in rows:
        row_mm = share * unit
        if text is None:
            _sort(pdf, line, (left, top), (width, row_mm))
        else:
            shown = fitted(pdf, text, width, row_mm * _PT_PER_LINE_MM, style)
            pdf.set_xy(left, top)
            pdf.cell(width, row_mm, shown)
        top += row_mm


def _sort(
    pdf: FPDF, line: StockLine, corner: tuple[float, float], size: tuple[float, float]
) -> None:
    """The word, with a mark of its own shape, so that it is told from afar and without colour."""
    left, top = corner
    width, height = size
    mark = 0.68 * height
    _mark(pdf, line.sort, (left, top + 0.16 * height), mark)
    word_left = left + mark + 1.2
    room = left + width - word_left
    word = fitted(pdf, line.sort or "not scanned", room, height * _PT_PER_LINE_MM, "B")
    pdf.set_xy(word_left, top)
    pdf.cell(room, height, word)
    if line.overruled_by:
        word_mm = pdf.get_string_width(word) + 1.2
        note = f"by hand: {line.overruled_by}"
        shown = fitted(pdf, note, room - word_mm, 0.55 * height * _PT_PER_LINE_MM)
        pdf.set_xy(word_left + word_mm, top)
        pdf.cell(room - word_mm, height, shown)


def _mark(pdf: FPDF, sort: SortWord | None, corner: tuple[float, float], size: float) -> None:
    """Disc for keep, triangle for check, square with a cross for set aside, ring for none."""
    x, y = corner
    pdf.set_line_width(0.12 * size)
    if sort == "keep":
        pdf.ellipse(x, y, size, size, style="F")
    elif sort == "check":
        pdf.polygon([(x + size / 2, y), (x + size, y + size), (x, y + size)], style="F")
    elif sort == "set aside":
        pdf.rect(x, y, size, size)
        pdf.line(x, y, x + size, y + size)
        pdf.line(x + size, y, x, y + size)
    else:
        pdf.ellipse(x, y, size, size)


def _marked_end(pdf: FPDF, corner: tuple[float, float], width: float) -> None:
    """An arrow to the right: the label is stuck on so that it points to the marked end."""
    left, top = corner
    middle = top + 2.1
    pdf.set_font(FONT, "", 7.0)
    text = "marked end"
    text_mm = pdf.get_string_width(text) + 1.0
    end = left + width
    pdf.set_line_width(0.35)
    pdf.line(left, middle, end - text_mm - 4.5, middle)
    pdf.set_xy(end - text_mm - 4.0, top)
    pdf.cell(text_mm, 4.2, text)
    pdf.polygon([(end - 3.2, middle - 1.4), (end - 3.2, middle + 1.4), (end, middle)], style="F")


def _qr_code(pdf: FPDF, code: str, corner: tuple[float, float], size: float) -> None:
    """Drawn as rectangles, one per run of dark modules, so that it prints sharp at any size."""
    matrix = segno.make(code, error="m", micro=False).matrix
    module = size / (len(matrix) + 2 * _QUIET_MODULES)
    left, top = (c + _QUIET_MODULES * module for c in corner)
    for row, modules in enumerate(matrix):
        start: int | None = None
        for column, dark in enumerate([*modules, 0]):
            if dark and start is None:
                start = column
            elif not dark and start is not None:
                # A hair taller than a module, so that no white line shows between two rows.
                pdf.rect(
                    left + start * module,
                    top + row * module,
                    (column - start) * module,
                    1.02 * module,
                    style="F",
                )
                start = None


def _slope(line: StockLine) -> str:
    if line.slope_deg is None:
        return "slope not known"
    least = "at least " if line.slope_high_deg is None else ""
    return f"{least}{one_in_words(line.slope_deg)} ({angle_words(line.slope_deg)})"


def _wood(line: StockLine) -> str:
    return ", ".join(text for text in (line.species, line.part) if text) or "wood not named"


def _size(line: StockLine) -> str:
    sides = (line.width_mm, line.height_mm, line.length_mm)
    size = " × ".join("?" if side is None else f"{side:.0f}" for side in sides)
    known = "" if all(side is None for side in sides) else f"{size} mm"
    rack = f"rack {line.rack}" if line.rack else ""
    return "  ".join(text for text in (known, rack) if text)
