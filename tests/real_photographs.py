"""Wood photographs carried by packages of the Python package index; fetched, never committed.

Both packages are MIT licensed (their own licence files say so): metaworld 3.1.1, robosuite 1.5.2.
"""

from __future__ import annotations

import io
import subprocess
import sys
import zipfile
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
from PIL import Image

CACHE = Path(__file__).parent / ".cache"
VERSIONS = {"metaworld": "3.1.1", "robosuite": "1.5.2"}


@dataclass(frozen=True)
class WoodPhotograph:
    package: str
    path: str
    straight: bool
    upright: bool = False

    def __str__(self) -> str:
        return f"{self.package}:{Path(self.path).name}"


PHOTOGRAPHS = (
    WoodPhotograph("metaworld", "metaworld/assets/textures/light_wood_v3.png", True, upright=True),
    WoodPhotograph("metaworld", "metaworld/assets/textures/light_wood_v2.png", False),
    WoodPhotograph("metaworld", "metaworld/assets/textures/light_wood.png", True),
    WoodPhotograph("metaworld", "metaworld/assets/scene/textures/wood2.png", False),
    WoodPhotograph("metaworld", "metaworld/assets/textures/wood1.png", True),
    WoodPhotograph("metaworld", "metaworld/assets/textures/wood3.png", True, upright=True),
    WoodPhotograph(
        "robosuite", "robosuite/models/assets/textures/light-wood.png", True, upright=True
    ),
    WoodPhotograph("robosuite", "robosuite/models/assets/textures/dark-wood.png", False),
)


def grey(photograph: WoodPhotograph) -> npt.NDArray[np.float32]:
    """The photograph, grey, grain left to right."""
    with zipfile.ZipFile(_wheel(photograph.package)) as archive:
        data = archive.read(photograph.path)
    picture = np.asarray(Image.open(io.BytesIO(data)).convert("L"), dtype=np.float32)
    return np.ascontiguousarray(np.rot90(picture, -1)) if photograph.upright else picture


def turned_strip(picture: npt.NDArray[np.float32], angle_deg: float) -> npt.NDArray[np.float32]:
    """A long strip out of the middle, the picture turned counter-clockwise before it is cut.

    The same strip for every angle up to 10°, always inside the picture; Lanczos resampling.
    """
    height, width = picture.shape
    rows = int(min(0.75 * height, 0.3 * width))
    columns = int(min(0.93 * width, 0.9 * (height - rows) / np.sin(np.radians(10.0))))
    turn = cv2.getRotationMatrix2D(((width - 1) / 2, (height - 1) / 2), angle_deg, 1.0)
    turned = cv2.warpAffine(picture, turn, (width, height), flags=cv2.INTER_LANCZOS4)
    top, left = (height - rows) // 2, (width - columns) // 2
    return np.ascontiguousarray(turned[top : top + rows, left : left + columns])


def _wheel(package: str) -> Path:
    pattern = f"{package}-{VERSIONS[package]}-*.whl"
    found = list(CACHE.glob(pattern))
    if not found:
        command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps"]
        command += ["--disable-pip-version-check", "--only-binary=:all:"]
        command += ["--dest", str(CACHE), f"{package}=={VERSIONS[package]}"]
        subprocess.run(command, check=True)
        found = list(CACHE.glob(pattern))
    return found[0]
