"""Write a file whole or not at all."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from grainscan.errors import GrainscanError
from grainscan.wording import plain_name

__all__ = ["write_whole"]


def write_whole(path: Path, content: bytes) -> None:
    """Write ``content`` beside ``path`` and then put it in its place in one step.

    Raises
    ------
    GrainscanError
        The folder is missing, read-only or full; an older file at ``path`` is left as it was.
    """
    try:
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=".", suffix=".part")
        part = Path(name)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(content)
            # The file is private by default; give it the rights of any new file.
            part.chmod(0o666 & ~_umask())
            part.replace(path)
        except BaseException:
            part.unlink(missing_ok=True)
            raise
    except OSError as error:
        raise GrainscanError(
            f"{plain_name(str(path))}: cannot be written ({error.strerror}). "
            "Free some space or choose another folder."
        ) from error


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
