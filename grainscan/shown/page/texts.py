"""The page's own words, all in one file per language: ``languages/en.toml``.

To add a language, write ``languages/<code>.toml`` with the same keys. What the library says
(reasons, notes, bench instructions) is English; it passes through the page as it is.
"""

from __future__ import annotations

import tomllib
from functools import cache
from importlib import resources

__all__ = ["LANGUAGE", "say", "texts"]

LANGUAGE = "en"


def say(key: str, /, **values: object) -> str:
    """The text of a key such as ``scan.title``, with ``{names}`` filled in."""
    section, _, name = key.partition(".")
    text = texts()[section][name]
    return text.format(**values) if values else text


@cache
def texts() -> dict[str, dict[str, str]]:
    """All texts, by section and name."""
    file = resources.files(__package__).joinpath("languages", f"{LANGUAGE}.toml")
    return tomllib.loads(file.read_text("utf-8"))
