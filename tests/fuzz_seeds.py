"""Inputs to begin from: good ones of every kind, small enough to be read many times a second."""

from __future__ import annotations

import functools
import json
from pathlib import Path

import numpy as np
from PIL import Image

from tests.hand_made import measurement, slope
from tests.hostile import texts
from tests.hostile.pictures import encoded, exif_with

WORKSHOP = Path(__file__).parent.parent / "grainscan" / "workshop"
_LONGEST = 60_000


@functools.cache
def seeds() -> dict[str, list[bytes]]:
    """For each target some inputs, good ones first."""
    found = {
        "picture": _pictures(),
        "record": [
            b'species = "ash"\npart = "chair rung"\nmade = "riven"\nwidth_mm = 25\n'
            b'height_mm = 26.5\nlength_mm = 430\nnotes = "butt log"\n'
            b"card_on_bench = true\ncard_check_mm = 198.5\n"
            b"snap = false\n[outline_px]\n"
            b"face_a = [[410, 633], [3120, 640], [3118, 871], [412, 860]]\n",
            *_short(texts.records()),
        ],
        "parts": [(WORKSHOP / "parts.toml").read_bytes()[:6000], *_short(texts.parts())],
        "cut_list": [(WORKSHOP / "chair_cutlist.toml").read_bytes(), *_short(texts.cut_lists())],
        "woods": [
            b'[wood."pear"]\nbotanical = "Pyrus communis"\nalso = ["wild pear"]\n'
            b'anatomy = "diffuse-porous"\nradial_percent = 4.6\n'
            b'tangential_percent = { value = 9.1, source = "own", note = "a" }\n',
            *_short(texts.woods()),
        ],
        "weighings": [
            b"date,grams\n# weighed in the shed\n"
            b"2026-03-01, 812\n2026-03-05, 760\n2026-03-12, 705\n"
            b"2026-03-20, 671\n2026-04-01, 650\n2026-04-20, 638\n",
            *_short(texts.weighings()),
        ],
        "results": [_result(), *_short(texts.results())],
        "table": [
            b"code,species,width_mm,made,made_on,part,notes\n"
            b"ash-1,ash,25,riven,2026-03-14,chair rung,x\n"
            b'ash-2,,26.5,,,,"two\nlines"\n',
            *_short(texts.tables()),
        ],
        "corrections": [
            b"[[410, 633], [3120, 640], [3118, 871], [412, 860]]",
            b'{"at": 0.5, "radius_in_widths": 0.2}',
            b"[10.5, 20.25]",
            b"NaN",
        ],
        "kept_measurement": [_kept()],
        "lengths": [
            b"11 mm", b'1 3/8"', b"7/16 in", b"25 x 26 mm", b"1:20", b"12 %", "⅜ in".encode(),
            b"1e9", b"0x10", "٣ mm".encode(),
        ],
    }  # fmt: skip
    return found


def _short(contents: texts.Texts) -> list[bytes]:
    return [content for content in contents.values() if len(content) <= _LONGEST]


def _pictures() -> list[bytes]:
    y, x = np.mgrid[0:110, 0:130]
    colours = np.stack([x * 2, y * 2, x + y], axis=-1).astype(np.uint8)
    image = Image.fromarray(colours)
    grey = Image.fromarray((x * 400).astype(np.uint16))
    exif = Image.Exif()
    exif[274] = 6
    exif.get_ifd(0x8769)[0xA405] = 26
    profile = bytes(range(128)) * 2
    found = [
        encoded(image, "JPEG", exif=exif, icc_profile=profile),
        encoded(image, "JPEG", progressive=True, restart_marker_blocks=4),
        encoded(image.convert("CMYK"), "JPEG"),
        encoded(image.convert("L"), "JPEG"),
        encoded(image, "PNG", exif=exif, icc_profile=profile),
        encoded(image.convert("P"), "PNG", transparency=3),
        encoded(image.convert("RGBA"), "PNG"),
        encoded(grey, "PNG"),
        encoded(image, "PNG", save_all=True, append_images=[image.convert("RGB")] * 2),
        encoded(grey, "TIFF"),
        encoded(image, "TIFF", exif=exif),
        *(
            encoded(image, "TIFF", compression=packing)
            for packing in ("tiff_lzw", "tiff_deflate", "packbits", "jpeg")
        ),
        encoded(image.convert("1"), "TIFF", compression="group4"),
        encoded(image, "WEBP", exif=exif, icc_profile=profile),
        encoded(image, "WEBP", lossless=True),
        encoded(
            image.convert("RGBA"), "WEBP", save_all=True, append_images=[image.convert("RGBA")]
        ),
        encoded(image, "HEIF", exif=exif.tobytes()),
        encoded(image.convert("RGBA"), "HEIF"),
    ]
    block = exif_with((274, 3, 1, b"\0\6\0\0"), (0x8769, 4, 1, b"\0\0\0\x26"))
    found.append(encoded(image, "JPEG", exif=block + bytes(40)))
    return found


def _result() -> bytes:
    end = {
        "photo": "end.jpg", "width_mm": 25.0, "height_mm": 26.0, "ring_direction_deg": 12.0,
        "low_deg": 10.0, "high_deg": 14.0, "pith": [-3.1, 14.6], "pith_distance_low": 12.0,
        "pith_distance_high": 20.0,
    }  # fmt: skip
    return json.dumps([{"schema": 1, "blank": "ash-07", "species": "ash", "end": end}]).encode()


def _kept() -> bytes:
    from grainscan.stock.as_json import to_json

    return to_json(measurement(slope(1.4, 1.1, 1.8))).encode()


def as_files(folder: Path, contents: list[bytes]) -> None:
    """Write seeds where a guided fuzzer looks for them."""
    folder.mkdir(parents=True, exist_ok=True)
    for k, content in enumerate(contents):
        (folder / f"seed-{k:03d}").write_bytes(content)
