"""Every error grainscan raises on purpose.

::

    GrainscanError            one line that says what to do; safe to show to a user
    ├── PhotoError            this file cannot be read as a photograph
    ├── BlankNotFoundError    no blank, or more than one, can be told from its background
    ├── RecordError           a blank.toml (or other text the user wrote) has a wrong entry
    ├── InputError            a wrong number or word on the command line or in a form
    └── BookError             the stock book cannot be opened, read or written
"""

from __future__ import annotations

__all__ = [
    "BlankNotFoundError",
    "BookError",
    "GrainscanError",
    "InputError",
    "PhotoError",
    "RecordError",
]


class GrainscanError(Exception):
    """Base of all errors meant for the user: ``str(error)`` is one line saying what to do."""


class PhotoError(GrainscanError):
    """The file cannot be read as a photograph."""


class BlankNotFoundError(GrainscanError):
    """The blank cannot be told from its background in this photograph."""


class RecordError(GrainscanError):
    """A text file written by the user (such as ``blank.toml``) has a wrong entry."""


class InputError(GrainscanError):
    """A number or word given on the command line or in a form cannot be used."""


class BookError(GrainscanError):
    """The stock book, or its photographs, cannot be opened, read or written."""
