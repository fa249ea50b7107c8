"""The printed reference card: a board of open-standard markers, a grey patch, a line to check.

The board is a ChArUco board of OpenCV's aruco module (a chessboard whose white squares carry
markers of its dictionary DICT_4X4_50): every inner corner is known by its neighbours' numbers, so
half a board gives as true a plane as a whole one. One bit of a marker is `BIT_MM` wide and every
corner of the board lies on that grid.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from fpdf import FPDF

__all__ = [
    "BIT_MM",
    "BOARD_MM",
    "CHECK_MM",
    "GREY",
    "GREY_BOX_MM",
    "PAPERS",
    "aruco_board",
    "board_bits",
    "card_picture",
    "write_card",
]

BIT_MM = 2.0
SQUARE_BITS = 8
MARKER_BITS = 6
SQUARES = (13, 5)
BOARD_MM = (SQUARES[0] * SQUARE_BITS * BIT_MM, SQUARES[1] * SQUARE_BITS * BIT_MM)
CHECK_MM = 200.0
"""Length of the printed line that tells at what scale the printer printed."""

GREY = 119
"""sRGB value of 18 % reflectance (IEC 61966-2-1), the grey of photographers' cards; as printed it
is only near that, but neutral."""

GREY_BOX_MM = (0.0, BOARD_MM[1] + 6.0, 64.0, BOARD_MM[1] + 20.0)
"""Left, top, right, bottom of the grey patch, from the board's left-top corner."""

PAPERS: dict[str, tuple[float, float]] = {"a4": (297.0, 210.0), "letter": (279.4, 215.9)}
_DICTIONARY = "DICT_4X4_50"
_QUIET_MM = 6.0


def aruco_board() -> Any:
    """The board as OpenCV knows it; its corners in millimetres, x right, y down."""
    import cv2

    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, _DICTIONARY))
    square, marker = SQUARE_BITS * BIT_MM, MARKER_BITS * BIT_MM
    return cv2.aruco.CharucoBoard(SQUARES, square, marker, dictionary)


def board_bits() -> npt.NDArray[np.bool_]:
    """The board on its grid of bits, (40, 104) bool: True where it is black."""
    size = (SQUARES[0] * SQUARE_BITS, SQUARES[1] * SQUARE_BITS)
    return np.asarray(aruco_board().generateImage(size, marginSize=0) < 128)


def card_picture(px_per_bit: int) -> npt.NDArray[np.uint8]:
    """The card (board, grey patch, white round both) as a grey picture, for renderers and tests.

    The board's left-top corner lies `_QUIET_MM` in from the picture's left-top corner.
    """
    scale = px_per_bit / BIT_MM
    width, height = BOARD_MM[0] + 2 * _QUIET_MM, GREY_BOX_MM[3] + 2 * _QUIET_MM
    card = np.full((round(height * scale), round(width * scale)), 255, np.uint8)
    bits = np.kron(board_bits(), np.ones((px_per_bit, px_per_bit), bool))
    start = round(_QUIET_MM * scale)
    inside = card[start : start + bits.shape[0], start : start + bits.shape[1]]
    inside[bits] = 0
    left, top, right, bottom = (round((v + _QUIET_MM) * scale) for v in GREY_BOX_MM)
    card[top:bottom, left:right] = GREY
    return card


def write_card(path: Path, *, paper: Literal["a4", "letter"]) -> None:
    """Write the card as a PDF of one page at true size."""
    from grainscan.shown.files import write_whole
    from grainscan.stock.pdf_pages import open_pdf

    page = PAPERS[paper]
    with open_pdf(page, title="grainscan reference card") as pdf:
        pdf.add_page()
        left, top = (page[0] - BOARD_MM[0]) / 2.0, 30.0
        _draw_board(pdf, left, top)
        _draw_rest(pdf, left, top)
        content = bytes(pdf.output())
    write_whole(path, content)


def _draw_board(pdf: FPDF, left: float, top: float) -> None:
    pdf.set_fill_color(0, 0, 0)
    for row, first, last, deep in _rectangles(board_bits()):
        pdf.rect(
            left + first * BIT_MM, top + row * BIT_MM, (last - first) * BIT_MM, deep * BIT_MM, "F"
        )


def _rectangles(bits: npt.NDArray[np.bool_]) -> list[tuple[int, int, int, int]]:
    """Black runs (row, first, last, rows deep); equal runs one under another are joined, that no
    hairline shows between them.
    """
    made: list[tuple[int, int, int, int]] = []
    open_runs: dict[tuple[int, int], int] = {}
    padded = np.pad(bits, ((0, 1), (1, 1)))
    for row, line in enumerate(padded):
        edges = np.flatnonzero(np.diff(line.astype(np.int8)))
        runs = {(int(a), int(b)) for a, b in edges.reshape(-1, 2)}
        for run in [r for r in open_runs if r not in runs]:
            start = open_runs.pop(run)
            made.append((start, run[0], run[1], row - start))
        for run in runs:
            open_runs.setdefault(run, row)
    return made


def _draw_rest(pdf: FPDF, left: float, top: float) -> None:
    from grainscan.stock.pdf_pages import FONT

    x0, y0, x1, y1 = GREY_BOX_MM
    pdf.set_fill_color(GREY, GREY, GREY)
    pdf.rect(left + x0, top + y0, x1 - x0, y1 - y0, "F")
    line_y = top + y1 + 14.0
    start = left + (BOARD_MM[0] - CHECK_MM) / 2.0
    pdf.set_line_width(0.2)
    pdf.set_draw_color(0, 0, 0)
    pdf.line(start, line_y, start + CHECK_MM, line_y)
    for x in (start, start + CHECK_MM):
        pdf.line(x, line_y - 4.0, x, line_y + 4.0)
    pdf.set_text_color(0, 0, 0)
    pdf.set_font(FONT, "", 9)
    lines = (
        f"This line must measure {CHECK_MM:.0f} mm between its ticks (print at 100 %, not fitted "
        "to the page). If it does not, give what it",
        "measures: card_check_mm in blank.toml, or --card-check-mm.",
        "Cut the card out below the grey patch, glue it on something flat, and lay it beside the "
        "blank, level with the face that is",
        "photographed (on a scrap as thick as the blank) or on the bench. Any half of it may be "
        "hidden. The grey patch sets the colours.",
    )
    for k, text in enumerate(lines):
        pdf.text(start, line_y + 9.0 + 5.0 * k, text)
