"""Uploaded files of a batch, safely to a folder of blanks: loose photographs and zips.

Nothing of a name leads out of the folder, nothing is unpacked that is no photograph or record, and
what is unpacked is counted while it comes out, whatever the zip says of itself.
"""

from __future__ import annotations

import io
import re
import shutil
import tempfile
import weakref
import zipfile
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import IO

from streamlit.runtime.scriptrunner import get_script_run_ctx

from grainscan.errors import InputError
from grainscan.photo.folder import is_photograph
from grainscan.photo.reading import MOST_BYTES
from grainscan.photo.record import RECORD_NAME
from grainscan.wording import plain_name

__all__ = [
    "MOST_FILES",
    "MOST_UNPACKED_BYTES",
    "SessionFolder",
    "Spooled",
    "as_files",
    "release",
    "spool",
]

MOST_FILES = 3000
"""A thousand blanks with three photographs each; more is no batch of one afternoon."""

MOST_UNPACKED_BYTES = 4_000_000_000
"""A batch of a thousand photographs of four megabytes."""

_CHUNK = 1 << 20
_DEEPEST = 8
_NAMED = re.compile(
    r"(?P<blank>.+?)[-_ .]+(?P<side>face[-_ ]?a|face[-_ ]?b|end|a|b)", re.IGNORECASE | re.DOTALL
)
_SIDES = {"a": "face-a", "b": "face-b", "d": "end"}
_ORDER = ("face-a", "face-b", "end")


@dataclass(slots=True)
class Spooled:
    """What came of an upload: one line for each file that was left out, and why."""

    problems: list[str] = field(default_factory=list)
    files: int = 0
    size_bytes: int = 0


class SessionFolder:
    """A folder for one visitor's uploads; gone with his session, or when it is removed."""

    def __init__(self) -> None:
        self.path = Path(tempfile.mkdtemp(prefix="grainscan-"))
        self._finalizer = weakref.finalize(self, shutil.rmtree, self.path, ignore_errors=True)

    def remove(self) -> None:
        """Delete it now."""
        self._finalizer()


def spool(
    files: Sequence[tuple[str, IO[bytes]]], folder: Path, *, by_threes: bool = False
) -> Spooled:
    """Write uploaded files to ``folder``, one folder per blank.

    Parameters
    ----------
    files
        Names, with folders where a folder was uploaded, and contents.
    by_threes
        Photographs whose names do not say blank and side are taken, by name, three to a blank in
        the order face A, face B, end. Otherwise they are left out, with a line.

    Returns
    -------
    Spooled
        A zip that is none, is too large, or has names leading out of its folder is left out
        whole.
    """
    done = Spooled()
    loose: list[tuple[str, IO[bytes]]] = []
    for name, content in files:
        try:
            if name.lower().endswith(".zip"):
                _unzip(name, content, folder, done)
            elif len(PurePosixPath(name).parts) > 1:
                _copy_within(name, content, folder, done)
            else:
                loose.append((name, content))
        except InputError as error:
            done.problems.append(str(error))
    try:
        unnamed = [pair for pair in loose if not _placed(pair, folder, done)]
        _place_unnamed(sorted(unnamed, key=lambda p: p[0]), folder, done, by_threes=by_threes)
    except InputError as error:
        done.problems.append(str(error))
    return done


def _placed(pair: tuple[str, IO[bytes]], folder: Path, done: Spooled) -> bool:
    """Whether a loose photograph's name says blank and side; it then lies in its folder."""
    name, content = pair
    match = _NAMED.fullmatch(Path(name).stem)
    if match is None:
        return False
    side = _SIDES[match["side"].lower()[-1]]
    _write(folder / _plain(match["blank"]) / f"{side}{Path(name).suffix.lower()}", content, done)
    return True


def _place_unnamed(
    pairs: Sequence[tuple[str, IO[bytes]]], folder: Path, done: Spooled, *, by_threes: bool
) -> None:
    if not by_threes:
        done.problems += [
            f"{plain_name(name)}: the name does not say which blank and side it shows. "
            "Name it such as ash-07-face-a.jpg."
            for name, _ in pairs
        ]
        return
    for first in range(0, len(pairs), len(_ORDER)):
        group = pairs[first : first + len(_ORDER)]
        blank = _plain(Path(group[0][0]).stem)
        for side, (name, content) in zip(_ORDER, group, strict=False):
            _write(folder / blank / f"{side}{Path(name).suffix.lower()}", content, done)


