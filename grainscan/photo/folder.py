"""Find the blanks in folders, and tell each blank's photographs apart by their names."""

from __future__ import annotations

import dataclasses
import os
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, get_args

from grainscan.by_hand import ByHand
from grainscan.errors import GrainscanError, InputError
from grainscan.photo.record import RECORD_NAME, read_corrections, read_record
from grainscan.results import BlankRecord
from grainscan.wording import plain_name, sentence_list

__all__ = [
    "BlankPhotos",
    "Role",
    "blank_from_files",
    "find_blanks",
    "is_photograph",
    "read_blank_folder",
    "role_of",
]

_Place = tuple[int, int]
Role = Literal["face_a", "face_b", "end"]

_PHOTO_ENDINGS = {
    ".heic", ".heif", ".jpe", ".jpeg", ".jpg", ".png", ".tif", ".tiff", ".webp",
}  # fmt: skip
_ROLES = {
    "end": re.compile(r"end.*", re.IGNORECASE | re.DOTALL),
    "face_a": re.compile(r"face[-_ ]?a.*|a", re.IGNORECASE | re.DOTALL),
    "face_b": re.compile(r"face[-_ ]?b.*|b", re.IGNORECASE | re.DOTALL),
}
_PART = re.compile(r"(.*?)[-_ ]?(\d{1,2})", re.DOTALL)
_ROLE_WORDS = {"end": "the end", "face_a": "face A", "face_b": "face B"}
# A link in a batch may lead to the whole disk.
_MOST_FOLDERS = 100_000
_HOW_TO_NAME = "Name them face-a, face-b and end (such as face-a.jpg)."


@dataclass(frozen=True, slots=True)
class BlankPhotos:
    """The photographs of one blank and its record.

    A missing photograph is None. ``problems`` has one line for each thing that keeps the
    blank or one of its photographs from being used, such as a wrong entry in its record;
    ``usable`` is False where nothing should be measured because of it. ``more_a``,
    ``more_b``: further photographs of a long face, ``face-a-2`` and on, which overlap, in order
    from the left end. ``by_hand``: outlines that the record or the command line gives.
    """

    name: str
    folder: Path | None
    end: Path | None
    face_a: Path | None
    face_b: Path | None
    record: BlankRecord
    problems: tuple[str, ...] = ()
    usable: bool = True
    more_a: tuple[Path, ...] = ()
    more_b: tuple[Path, ...] = ()
    by_hand: ByHand = dataclasses.field(default_factory=ByHand)


def find_blanks(paths: Iterable[Path]) -> list[BlankPhotos]:
    """Every blank in these folders, in the order given and by name within a folder.

    A folder holding photographs is a blank; a folder of folders is a batch, searched to its
    bottom. A path or a folder that cannot be used becomes a blank with its ``problems``, so
    that the rest of a batch goes on. Hidden files and folders are left out; a folder reached
    twice through links is taken once.
    """
    seen: set[_Place] = set()
    found: list[BlankPhotos] = []
    for path in paths:
        found.extend(_search(path, seen) or [_unusable(path, _nothing_here(path))])
    return found


def read_blank_folder(folder: Path) -> BlankPhotos:
    """The photographs and the record in one blank's folder.

    Raises
    ------
    InputError
        The path is no folder, or no photograph in it is named as a face or an end.
    RecordError
        Its ``blank.toml`` has a wrong entry.
    """
    photos = _photo_names(folder)
    if not photos:
        raise InputError(_nothing_here(folder))
    roles: dict[str, Path | None] = {}
    more: dict[str, tuple[Path, ...]] = {}
    problems: list[str] = []
    for role, pattern in _ROLES.items():
        matching = [path for path in photos if pattern.fullmatch(path.stem)]
        in_order = _numbered(matching)
        roles[role] = matching[0] if len(matching) == 1 or in_order else None
        if in_order and role != "end":
            more[role] = tuple(matching[1:])
        elif len(matching) > 1:
            roles[role] = None
            problems.append(_too_many(role, matching))
    if not any(roles.values()) and not problems:
        raise InputError(
            f"{plain_name(folder.name)}: none of the {len(photos)} photographs is named as a face "
            f"or an end. {_HOW_TO_NAME}"
        )
    name = _name_of(folder)
    record_path = folder / RECORD_NAME
    # Whatever lies there under that name: a pipe or a broken link is said, not passed over.
    has_record = os.path.lexists(record_path)
    record = read_record(record_path, blank=name) if has_record else BlankRecord(blank=name)
    by_hand = read_corrections(record_path) if has_record else ByHand()
    return BlankPhotos(
        name=name,
        folder=folder,
        end=roles["end"],
        face_a=roles["face_a"],
        face_b=roles["face_b"],
        record=record,
        problems=tuple(problems),
        more_a=more.get("face_a", ()),
        more_b=more.get("face_b", ()),
        by_hand=by_hand,
    )


def blank_from_files(
    *, end: Path | None = None, face_a: Path | None = None, face_b: Path | None = None
) -> BlankPhotos:
    """A blank from single files, at least one; it is named after the first of them.

    A file with a plain role name, such as ``face-a.jpg``, gives the blank its folder's name.

    Raises
    ------
    InputError
        No file is given, or the same file twice.
    """
    files = [path for path in (face_a, face_b, end) if path is not None]
    if not files:
        raise InputError("Give at least one photograph: --face-a, --face-b or --end.")
    if len({path.resolve() for path in files}) < len(files):
        raise InputError("The same file is given twice. Each photograph shows one side.")
    first = files[0]
    is_role = any(pattern.fullmatch(first.stem) for pattern in _ROLES.values())
    name = _name_of(first.parent) if is_role else plain_name(first.stem)
    return BlankPhotos(name, None, end, face_a, face_b, BlankRecord(blank=name))


