"""The cases: a command on something hostile, and what must come of it."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from tests.hostile import archives, texts
from tests.hostile.folders import FOLDERS, good_blank
from tests.hostile.pictures import FORMATS, Picture, truncated

GOOD = "good"


@dataclass(frozen=True)
class Case:
    """A command on a folder that ``make`` fills.

    ``make`` gets the case's folder with ``in`` and ``out`` in it and returns how many lines the
    command must say on the standard error; None stands for at least none. ``codes``: exit codes
    that are right. ``good``: the blank beside the bad one that must be measured.
    ``pictures``: how many photographs are read, each of which may take its time.
    """

    name: str
    args: tuple[str, ...]
    make: Callable[[Path], int | None]
    codes: frozenset[int] = frozenset({1})
    good: bool = False
    pictures: int = 1
    most_mb: float = 450.0
    held: bool = False
    kind: str = field(default="text")


def all_cases(pictures: list[Picture]) -> Iterator[Case]:
    yield from picture_cases(pictures)
    yield from truncated_cases()
    yield from folder_cases()
    yield from record_cases()
    yield from text_cases()
    yield from book_cases()
    yield from command_cases(pictures)


def _scan(name: str, make: Callable[[Path], int | None], **more: object) -> Case:
    args = ("scan", "../in", "--json", "r.json", "--workers", "1")
    return Case(f"scan {name}", args, make, good=True, kind="scan", **more)  # type: ignore[arg-type]


def picture_cases(pictures: list[Picture]) -> Iterator[Case]:
    for picture in pictures:

        def make(place: Path, picture: Picture = picture) -> int | None:
            good_blank(place / "in" / GOOD)
            (place / "in" / "bad").mkdir()
            (place / "in" / "bad" / f"face-a.{picture.suffix}").write_bytes(picture.content)
            return {True: 0, False: 1, None: None}[picture.fine]

        codes = {True: {0}, False: {1}, None: {0, 1}}[picture.fine]
        # A picture of 60 megapixels may be measured: it needs the memory of its size.
        most_mb = 1200.0 if "60-megapixels" in picture.name else 450.0
        yield _scan(picture.name, make, codes=frozenset(codes), most_mb=most_mb)


def truncated_cases() -> Iterator[Case]:
    for kind in FORMATS:

        def make(place: Path, kind: str = kind) -> int:
            good_blank(place / "in" / GOOD)
            for picture in truncated(kind):
                (place / "in" / picture.name).mkdir()
                path = place / "in" / picture.name / f"face-a.{picture.suffix}"
                path.write_bytes(picture.content)
            return 49

        yield _scan(f"{kind} cut at 49 places", make, pictures=49)


def folder_cases() -> Iterator[Case]:
    for name, fill in FOLDERS.items():

        def make(place: Path, fill: Callable[[Path], int] = fill) -> int:
            good_blank(place / "in" / GOOD)
            return fill(place / "in")

        no_blank = name in ("link-loops", "deep-folders", "10000-files")
        yield _scan(
            name,
            make,
            codes=frozenset({0} if no_blank else {1}),
            pictures=100 if name == "10000-blanks" else 1,
            held=name.startswith("unreadable"),
        )


def record_cases() -> Iterator[Case]:
    """All wrong records in one batch, together in the time of one; then the odd ones."""
    bad = {name: text for name, text in texts.records().items() if not name.startswith("fine")}
    fine = {name: text for name, text in texts.records().items() if name not in bad}

    def fill(place: Path, contents: texts.Texts) -> None:
        good_blank(place / "in" / GOOD)
        for name, content in contents.items():
            folder = place / "in" / name
            good_blank(folder)
            (folder / "blank.toml").write_bytes(content)

    def make_bad(place: Path) -> int:
        fill(place, bad)
        return len(bad)

    def make_fine(place: Path) -> int:
        fill(place, fine)
        return 0

    yield _scan(f"{len(bad)} wrong records", make_bad)
    yield _scan(f"{len(fine)} odd records", make_fine, codes=frozenset({0}), pictures=len(fine))


def _with_file(content: bytes) -> Callable[[Path], int]:
    def make(place: Path) -> int:
        (place / "in" / "file").write_bytes(content)
        return 1

    return make


def _pipe(place: Path) -> int:
    os.mkfifo(place / "in" / "file")
    return 1


def _device(place: Path) -> int:
    (place / "in" / "file").symlink_to("/dev/zero")
    return 1


def _folder(place: Path) -> int:
    (place / "in" / "file").mkdir()
    return 1


def _missing(_place: Path) -> int:
    return 1


SPECIAL = {"a pipe": _pipe, "a device": _device, "a folder": _folder, "missing": _missing}
CURVE = ("moisture", "curve")
DRY = ("dry", "--species", "white ash", "--to", "8", "--tenon", "14mm")
READERS: dict[str, tuple[tuple[str, ...], Callable[[], texts.Texts]]] = {
    "parts": (("fit", "--list", "--parts", "../in/file"), texts.parts),
    "cut list": (("plan", "../in/file", "../in"), texts.cut_lists),
    "woods": (("woods", "--woods", "../in/file"), texts.woods),
    "weighings": ((*CURVE, "../in/file", "--until", "10", "--room", "9"), texts.weighings),
    "results": ((*DRY, "--scan", "../in/file"), texts.results),
    "table": (("stock", "read", "../in/file"), texts.tables),
}  # fmt: skip
# Odd and yet allowed: an answer is as good as a line that says why there is none.
_MAYBE = ("same-day", "rising", "far-apart", "large", "small", "escape", "slash")


def text_cases() -> Iterator[Case]:
    for reader, (args, contents) in READERS.items():
        for name, content in contents().items():
            codes = {0, 1, 2} if name in _MAYBE else {1, 2}
            make = _with_file(content)
            yield Case(f"{reader} {name}", args, make, frozenset(codes), most_mb=600.0)
        for name, special in SPECIAL.items():
            yield Case(f"{reader} {name}", args, special, frozenset({1, 2}))


def book_cases() -> Iterator[Case]:
    for name, content in archives.archives().items():
        yield Case(f"archive {name}", ("book", "import", "../in/file"), _with_file(content))
    for name, special in SPECIAL.items():
        yield Case(f"archive {name}", ("book", "import", "../in/file"), special)
    commands = {
        "list": ("stock", "list", "--book", "../out/file"),
        "check": ("book", "check", "--book", "../out/file"),
        "blank": ("stock", "blank", "x", "--book", "../out/file"),
    }
    for name, content in archives.books().items():

        def make(place: Path, content: bytes = content) -> int:
            (place / "out" / "file").write_bytes(content)
            return 1

        for command, args in commands.items():
            yield Case(f"book {name}, {command}", args, make)
    in_place = ("stock", "blank", "x", "--book", "../in/file")
    for name in ("a pipe", "a device", "a folder"):
        yield Case(f"book {name}", in_place, SPECIAL[name])


def command_cases(pictures: list[Picture]) -> Iterator[Case]:
    """Every other command that takes photographs, on one folder of all the bad ones."""
    bad = [p for p in pictures if p.fine is False and "megapixels" not in p.name]

    def make(place: Path) -> None:
        for picture in bad:
            folder = place / "in" / picture.name
            folder.mkdir()
            for name in ("face-a", "face-b", "end"):
                (folder / f"{name}.{picture.suffix}").write_bytes(picture.content)

    everything = {
        "rings": ("rings", "../in", "--csv", "rings"),
        "shave": ("shave", "../in", "--workers", "1"),
        "fit": ("fit", "chair rung", "../in", "--pictures", "p", "--workers", "1"),
        "plan": ("plan", "chair", "../in", "--pictures", "p", "--workers", "1"),
        "square": ("square", "../in", "--part", "hammer handle", "--workers", "1"),
        "board": ("board", "../in", "--width", "30", "--thickness", "20", "--length", "400"),
        "sort": ("sort", "../in", "--workers", "2"),
        "scan": ("scan", "../in", "--workers", "2", "--pictures", "p"),
    }
    for name, args in everything.items():
        # A blank whose photographs cannot be used is in the book all the same, sorted check.
        codes = frozenset({0 if name == "sort" else 1})
        yield Case(
            f"{name}, all bad photographs", args, make, codes, pictures=3 * len(bad), kind="scan"
        )
    for picture in bad:

        def one(place: Path, picture: Picture = picture) -> int:
            (place / "in" / f"x.{picture.suffix}").write_bytes(picture.content)
            return 1

        path = f"../in/x.{picture.suffix}"
        yield Case(
            f"log-end {picture.name}", ("log-end", path), one, frozenset({1, 2}), kind="scan"
        )
    for name, special in SPECIAL.items():
        yield Case(f"log-end {name}", ("log-end", "../in/file"), special, frozenset({1, 2}))
        photo = ("stock", "log", "l-1", "--end-photo", "../in/file")
        yield Case(f"log photograph {name}", photo, special, frozenset({1, 2}))
        files = ("scan", "--face-a", "../in/file", "--end", "../in/file2")
        yield Case(f"single file {name}", files, special, frozenset({1, 2}))
    for command in _NO_PLACE:
        name = f"written to no place: {' '.join(command)}"
        yield Case(name, command, _missing, frozenset({1, 2}))


_NO_PLACE = (
    ("card", "../none/x.pdf"),
    ("card", "."),
    ("label", "--out", "."),
    ("stock", "list", "--csv", "."),
    ("scan", "../in", "--json", "."),
    ("report", "--out", "../none/x.pdf"),
    ("book", "export", "../none/x.zip"),
)


def fresh(root: Path) -> Path:
    """An empty folder for the next case, that anybody may use."""
    shutil.rmtree(root, ignore_errors=True)
    for name in ("in", "out", "home", "tmp"):
        (root / name).mkdir(parents=True)
        (root / name).chmod(0o777)
    return root
