"""Writes a rendered blank as a folder: three JPEGs with EXIF, truth.json and blank.toml."""

from __future__ import annotations

import json
from pathlib import Path

from PIL import Image

from tests.render.shoot import RenderedBlank
from tests.render.spec import BlankSpec

FILES = {"face_a": "face-a.jpg", "face_b": "face-b.jpg", "end": "end.jpg"}
FOCAL_LENGTH_IN_35MM = 0xA405
EXIF_IFD = 0x8769
SOFTWARE, ORIENTATION = 0x0131, 0x0112


def write_blank(folder: Path | str, rendered: RenderedBlank) -> Path:
    """Write ``rendered`` into ``folder`` (made if missing); returns the folder."""
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    for shot, name in FILES.items():
        picture = getattr(rendered, shot)
        if picture is None:
            continue
        exif = Image.Exif()
        exif[ORIENTATION] = 1
        exif[SOFTWARE] = "rendered picture, not a photograph"
        focal = rendered.truth["photos"][shot]["camera"]["focal_35mm"]
        exif.get_ifd(EXIF_IFD)[FOCAL_LENGTH_IN_35MM] = round(focal)
        Image.fromarray(picture).save(
            folder / name, quality=rendered.photo.jpeg_quality, exif=exif, subsampling=2
        )
    (folder / "truth.json").write_text(json.dumps(rendered.truth, indent=1), encoding="utf-8")
    (folder / "blank.toml").write_text(blank_toml(rendered.spec), encoding="utf-8")
    return folder


def blank_toml(spec: BlankSpec) -> str:
    def quoted(text: str) -> str:
        return json.dumps(text, ensure_ascii=False)

    lines = [
        f"species = {quoted(spec.species)}",
        f"width_mm = {spec.width_mm:.1f}",
        f"height_mm = {spec.height_mm:.1f}",
        f"length_mm = {spec.length_mm:.0f}",
        f"part = {quoted(spec.part)}",
        f"made = {quoted(spec.made)}",
        f"notes = {quoted(spec.notes)}",
    ]
    return "\n".join(lines) + "\n"
