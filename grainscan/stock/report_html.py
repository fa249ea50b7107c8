"""Reports as one HTML file that needs nothing else: pictures are inside it."""

from __future__ import annotations

import base64
from collections.abc import Iterable, Iterator
from html import escape

from grainscan.results import SortWord
from grainscan.stock.find import StockLine
from grainscan.stock.report import BlankReport
from grainscan.stock.report_parts import Figure, ReportPicture, Section
from grainscan.stock.report_words import overview_heads, overview_row

__all__ = ["report_html"]

_STYLE = """
body { font: 17px/1.5 system-ui, sans-serif; color: #16191c; background: #fff;
  max-width: 60rem; margin: 0 auto; padding: 1.5rem; }
h1 { font-size: 1.9rem; margin: 0; }
h2 { font-size: 1.25rem; margin: 2rem 0 0.4rem; border-bottom: 2px solid #16191c; }
.word { display: flex; align-items: center; gap: 0.8rem; font-size: 2.4rem; font-weight: 700;
  margin: 1rem 0 0.2rem; }
.word svg { width: 3rem; height: 3rem; flex: none; }
.answer { font-size: 1.2rem; margin: 0; }
.about { color: #4a4f54; margin: 0.2rem 0 0; }
figure { margin: 1.2rem 0; }
img { max-width: 100%; max-height: 32rem; width: auto; height: auto; display: block;
  border: 1px solid #16191c; }
figcaption { margin-top: 0.3rem; }
table { border-collapse: collapse; width: 100%; margin: 0.6rem 0; }
th, td { text-align: left; vertical-align: top; padding: 0.3rem 0.8rem 0.3rem 0;
  border-bottom: 1px solid #b9bec3; }
.wide { overflow-x: auto; }
a { color: #1054a8; }
article { margin: 3rem 0 4rem; }
td a { white-space: nowrap; }
li { overflow-wrap: anywhere; }
@media print { article { break-before: page; } figure, tr { break-inside: avoid; } }
"""
_SHAPES: dict[SortWord, str] = {
    "keep": '<circle cx="50" cy="50" r="46"/><path d="M27 52 L44 69 L74 33" fill="none" '
    'stroke="#fff" stroke-width="11"/>',
    "check": '<path d="M50 5 L97 92 L3 92 Z"/><path d="M50 34 V64 M50 72 V83" stroke="#fff" '
    'stroke-width="11"/>',
    "set aside": '<rect x="5" y="5" width="90" height="90"/><path d="M27 27 L73 73 M73 27 L27 73" '
    'stroke="#fff" stroke-width="11"/>',
}


def report_html(
    reports: Iterable[BlankReport], *, title: str, overview: Iterable[StockLine] = ()
) -> Iterator[str]:
    """The page piece by piece, so that a long batch need not be in memory at once.

    Parameters
    ----------
    overview
        Blanks for a table at the start, best first; none for a report on one blank.

    Yields
    ------
    str
        Pieces of one UTF-8 page; every text from a person or a file is escaped.
    """
    yield (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        # The page may show nothing but itself, whatever a name in it holds.
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; '
        "img-src data:; style-src 'unsafe-inline'\">\n"
        f"<title>{escape(title)}</title>\n<style>{_STYLE}</style>\n</head>\n<body>\n<main>\n"
    )
    lines = list(overview)
    if lines:
        yield from _overview(title, lines)
    for report in reports:
        yield from _article(report, alone=not lines)
    yield "</main>\n</body>\n</html>\n"


def _overview(title: str, lines: list[StockLine]) -> Iterator[str]:
    yield f"<h1>{escape(title)}</h1>\n<div class='wide'><table>\n<thead><tr>"
    yield "".join(f'<th scope="col">{escape(head)}</th>' for head in overview_heads())
    yield "</tr></thead>\n<tbody>\n"
    for line in lines:
        code, *cells = overview_row(line)
        link = f'<td><a href="#{_anchor(line.code)}">{escape(code)}</a></td>'
        yield f"<tr>{link}{''.join(f'<td>{escape(cell)}</td>' for cell in cells)}</tr>\n"
    yield "</tbody></table></div>\n"


def _article(report: BlankReport, *, alone: bool) -> Iterator[str]:
    heading = "h1" if alone else "h1 class='blank'"
    shape = "" if report.sort is None else _mark(report.sort)
    yield (
        f'<article id="{_anchor(report.code)}">\n<{heading}>{escape(report.code)}</h1>\n'
        f'<p class="about">{escape(report.about)}</p>\n'
        f'<p class="word">{shape}<span>{escape(report.sort or "not scanned")}</span></p>\n'
        f'<p class="answer">{escape(report.answer)}</p>\n'
    )
    for section in report.sections:
        yield from _section(section)
    yield "</article>\n"


def _section(section: Section) -> Iterator[str]:
    yield f"<section>\n<h2>{escape(section.title)}</h2>\n"
    if section.figures:
        yield f"<table><tbody>\n{''.join(_figure(f) for f in section.figures)}</tbody></table>\n"
    if section.is_list and section.paragraphs:
        yield f"<ul>\n{''.join(f'<li>{escape(p)}</li>' for p in section.paragraphs)}\n</ul>\n"
    else:
        yield "".join(f"<p>{escape(p)}</p>\n" for p in section.paragraphs)
    for picture in section.pictures:
        yield _picture(picture)
    yield "</section>\n"


def _figure(figure: Figure) -> str:
    return (
        f'<tr><th scope="row">{escape(figure.name)}</th><td>{escape(figure.value)}</td>'
        f"<td>{escape(figure.remark)}</td></tr>\n"
    )


def _picture(picture: ReportPicture) -> str:
    data = base64.b64encode(picture.jpeg).decode("ascii")
    alt = escape(f"{picture.title}: {picture.words}", quote=True)
    return (
        f'<figure><img alt="{alt}" src="data:image/jpeg;base64,{data}">'
        f"<figcaption><strong>{escape(picture.title)}.</strong> {escape(picture.words)}"
        "</figcaption></figure>\n"
    )


def _mark(sort: SortWord) -> str:
    return f'<svg viewBox="0 0 100 100" aria-hidden="true" fill="#16191c">{_SHAPES[sort]}</svg>'


def _anchor(code: str) -> str:
    """A name for a place in the page, of letters that need no escaping."""
    return f"blank-{code.encode().hex()}"