def role_of(name: str) -> Role | None:
    """The side that a photograph's file name says, such as ``face-a.jpg``; None if it says none."""
    stem = Path(name).stem
    return next((role for role in get_args(Role) if _ROLES[role].fullmatch(stem)), None)


def is_photograph(name: str) -> bool:
    """Whether a file's name ends like a photograph's and is not hidden."""
    return Path(name).suffix.lower() in _PHOTO_ENDINGS and not name.startswith(".")


def _search(top: Path, seen: set[_Place]) -> list[BlankPhotos]:
    """The blanks below a folder in order; folders still to be looked at wait in a list.

    Folders may lie a thousand deep, so the search does not call itself. A link to a folder that
    holds ``top`` itself, such as the whole disk, leads round in a circle and is not followed.
    """
    found: list[BlankPhotos] = []
    waiting = [top]
    above = _above(top)
    while waiting:
        path = waiting.pop()
        try:
            blank, folders = _look_into(path, seen, above)
        except GrainscanError as error:
            found.append(_unusable(path, str(error)))
            continue
        except (OSError, ValueError) as error:
            reason = getattr(error, "strerror", None) or "its name is not valid"
            line = f"{plain_name(path.name)}: the folder cannot be read ({reason})."
            found.append(_unusable(path, line))
            continue
        if blank is not None:
            found.append(blank)
        waiting.extend(reversed(folders))
        if len(seen) > _MOST_FOLDERS:
            line = f"{plain_name(str(top))}: more than {_MOST_FOLDERS} folders. Give fewer at once."
            found.append(_unusable(top, line))
            break
    return found


def _above(path: Path) -> set[_Place]:
    try:
        return {_place(folder) for folder in path.resolve().parents}
    except (OSError, RuntimeError, ValueError):
        return set()  # a link to itself, or no name of a file: looking into it says so


def _place(path: Path) -> _Place:
    """Device and file number: the same for one folder, by whatever links it was reached."""
    status = path.stat()
    return status.st_dev, status.st_ino


def _look_into(
    path: Path, seen: set[_Place], above: set[_Place]
) -> tuple[BlankPhotos | None, list[Path]]:
    """The blank that the folder is, or the folders in it; nothing where it was seen before."""
    if not path.is_dir():
        raise InputError(_no_folder(path))
    place = _place(path)
    if place in seen or place in above:
        return None, []
    seen.add(place)
    folders = sorted(filter(_may_hold_blanks, path.iterdir()), key=_by_number)
    if _holds_a_blank(path, alone=not folders):
        return read_blank_folder(path), []
    return None, folders


def _may_hold_blanks(path: Path) -> bool:
    hidden = path.name.startswith(".")
    return not hidden and path.is_dir() and not _stands_for_photograph(path)


def _holds_a_blank(folder: Path, *, alone: bool) -> bool:
    """Whether the folder is a blank's own: photographs with role names, or a record.

    A picture with another name beside folders of blanks (a picture of the whole rack) does
    not make the rack a blank; in a folder without folders it is a blank named wrongly.
    """
    photos = _photo_names(folder)
    named = any(pattern.fullmatch(p.stem) for p in photos for pattern in _ROLES.values())
    return named or (folder / RECORD_NAME).exists() or (alone and bool(photos))


def _photo_names(folder: Path) -> list[Path]:
    if not folder.is_dir():
        raise InputError(_no_folder(folder))
    return sorted(filter(_stands_for_photograph, folder.iterdir()), key=_by_number)


def _stands_for_photograph(path: Path) -> bool:
    """A folder named ``face-a.jpg`` is taken as well, so that reading it says what it is."""
    return is_photograph(path.name) and (role_of(path.name) is not None or not path.is_dir())


def _numbered(paths: list[Path]) -> bool:
    """Whether files are numbered 1, 2, … and otherwise of one name."""
    found = [_PART.fullmatch(path.stem) for path in paths]
    starts = {match[1].lower() for match in found if match}
    numbers = [int(match[2]) for match in found if match]
    together = len(paths) > 1 and len(starts) == 1
    return together and numbers == list(range(1, len(paths) + 1))


def _too_many(role: str, matching: list[Path]) -> str:
    names = sentence_list(plain_name(path.name) for path in matching[:4])
    return (
        f"{names} are all named as {_ROLE_WORDS[role]}. Keep the one that shows the whole side, or "
        "number the photographs of a long face from its left end: face-a-1, face-a-2 and on."
    )


def _unusable(path: Path, problem: str) -> BlankPhotos:
    name = _name_of(path)
    return BlankPhotos(
        name=name,
        folder=path,
        end=None,
        face_a=None,
        face_b=None,
        record=BlankRecord(blank=name),
        problems=(problem,),
        usable=False,
    )


def _no_folder(path: Path) -> str:
    shown = plain_name(str(path))
    if path.exists():
        return (
            f"{shown}: this is a file, not a folder. Give the blank's folder, or name the file "
            "with --face-a, --face-b or --end."
        )
    return f"{shown}: there is no such folder. Check the name."


def _nothing_here(path: Path) -> str:
    return f"{plain_name(str(path))}: no photographs here. {_HOW_TO_NAME}"


def _name_of(folder: Path) -> str:
    name = folder.name if folder.name not in ("", "..") else folder.resolve().name
    return plain_name(name) or "blank"


def _by_number(path: Path) -> list[tuple[int, int, str]]:
    """Sort key by which ash-2 comes before ash-10."""
    pieces = re.split(r"(\d+)", path.name.lower())
    return [(int(p[:15]), len(p), "") if p.isdecimal() else (-1, 0, p) for p in pieces]
