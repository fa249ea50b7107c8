"""Reports as PDF, for printing and for handing round."""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence

from fpdf import FPDF
from fpdf.enums import TableBordersLayout, VAlign, XPos, YPos
from fpdf.fonts import FontFace

from grainscan.results import SortWord
from grainscan.stock.find import StockLine
from grainscan.stock.pdf_pages import FONT, open_pdf
from grainscan.stock.report import BlankReport
from grainscan.stock.report_parts import Figure, ReportPicture, Section
from grainscan.stock.report_words import overview_heads, overview_row

__all__ = ["report_pdf"]

_A4_MM = (210.0, 297.0)
_MARGIN_MM = 18.0
_INK = (22, 26, 30)
_GREY = (74, 79, 84)
# An end photograph is square: as wide as the text it would fill half the page.
_TALLEST_PICTURE_MM = 68.0


def report_pdf(
    reports: Iterable[BlankReport], *, title: str, overview: Sequence[StockLine] = ()
) -> bytes:
    """A document of A4 pages; each blank begins on a page of its own.

    ``overview``: blanks for a table at the start, best first; none for a report on one blank.
    """
    with open_pdf(_A4_MM, title=title) as pdf:
        pages = _Pages(pdf)
        if overview:
            pages.overview(title, overview)
        for report in reports:
            pages.blank(report)
        return bytes(pdf.output())


