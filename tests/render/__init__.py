"""Renders photographs of blanks whose truth is known. Stands apart from the code under test."""

from tests.render.files import write_blank
from tests.render.shoot import RenderedBlank, render_blank
from tests.render.spec import BlankSpec, Knot, PhotoSpec, random_blank, random_photo

__all__ = [
    "BlankSpec",
    "Knot",
    "PhotoSpec",
    "RenderedBlank",
    "random_blank",
    "random_photo",
    "render_blank",
    "write_blank",
]
