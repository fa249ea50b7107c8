"""What a report is made of; nothing here knows where it comes from or how it is laid out."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Figure", "ReportPicture", "Section"]


@dataclass(frozen=True, slots=True)
class ReportPicture:
    """A photograph with what was found on it, as JPEG, and the sentence below it."""

    title: str
    words: str
    jpeg: bytes


@dataclass(frozen=True, slots=True)
class Figure:
    """One measured thing: its name, its value in words, and where it comes from or how sure."""

    name: str
    value: str
    remark: str = ""


@dataclass(frozen=True, slots=True)
class Section:
    """A heading with paragraphs, or a list where each stands for itself, and figures."""

    title: str
    paragraphs: tuple[str, ...] = ()
    is_list: bool = False
    figures: tuple[Figure, ...] = ()
    pictures: tuple[ReportPicture, ...] = ()
