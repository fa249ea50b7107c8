"""PDF pages with a font that knows more than western letters."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from importlib import resources

from fpdf import FPDF
from fpdf.fonts import TTFFont

__all__ = ["FONT", "fitted", "open_pdf"]

FONT = "sans"
# Below this nobody reads a label at arm's length.
_SMALLEST_PT = 5.0


@contextlib.contextmanager
def open_pdf(page_mm: tuple[float, float], *, title: str) -> Iterator[FPDF]:
    """An empty document with pages of that width and height, and its fonts set up.

    Names of people and places may hold any Latin, Greek or Cyrillic letter, which the fonts
    built into PDF do not have; Source Sans (SIL Open Font License) has them.
    """
    pdf = FPDF(unit="mm", format=page_mm)
    try:
        files = resources.files("font_source_sans_pro") / "files"
        for style, name in (("", "Regular"), ("B", "Bold")):
            with resources.as_file(files / f"SourceSansPro-{name}.ttf") as path:
                pdf.add_font(FONT, style, path)
        pdf.set_title(title)
        pdf.set_lang("en")
        pdf.set_creator("grainscan")
        pdf.set_auto_page_break(False)
        yield pdf
    finally:
        # The library keeps its fonts' files open.
        for font in pdf.fonts.values():
            if isinstance(font, TTFFont):
                font.close()


def fitted(pdf: FPDF, text: str, width_mm: float, size_pt: float, style: str = "") -> str:
    """Set the largest font up to ``size_pt`` in which the text fits; the text, cut if need be."""
    size = size_pt
    pdf.set_font(FONT, style, size)
    natural = pdf.get_string_width(text)
    if natural > width_mm:
        # A hair smaller, for widths are rounded.
        size = max(0.998 * size_pt * width_mm / natural, _SMALLEST_PT)
        pdf.set_font(FONT, style, size)
    while text and pdf.get_string_width(text) > width_mm:
        text = f"{text.rstrip('…')[:-1].rstrip()}…" if len(text) > 1 else ""
    return text
