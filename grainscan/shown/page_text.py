"""Texts and the look of the page, in one place."""

from __future__ import annotations

import base64
import re

from grainscan.results import SortWord

__all__ = ["CAUTIONS", "HOW_TO_PHOTOGRAPH", "STYLE", "as_text", "sort_mark"]

STYLE = """
<style>
.stMainBlockContainer { max-width: 68rem; padding-top: 2.5rem; }
.answer { display: flex; gap: 1.4rem; align-items: center; padding: 1.3rem 1.5rem;
  border: 3px solid #16191c; border-radius: 6px; background: #ffffff; color: #16191c; }
.answer img { width: 5.6rem; height: 5.6rem; flex: none; }
.answer .word { font-size: 3.4rem; font-weight: 700; line-height: 1; }
.answer .slope { font-size: 1.6rem; line-height: 1.25; margin-top: 0.5rem; }
.answer .why { font-size: 1.05rem; line-height: 1.4; margin-top: 0.4rem; }
[data-testid="stCaptionContainer"], [data-testid="stCaptionContainer"] p {
  color: #4a4f54; opacity: 1; }
@media (max-width: 640px) {
  .answer { gap: 0.9rem; padding: 0.9rem; align-items: flex-start; }
  .answer img { width: 3.6rem; height: 3.6rem; }
  .answer .word { font-size: 2.6rem; }
  .answer .slope { font-size: 1.3rem; }
}
</style>
"""

HOW_TO_PHOTOGRAPH = """
Lay the blank across the picture on a plain background, its length left to right, and mark one
end with a pencil. The marked end stays on the right.

1. **Face A** up.
2. **Face B**: roll the blank a quarter turn away from you. The face that lay along the bottom
   edge of the first picture is now up.
3. **End**: the marked end, looked at squarely, face A on top.

Fill the width of the picture, hold the phone level above the middle, no flash, light from the
side. One face alone gives only a lower bound of the slope.
"""

CAUTIONS = """
**Before you rely on it.** A photograph cannot see inside the wood: knots, checks, decay and
compression failures may be hidden. A sorted blank is not a graded structural member. For
ladders, handles, bats and parts of buildings the applicable standard, the local code and
licensed practice decide. Drawknives, froes and axes are sharp: clamp the work and cut away from
yourself.
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
    svg = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 100 100">{_SHAPES[sort]}</svg>'
    data = base64.b64encode(svg.encode("ascii")).decode("ascii")
    return f'<img alt="" src="data:image/svg+xml;base64,{data}">'


def as_text(text: str) -> str:
    """Text that the page shows as it is, whatever marks of formatting a file name holds."""
    return re.sub(r"([!-/:-@\[-`{-~])", r"\\\1", text)
