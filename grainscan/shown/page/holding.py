"""Small drawings of how to hold the blank for each photograph."""

from __future__ import annotations

from grainscan.scan import Side
from grainscan.shown.page.look import svg_image
from grainscan.shown.page.texts import say

__all__ = ["holding_picture"]

_INK, _WOOD, _PALE, _RUST = "#16191c", "#e3cfa4", "#fbfaf7", "#b43a0c"


def holding_picture(side: Side) -> str:
    """The drawing for one side as an image element."""
    body = {"face_a": _face("A", turned=False), "face_b": _face("B", turned=True), "end": _end()}[
        side
    ]
    svg = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 260 150">'
        f'<rect x="2" y="2" width="256" height="146" rx="6" fill="{_PALE}" stroke="{_INK}" '
        f'stroke-width="2"/>{body}</svg>'
    )
    return svg_image(svg, say(f"scan.alt_{side}"))


def _face(letter: str, *, turned: bool) -> str:
    lines = "".join(
        f'<path d="M26 {y} C90 {y - 3} 160 {y + 2} 222 {y - 2}" fill="none" stroke="{_INK}" '
        'stroke-opacity="0.35" stroke-width="1.2"/>'
        for y in (68, 76, 84)
    )
    turn = (
        f'<path d="M120 128 C170 128 178 112 176 104" fill="none" stroke="{_RUST}" '
        f'stroke-width="4"/><path d="M168 108 L177 98 L184 110 Z" fill="{_RUST}"/>'
        if turned
        else ""
    )
    return (
        f'<rect x="24" y="58" width="200" height="36" fill="{_WOOD}" stroke="{_INK}" '
        f'stroke-width="2"/>{lines}'
        f'<path d="M214 62 L220 90 M220 62 L214 90" stroke="{_INK}" stroke-width="2.5"/>'
        f"{_letter(letter, 122, 84)}{turn}"
    )


def _end() -> str:
    rings = "".join(
        f'<path d="M86 {y} Q130 {y - 16} 174 {y}" fill="none" stroke="{_INK}" '
        'stroke-opacity="0.55" stroke-width="1.5"/>'
        for y in range(52, 122, 11)
    )
    return (
        f'<rect x="86" y="30" width="88" height="90" fill="{_WOOD}" stroke="{_INK}" '
        'stroke-width="2"/><clipPath id="c"><rect x="86" y="30" width="88" height="90"/>'
        "</clipPath>"
        f'<g clip-path="url(#c)">{rings}</g>'
        f"{_letter('A', 130, 22)}{_letter('B', 68, 82)}"
    )


def _letter(letter: str, x: int, y: int) -> str:
    return (
        f'<text x="{x}" y="{y}" text-anchor="middle" font-family="sans-serif" font-weight="700" '
        f'font-size="24" fill="{_INK}">{letter}</text>'
    )