class _Pages:
    """The pages under way; ``pdf`` has the place where the next thing goes."""

    def __init__(self, pdf: FPDF) -> None:
        self.pdf = pdf
        self.pdf.set_margin(_MARGIN_MM)
        self.pdf.c_margin = 0.0
        self.pdf.set_auto_page_break(True, margin=_MARGIN_MM)
        self.width = _A4_MM[0] - 2 * _MARGIN_MM

    def overview(self, title: str, lines: Sequence[StockLine]) -> None:
        self.pdf.add_page()
        self._text(title, 20, "B", after=4)
        self.pdf.set_font(FONT, "", 8.5)
        with self.pdf.table(
            col_widths=(22, 16, 22, 20, 14, 18, 62),
            borders_layout=TableBordersLayout.HORIZONTAL_LINES,
            headings_style=FontFace(emphasis="BOLD"),
            line_height=4.2,
            padding=(0.8, 1.5, 0.8, 0),
            text_align="LEFT",
            v_align=VAlign.T,
        ) as table:
            table.row(overview_heads())
            for line in lines:
                table.row(overview_row(line))

    def blank(self, report: BlankReport) -> None:
        self.pdf.add_page()
        self.pdf.start_section(report.code)
        self._text(report.code, 22, "B", after=0.5)
        self._text(report.about, 10.5, "", colour=_GREY, after=3)
        self._word(report.sort)
        self._text(report.answer, 12.5, "", after=1)
        for section in report.sections:
            self._section(section)

    def _word(self, sort: SortWord | None) -> None:
        x, y, size = self.pdf.get_x(), self.pdf.get_y(), 11.0
        if sort is not None:
            _mark(self.pdf, sort, (x, y), size)
        self.pdf.set_xy(x if sort is None else x + size + 4, y)
        self.pdf.set_font(FONT, "B", 26)
        self.pdf.cell(0, size, sort or "not scanned", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        self.pdf.ln(2.5)

    def _section(self, section: Section) -> None:
        # A heading alone at the foot of a page belongs on the next one.
        self._room_for(24.0)
        self.pdf.ln(4)
        self._text(section.title, 13.5, "B", after=0)
        y = self.pdf.get_y() + 0.6
        self.pdf.set_draw_color(*_INK)
        self.pdf.set_line_width(0.4)
        self.pdf.line(_MARGIN_MM, y, _MARGIN_MM + self.width, y)
        self.pdf.ln(2.2)
        if section.figures:
            self._figures(section.figures)
        for paragraph in section.paragraphs:
            self._paragraph(paragraph, point=section.is_list)
        for picture in section.pictures:
            self._picture(picture)

    def _figures(self, figures: Sequence[Figure]) -> None:
        self.pdf.set_font(FONT, "", 10)
        with self.pdf.table(
            col_widths=(40, 58, 76),
            borders_layout=TableBordersLayout.NONE,
            first_row_as_headings=False,
            line_height=4.8,
            padding=(0.5, 2, 0.5, 0),
            text_align="LEFT",
            v_align=VAlign.T,
        ) as table:
            for figure in figures:
                row = table.row()
                row.cell(figure.name, style=FontFace(emphasis="BOLD"))
                row.cell(figure.value)
                row.cell(figure.remark)
        self.pdf.ln(1)

    def _paragraph(self, text: str, *, point: bool) -> None:
        indent = 4.0 if point else 0.0
        if point:
            self._room_for(6.0)
            self.pdf.set_fill_color(*_INK)
            self.pdf.ellipse(_MARGIN_MM + 0.6, self.pdf.get_y() + 2.0, 1.2, 1.2, style="F")
            # Tables fill their cells with the colour that was set last.
            self.pdf.set_fill_color(255)
        self._text(text, 10.5, "", indent=indent, after=0.8)

    def _picture(self, picture: ReportPicture) -> None:
        from PIL import Image

        with Image.open(io.BytesIO(picture.jpeg)) as image:
            wide, high = image.size
        width = min(self.width, _TALLEST_PICTURE_MM * wide / high)
        self._room_for(width * high / wide + 14.0)
        self.pdf.ln(1.5)
        self.pdf.image(
            io.BytesIO(picture.jpeg), w=width, alt_text=f"{picture.title}: {picture.words}"
        )
        self.pdf.ln(1)
        self._text(f"{picture.title}. {picture.words}", 9.5, "", after=2)

    def _text(
        self,
        text: str,
        size_pt: float,
        style: str,
        *,
        after: float,
        indent: float = 0.0,
        colour: tuple[int, int, int] = _INK,
    ) -> None:
        self.pdf.set_font(FONT, style, size_pt)
        self.pdf.set_text_color(*colour)
        self.pdf.set_x(_MARGIN_MM + indent)
        self.pdf.multi_cell(
            self.width - indent,
            size_pt * 0.47,
            text,
            align="L",
            new_x=XPos.LMARGIN,
            new_y=YPos.NEXT,
        )
        self.pdf.set_text_color(*_INK)
        self.pdf.ln(after)

    def _room_for(self, height: float) -> None:
        if self.pdf.get_y() + height > _A4_MM[1] - _MARGIN_MM:
            self.pdf.add_page()


def _mark(pdf: FPDF, sort: SortWord, corner: tuple[float, float], size: float) -> None:
    """Keep: a disc with a tick. Check: a triangle. Set aside: a square with a cross."""
    x, y = corner

    def at(u: float, v: float) -> tuple[float, float]:
        return (x + u * size, y + v * size)

    pdf.set_fill_color(*_INK)
    pdf.set_draw_color(255)
    pdf.set_line_width(0.11 * size)
    if sort == "keep":
        pdf.ellipse(x, y, size, size, style="F")
        pdf.polyline([at(0.27, 0.52), at(0.44, 0.69), at(0.74, 0.33)])
    elif sort == "check":
        pdf.polygon([at(0.5, 0.03), at(1.0, 0.95), at(0.0, 0.95)], style="F")
        pdf.line(*at(0.5, 0.38), *at(0.5, 0.64))
        pdf.line(*at(0.5, 0.76), *at(0.5, 0.84))
    else:
        pdf.rect(x, y, size, size, style="F")
        pdf.line(*at(0.27, 0.27), *at(0.73, 0.73))
        pdf.line(*at(0.73, 0.27), *at(0.27, 0.73))
    pdf.set_draw_color(*_INK)
    pdf.set_fill_color(255)
