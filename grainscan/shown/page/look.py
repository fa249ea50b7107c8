"""The look of the page: its style, the shape of each sorting word, text that stays text."""

from __future__ import annotations

import base64
import re
from collections.abc import Sequence
from html import escape

import streamlit as st

from grainscan.results import SortWord

__all__ = ["STYLE", "answer_card", "as_text", "sort_mark", "table"]

STYLE = """
<style>
.stMainBlockContainer { max-width: 68rem; padding-top: 1.2rem; }
.st-key-steps { border-bottom: 2px solid #16191c; padding-bottom: 0.4rem; gap: 0.2rem; }
.st-key-steps a { min-height: 2.6rem; padding: 0.3rem 0.7rem; border-radius: 4px; }
.st-key-steps a p { font-size: 1.05rem; color: #16191c; }
.st-key-steps a:hover, .st-key-step_here a { background: #dcd6c6; }
.st-key-step_here a p { font-weight: 700; text-decoration: underline; text-underline-offset: 4px; }
h1 { font-size: 2.1rem !important; }
h2 { font-size: 1.5rem !important; }
.answer { display: flex; gap: 1.4rem; align-items: center; padding: 1.3rem 1.5rem;
  border: 3px solid #16191c; border-radius: 6px; background: #ffffff; color: #16191c; }
.answer img { width: 7rem; height: 7rem; flex: none; }
.answer .word { font-size: 4.6rem; font-weight: 700; line-height: 1; }
.answer .slope { font-size: 2.3rem; font-weight: 600; line-height: 1.15; margin-top: 0.5rem; }
.answer .range { font-size: 1.1rem; line-height: 1.3; margin-top: 0.15rem; }
.answer .why { font-size: 1.25rem; line-height: 1.35; margin-top: 0.5rem; }
.stock { width: 100%; border-collapse: collapse; background: #ffffff; color: #16191c;
  font-size: 1rem; }
.stock th, .stock td { text-align: left; vertical-align: top; padding: 0.45rem 0.6rem;
  border-bottom: 1px solid #b9b4a8; }
.stock th { border-bottom: 2px solid #16191c; }
.stock img { width: 1.1rem; height: 1.1rem; vertical-align: -0.15rem; margin-right: 0.35rem; }
.stock .nowrap { white-space: nowrap; }
.across { overflow-x: auto; border: 1px solid #b9b4a8; border-radius: 4px; }
.across:focus-visible { outline: 3px solid #1b4f8f; }
.hold { display: flex; gap: 1rem; align-items: center; }
.hold img { width: 13rem; max-width: 45%; flex: none; }
.words { background: #ffffff; color: #16191c; padding: 0.8rem 1rem; border: 1px solid #b9b4a8;
  border-radius: 4px; line-height: 1.45; overflow-wrap: anywhere; }
.words p { margin: 0 0 0.3rem 0; min-height: 0.5rem; }
.words .in1 { padding-left: 1rem; } .words .in2 { padding-left: 2rem; }
.words .in3, .words .in4 { padding-left: 3rem; }
.words .in0 { font-weight: 600; }
[data-testid="stCaptionContainer"], [data-testid="stCaptionContainer"] p {
  color: #4a4f54; opacity: 1; }
@media (max-width: 640px) {
  .stMainBlockContainer { padding-left: 0.8rem; padding-right: 0.8rem; }
  h1 { font-size: 1.7rem !important; padding-top: 0.2rem !important; }
  .answer { gap: 0.8rem; padding: 0.9rem; align-items: flex-start; }
  .answer img { width: 4.4rem; height: 4.4rem; }
  .answer .word { font-size: 3.1rem; }
  .answer .slope { font-size: 1.65rem; }
  .answer .why { font-size: 1.1rem; }
  .stock thead { position: absolute; width: 1px; height: 1px; overflow: hidden;
    clip-path: inset(50%); }
  .stock tr { display: block; padding: 0.5rem 0.6rem; border-bottom: 2px solid #16191c; }
  .stock td { display: block; padding: 0.1rem 0; border: 0; }
  .stock td[data-head]:not(:empty)::before { content: attr(data-head) ": "; font-weight: 600; }
  .stock td:first-child { font-size: 1.3rem; font-weight: 700; }
}
</style>
"""

_SHAPES: dict[SortWord, str] = {
    "keep": '<circle cx="50" cy="50" r="46" fill="#16191c"/>'
    '<path d="M27 52 L44 69 L74 33" fill="none" stroke="#fff" stroke-width="11"/>',
    "check": '<path d="M50 5 L97 92 L3 92 Z" fill="#16191c"/>'
    '<path d="M50 34 V64 M50 72 V83" stroke="#fff" stroke-width="11"/>',
    "set aside": '<rect x="5" y="5" width="90" height="90" fill="#16191c"/>'
    '<path d="M27 27 L73 73 M73 27 L27 73" stroke="#fff" stroke-width="11"/>',
}


def sort_mark(sort: SortWord) -> str:
    """The word's shape, as an image element: the page's own cleaning of HTML drops bare SVG.

    Keep: a disc with a tick. Check: a triangle. Set aside: a square with a cross.
    """
    return svg_image(
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 100 100">{_SHAPES[sort]}</svg>', ""
    )


def svg_image(svg: str, alt: str) -> str:
    """A drawing of ours as an image element."""
    data = base64.b64encode(svg.encode("utf-8")).decode("ascii")
    return f'<img alt="{escape(alt, quote=True)}" src="data:image/svg+xml;base64,{data}">'


def answer_card(sort: SortWord, slope: str, interval: str, why: str) -> None:
    """The answer: the word with its shape, the slope, one reason; to be read from two metres."""
    st.html(
        f'<div class="answer" role="status">{sort_mark(sort)}<div>'
        f'<div class="word">{escape(sort)}</div>'
        f'<div class="slope">{escape(slope)}</div>'
        f'<div class="range">{escape(interval)}</div>'
        f'<div class="why">{escape(why)}</div></div></div>'
    )


def table(
    heads: Sequence[str],
    rows: Sequence[Sequence[str]],
    *,
    name: str,
    sorts: Sequence[SortWord | None],
) -> None:
    """A table of texts; the first cell of a row has the shape of its sorting word before it."""
    parts = [
        f'<div class="across" tabindex="0" role="region" aria-label="{escape(name, quote=True)}">'
    ]
    parts.append('<table class="stock"><thead><tr>')
    parts += [f'<th scope="col">{escape(head)}</th>' for head in heads]
    parts.append("</tr></thead><tbody>")
    for row, sort in zip(rows, sorts, strict=True):
        mark = "" if sort is None else sort_mark(sort)
        first, *rest = row
        parts.append(f'<tr><td class="nowrap">{mark}{escape(first)}</td>')
        parts += [
            f'<td data-head="{escape(head, quote=True)}">{escape(cell)}</td>'
            for head, cell in zip(heads[1:], rest, strict=True)
        ]
        parts.append("</tr>")
    parts.append("</tbody></table></div>")
    st.html("".join(parts))


def as_text(text: str) -> str:
    """Text that the page shows as it is, whatever marks of formatting a file name holds."""
    return re.sub(r"([!-/:-@\[-`{-~])", r"\\\1", text)
