"""Which program measured: kept with every scan, so that it can be repeated or told apart."""

from __future__ import annotations

import hashlib
import platform
from functools import cache
from importlib import metadata, resources

__all__ = ["libraries", "measuring_version"]

# Where the figures are made; the rest of the package only keeps and shows them.
_MEASURING = ("measure", "photo", "scan.py")
_LIBRARIES = ("numpy", "opencv-python", "pillow", "pillow-heif", "scikit-image", "scipy")


@cache
def measuring_version() -> str:
    """The package's version and a mark of its measuring code, such as ``0.1.0+3f2a9c51``.

    The mark is taken from the code itself, so that two copies with the same version number
    and different code are not taken for one.
    """
    digest = hashlib.sha256()
    root = resources.files("grainscan")
    for name in _MEASURING:
        place = root.joinpath(name)
        files = [place] if place.is_file() else sorted(place.iterdir(), key=lambda file: file.name)
        for file in files:
            if file.name.endswith((".py", ".toml")):
                digest.update(file.name.encode() + b"\0" + file.read_bytes() + b"\0")
    return f"{metadata.version('grainscan')}+{digest.hexdigest()[:8]}"


@cache
def libraries() -> dict[str, str]:
    """Python and the libraries that the figures depend on, with their versions."""
    found = {"python": platform.python_version()}
    for name in _LIBRARIES:
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            # Another build of the same library under another name, which no version tells.
            found[name] = "not known"
    return found
