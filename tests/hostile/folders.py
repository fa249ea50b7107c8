"""Folders that are hard to look through, each with a good blank beside what is bad in it."""

from __future__ import annotations

import os
import socket
from collections.abc import Callable
from pathlib import Path

from tests.hostile.pictures import good, side

Make = Callable[[Path], int]
"""Fills a folder and returns how many blanks in it cannot be measured."""

ODD_NAMES = {
    "line-break": b"ash\n7",
    "return": b"ash\r7",
    "no-utf-8": b"ash\xff\xfe7",
    "escape-codes": b"\x1b[31mash\x1b]0;title\x07",
    "eight-bit-escape": "\x9b31mash".encode(),
    "right-to-left": "\u202eash\u202c".encode(),
    "dash": b"--limit",
    "percent": b"%s%n{0}{ash}",
    "markup": b"[bold]ash[red]&amp;",
    "quotes": b"'ash' \"7\" `id` $(id) ;",
    "long": b"a" * 255,
    "wide": "\U0001f332梣".encode() * 20,
    "blank": b"   ",
    "dots": b"...ash...",
}


def good_blank(folder: Path, sides: tuple[str, ...] = ("face-a",)) -> None:
    """A blank that can be measured; one face of it is enough to see that a batch went on."""
    folder.mkdir(parents=True)
    for name in sides:
        (folder / f"{name}.jpg").write_bytes(good(name))


def _odd_names(folder: Path) -> int:
    for name in ODD_NAMES.values():
        place = os.fsencode(folder) + b"/" + name
        os.mkdir(place)  # noqa: PTH102
        with open(place + b"/face-a.jpg", "wb") as file:  # noqa: PTH123
            file.write(b"shopping list")
    hidden = sum(name.startswith(b".") for name in ODD_NAMES.values())
    return len(ODD_NAMES) - hidden


def _odd_photograph_names(folder: Path) -> int:
    place = folder / "bad"
    place.mkdir()
    for ending in (b"", b"\n.jpg", b"-\xff.jpg", b"-\x1b[31m.jpg"):
        with open(os.fsencode(place) + b"/face-a" + (ending or b".jpg"), "wb") as file:  # noqa: PTH123
            file.write(good())
    return 1


def _one_bad(make: Callable[[Path], None]) -> Make:
    def fill(folder: Path) -> int:
        (folder / "bad").mkdir()
        make(folder / "bad")
        return 1

    return fill


def _socket(folder: Path) -> None:
    here = Path.cwd()
    os.chdir(folder)  # socket paths are short
    try:
        with socket.socket(socket.AF_UNIX) as server:
            server.bind("face-a.jpg")
    finally:
        os.chdir(here)


def _unreadable(folder: Path) -> None:
    (folder / "face-a.jpg").write_bytes(good())
    (folder / "face-a.jpg").chmod(0)


def _closed_folder(folder: Path) -> int:
    (folder / "bad").mkdir()
    (folder / "bad" / "face-a.jpg").write_bytes(good())
    (folder / "bad").chmod(0)
    return 1


def _loop(folder: Path) -> int:
    """Links that lead round in a circle are passed over: every folder is taken once."""
    for name in ("one", "two"):
        (folder / name).mkdir()
        (folder / name / "up").symlink_to(folder)
    (folder / "one" / "over").symlink_to(folder / "two")
    (folder / "itself").symlink_to("itself")
    (folder / "disk").symlink_to("/")
    return 0


def _deep(folder: Path) -> int:
    place = folder
    for _ in range(1500):
        place = place / "d"
        try:
            place.mkdir()
        except OSError:
            break
    return 0


def _many_files(folder: Path) -> int:
    for k in range(10_000):
        (folder / f"note-{k}.txt").touch()
    return 0


def _many_photographs(folder: Path) -> int:
    (folder / "bad").mkdir()
    for k in range(10_000):
        (folder / "bad" / f"face-a-{k}.jpg").write_bytes(b"\xff\xd8\xff")
    return 1


def _many_blanks(folder: Path) -> int:
    for k in range(10_000):
        (folder / f"bad-{k}").mkdir()
        (folder / f"bad-{k}" / "face-a.jpg").write_bytes(b"x")
    return 10_000


def _many_parts(folder: Path) -> None:
    large = side("face-a").resize((6000, 3380))
    for k in range(1, 60):
        first = folder / "face-a-1.jpg"
        if k == 1:
            large.save(first)
        else:
            (folder / f"face-a-{k}.jpg").hardlink_to(first)


def _record(make: Callable[[Path], object]) -> Callable[[Path], None]:
    def fill(folder: Path) -> None:
        (folder / "face-a.jpg").write_bytes(good())
        make(folder / "blank.toml")

    return fill


FOLDERS: dict[str, Make] = {
    "odd-names": _odd_names,
    "odd-photograph-names": _odd_photograph_names,
    "pipe": _one_bad(lambda f: os.mkfifo(f / "face-a.jpg")),
    "folder-as-photograph": _one_bad(lambda f: (f / "face-a.jpg").mkdir()),
    "socket": _one_bad(_socket),
    "device": _one_bad(lambda f: (f / "face-a.jpg").symlink_to("/dev/zero")),
    "link-to-itself": _one_bad(lambda f: (f / "face-a.jpg").symlink_to("face-a.jpg")),
    "link-to-nothing": _one_bad(lambda f: (f / "face-a.jpg").symlink_to("nowhere")),
    "link-to-folder": _one_bad(lambda f: (f / "face-a.jpg").symlink_to("/")),
    "unreadable-file": _one_bad(_unreadable),
    "unreadable-folder": _closed_folder,
    "link-loops": _loop,
    "deep-folders": _deep,
    "10000-files": _many_files,
    "10000-photographs": _many_photographs,
    "10000-blanks": _many_blanks,
    "59-parts-of-a-face": _one_bad(_many_parts),
    "record-is-a-pipe": _one_bad(_record(os.mkfifo)),
    "record-is-a-folder": _one_bad(_record(Path.mkdir)),
    "record-is-a-device": _one_bad(_record(lambda p: p.symlink_to("/dev/zero"))),
    "record-is-a-loop": _one_bad(_record(lambda p: p.symlink_to("blank.toml"))),
}