def _unzip(name: str, content: IO[bytes], folder: Path, done: Spooled) -> None:
    """All of a zip or nothing: it is unpacked beside the folder's own files first."""
    shown = plain_name(name)
    staging = folder / ".unpacking"
    try:
        with zipfile.ZipFile(content) as archive:
            for entry, inside in list(_entries(archive, shown)):
                with archive.open(entry) as file:
                    _write(staging.joinpath(*inside.parts), file, done, of=shown)
        for path in [path for path in staging.rglob("*") if path.is_file()]:
            inside_zip = path.relative_to(staging)
            # A zip of one blank's photographs, without a folder, names the blank itself.
            alone = len(inside_zip.parts) == 1
            target = folder / (_plain(Path(name).stem) if alone else "") / inside_zip
            target.parent.mkdir(parents=True, exist_ok=True)
            path.replace(target)
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError) as error:
        # RuntimeError: encrypted. NotImplementedError: a way of packing that is not known.
        raise InputError(
            f"{shown}: this zip cannot be opened (damaged, locked or packed in an unknown way). "
            "Pack the photographs again without a password."
        ) from error
    except OSError as error:
        raise InputError(f"{shown}: the disk did not take it ({error.strerror}).") from error
    finally:
        shutil.rmtree(staging, ignore_errors=True)


def _entries(
    archive: zipfile.ZipFile, shown: str
) -> Iterator[tuple[zipfile.ZipInfo, PurePosixPath]]:
    """The photographs and records of a zip; all of it is refused for one bad name or size."""
    infos = [info for info in archive.infolist() if not info.is_dir()]
    if len(infos) > MOST_FILES:
        raise InputError(
            f"{shown}: {len(infos)} files are more than {MOST_FILES}. Make it smaller."
        )
    for info in infos:
        path = PurePosixPath(info.filename.replace("\\", "/"))
        leads_out = path.is_absolute() or ".." in path.parts or ":" in info.filename
        if leads_out or len(path.parts) > _DEEPEST:
            raise InputError(
                f"{shown}: the name {plain_name(info.filename)!r} in it leads out of its folder. "
                "Nothing of it was taken; pack the folder of photographs itself."
            )
        if info.file_size > MOST_BYTES:
            raise InputError(f"{shown}: {plain_name(info.filename)!r} in it is too large.")
    total = sum(info.file_size for info in infos)
    if total > MOST_UNPACKED_BYTES:
        raise InputError(_too_much(shown))
    for info in infos:
        path = PurePosixPath(info.filename.replace("\\", "/"))
        hidden = any(part.startswith((".", "__MACOSX")) for part in path.parts)
        if not hidden and (is_photograph(path.name) or path.name == RECORD_NAME):
            yield info, PurePosixPath(*map(_plain, path.parts))


def _copy_within(name: str, content: IO[bytes], folder: Path, done: Spooled) -> None:
    """A file of an uploaded folder."""
    path = PurePosixPath(name.replace("\\", "/"))
    if path.is_absolute() or ".." in path.parts or len(path.parts) > _DEEPEST:
        done.problems.append(f"{plain_name(name)}: the name leads out of its folder; left out.")
    elif is_photograph(path.name) or path.name == RECORD_NAME:
        _write(folder.joinpath(*map(_plain, path.parts)), content, done)


def _write(path: Path, content: IO[bytes], done: Spooled, *, of: str = "the upload") -> None:
    """Copy piece by piece, counting what really comes out."""
    path.parent.mkdir(parents=True, exist_ok=True)
    done.files += 1
    written = 0
    with path.open("wb") as file:
        while piece := content.read(_CHUNK):
            written += len(piece)
            done.size_bytes += len(piece)
            if written > MOST_BYTES or done.size_bytes > MOST_UNPACKED_BYTES:
                file.close()
                path.unlink()
                raise InputError(_too_much(of))
            file.write(piece)


def _too_much(shown: str) -> str:
    return (
        f"{shown}: it unpacks to more than {MOST_UNPACKED_BYTES / 1e9:.0f} GB, or a file in it to "
        f"more than {MOST_BYTES / 1e6:.0f} MB. Send the batch in smaller pieces."
    )


def _plain(name: str) -> str:
    """A name for a file or folder, without separators, control characters or dots at its ends."""
    plain = re.sub(r"[^\w. ()+-]", "_", name).strip(". ")
    return plain[:100] or "blank"


def release() -> None:
    """Let go of this visitor's uploads, whose bytes were taken over.

    Streamlit itself keeps every upload until its visitor leaves; a morning's blanks would fill the
    memory.
    """
    context = get_script_run_ctx()
    if context is not None:
        context.uploaded_file_mgr.remove_session_files(context.session_id)


def as_files(files: Sequence[io.BytesIO]) -> list[tuple[str, IO[bytes]]]:
    """Streamlit's uploaded files as names and contents."""
    return [(str(getattr(file, "name", "")), file) for file in files]
