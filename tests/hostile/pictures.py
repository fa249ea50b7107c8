"""Photographs that are broken, odd, or made to keep a reader busy."""

from __future__ import annotations

import functools
import io
import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from PIL import Image

SAMPLES = Path(__file__).parent.parent.parent / "sample_images"
SIDES = ("face-a", "face-b", "end")
WIDTH = 900
FORMATS = {"JPEG": "jpg", "PNG": "png", "TIFF": "tif", "WEBP": "webp", "HEIF": "heic"}


@dataclass(frozen=True)
class Picture:
    """``fine``: it shows a blank and must be measured; None: it may be measured or refused."""

    name: str
    suffix: str
    content: bytes
    fine: bool | None = False


@functools.cache
def side(name: str) -> Image.Image:
    """A side of a sample blank, small enough to be measured in a second."""
    with Image.open(SAMPLES / "ash-rung-straight" / f"{name}.jpg") as image:
        return image.resize((WIDTH, round(image.height * WIDTH / image.width)), Image.LANCZOS)


def encoded(image: Image.Image, kind: str, **options: object) -> bytes:
    if kind == "HEIF":
        import pillow_heif

        pillow_heif.register_heif_opener()
    out = io.BytesIO()
    image.save(out, kind, **options)
    return out.getvalue()


@functools.cache
def good(name: str = "face-a", kind: str = "JPEG") -> bytes:
    return encoded(side(name), kind, **({"quality": 92} if kind in ("JPEG", "WEBP") else {}))


def truncated(kind: str, parts: int = 50) -> Iterator[Picture]:
    """A good photograph cut off at every 1/parts of its bytes."""
    content = good(kind=kind)
    for k in range(1, parts):
        cut = content[: len(content) * k // parts]
        yield Picture(f"{kind.lower()}-cut-{k:02d}", FORMATS[kind], cut, fine=None)


def all_pictures() -> Iterator[Picture]:
    """Everything but the truncated ones."""
    yield from _no_pictures()
    yield from _odd_formats()
    yield from _depths()
    yield from _empty_scenes()
    yield from _metadata()
    yield from _announced()
    yield from _bombs()


def _no_pictures() -> Iterator[Picture]:
    gif = io.BytesIO()
    frames = [Image.new("P", (300, 200), k) for k in range(5)]
    frames[0].save(gif, "GIF", save_all=True, append_images=frames[1:])
    for name, content in {
        "empty": b"",
        "one-byte": b"\xff",
        "three-bytes": b"\xff\xd8\xff",
        "text": b"shopping list\n" * 50,
        "html": b"<!doctype html><script>alert(1)</script>",
        "zip": b"PK\x03\x04" + bytes(200),
        "film": b"\0\0\0\x18ftypmp42" + bytes(400),
        "avif": b"\0\0\0\x18ftypavif" + bytes(400),
        "program": b"\x7fELF" + bytes(200),
        "pickle": b"cos\nsystem\n(S'touch hacked'\ntR.",
        "animated-gif": gif.getvalue(),
    }.items():
        yield Picture(name, "jpg", content)


def _odd_formats() -> Iterator[Picture]:
    face = side("face-a")
    yield Picture("png-named-jpg", "jpg", good(kind="PNG"), fine=True)
    yield Picture("heic-named-png", "png", good(kind="HEIF"), fine=True)
    yield Picture("jpeg-named-heic", "heic", good(), fine=True)
    black = [Image.new("RGB", face.size)] * 3
    more = {"save_all": True, "append_images": black, "duration": 100}
    yield Picture("animated-png", "png", encoded(face, "PNG", **more), fine=True)
    yield Picture("animated-webp", "webp", encoded(face, "WEBP", lossless=True, **more), fine=True)
    pages = encoded(face, "TIFF", save_all=True, append_images=black)
    yield Picture("tiff-of-pages", "tif", pages, fine=True)
    small = Image.new("1", (100, 100))
    many = encoded(small, "TIFF", save_all=True, append_images=[small] * 2000)
    yield Picture("tiff-of-2000-pages", "tif", many)
    yield Picture("cmyk", "jpg", encoded(face.convert("CMYK"), "JPEG", quality=92), fine=True)
    yield Picture("grey", "jpg", encoded(face.convert("L"), "JPEG", quality=92), fine=True)
    yield Picture("one-bit", "png", encoded(face.convert("1"), "PNG"), fine=None)
    yield Picture("palette", "png", encoded(face.convert("P"), "PNG"), fine=None)
    yield Picture("lab", "tif", encoded(Image.new("LAB", (300, 200)), "TIFF"), fine=None)
    yield Picture("ycbcr", "tif", encoded(face.convert("YCbCr"), "TIFF"), fine=None)
    for width, height in ((1, 1), (1, 30000), (30000, 1), (99, 99)):
        content = encoded(Image.new("RGB", (width, height)), "PNG")
        yield Picture(f"size-{width}x{height}", "png", content)
    for share in (0, 255):
        clear = face.convert("RGBA")
        clear.putalpha(share)
        yield Picture(f"alpha-{share}", "png", encoded(clear, "PNG"), fine=share == 255)
    grey_alpha = face.convert("LA")
    yield Picture("grey-alpha", "webp", encoded(grey_alpha.convert("RGBA"), "WEBP"), fine=None)
    junk = np.random.default_rng(1).bytes(200_000)
    yield Picture("film-behind-jpeg", "jpg", good() + junk, fine=True)


def _depths() -> Iterator[Picture]:
    import cv2

    grey = np.asarray(side("face-a").convert("L"))
    deep = grey.astype(np.uint16) * 257
    yield Picture("grey-16", "png", encoded(Image.fromarray(deep), "PNG"), fine=True)
    yield Picture("grey-16-tiff", "tif", encoded(Image.fromarray(deep), "TIFF"), fine=True)
    colours = np.asarray(side("face-a"))[:, :, ::-1].astype(np.uint16) * 257
    for suffix in ("png", "tiff"):
        content = cv2.imencode(f".{suffix}", colours)[1].tobytes()
        yield Picture(f"colour-16-{suffix}", suffix, content, fine=True)
    floats = grey.astype(np.float32) / 255
    yield Picture("float-tiff", "tif", encoded(Image.fromarray(floats), "TIFF"))
    floats[::2, ::3], floats[1::2, ::5] = np.nan, np.inf
    yield Picture("nan-tiff", "tif", encoded(Image.fromarray(floats), "TIFF"))
    doubles = cv2.imencode(".tiff", np.full((200, 300), np.nan))[1].tobytes()
    yield Picture("double-tiff", "tif", doubles)
    whole = grey.astype(np.int32) << 20
    yield Picture("int-32-tiff", "tif", encoded(Image.fromarray(whole), "TIFF"))


def _empty_scenes() -> Iterator[Picture]:
    random = np.random.default_rng(2)
    for name, value in (("black", 0), ("white", 255), ("grey-wall", 120)):
        plain = Image.new("RGB", (4000, 3000), (value,) * 3)
        yield Picture(f"all-{name}", "jpg", encoded(plain, "JPEG"))
    yield Picture("white-60-megapixels", "png", encoded(Image.new("L", (8000, 7500), 255), "PNG"))
    noise = random.integers(0, 256, (3000, 4000, 3), dtype=np.uint8)
    yield Picture("noise", "jpg", encoded(Image.fromarray(noise), "JPEG", quality=50))
    y, x = np.mgrid[0:3000, 0:4000]
    scenes = {
        "chessboard": ((x // 40 + y // 40) % 2) * 255,
        "gratings": 127 + 120 * np.sin(x * 0.4) * np.sin(y * 0.1),
        "lines-level": (y // 12 % 2) * 255,
        "lines-slanted": ((x * 0.1 + y) // 30 % 2) * 255,
    }
    for name, values in scenes.items():
        image = Image.fromarray(values.astype(np.uint8))
        yield Picture(name, "jpg", encoded(image, "JPEG", quality=85), fine=None)


def exif_with(*entries: tuple[int, int, int, bytes], offset_of_next: int = 0) -> bytes:
    """An Exif block whose first directory has these (tag, type, count, four bytes)."""
    body = b"".join(struct.pack(">HHI", *entry[:3]) + entry[3] for entry in entries)
    directory = struct.pack(">H", len(entries)) + body + struct.pack(">I", offset_of_next)
    return b"Exif\0\0MM\0*\0\0\0\x08" + directory


def jpeg_with(exif: bytes) -> bytes:
    """The good face with an APP1 segment of exactly these bytes."""
    content = good()
    return content[:2] + b"\xff\xe1" + struct.pack(">H", len(exif) + 2) + exif + content[2:]


def _metadata() -> Iterator[Picture]:
    face = side("face-a")
    junk = np.random.default_rng(3).bytes(3000)
    for name, profile in (("junk", junk), ("short", b"ICC"), ("large", bytes(2_000_000))):
        content = encoded(face, "JPEG", quality=92, icc_profile=profile)
        yield Picture(f"icc-{name}", "jpg", content, fine=True)
        content = encoded(face, "PNG", icc_profile=profile)
        # Pillow reads no profile in a PNG that unpacks to more than a megabyte.
        yield Picture(f"icc-{name}-png", "png", content, fine=None if name == "large" else True)
    blocks = {
        "junk": b"Exif\0\0MM\0*\0\0\0\x08" + junk,
        "empty": b"Exif\0\0",
        "not-tiff": b"Exif\0\0" + junk[:50],
        "loop": exif_with((0x8769, 4, 1, struct.pack(">I", 8)), offset_of_next=8),
        "orientation-999": exif_with((274, 3, 1, b"\x03\xe7\0\0")),
        "orientation-text": exif_with((274, 2, 4, b"abc\0")),
        "orientation-none": exif_with((274, 3, 0, b"\0\0\0\0")),
        "count-huge": exif_with((274, 3, 0xFFFFFFFF, b"\0\0\0\x08")),
        "type-unknown": exif_with((274, 99, 1, b"\0\1\0\0")),
        "offset-outside": exif_with((0x8769, 4, 1, b"\xff\xff\xff\xf0")),
    }
    for name, block in blocks.items():
        yield Picture(f"exif-{name}", "jpg", jpeg_with(block), fine=True)
    focal = struct.pack(">H", 1) + struct.pack(">HHI", 0xA405, 5, 1) + struct.pack(">I", 44)
    block = exif_with((0x8769, 4, 1, struct.pack(">I", 26)))
    for name, ratio in (("zero-by-zero", (0, 0)), ("by-zero", (1, 0))):
        whole = block + focal + bytes(4) + struct.pack(">II", *ratio)
        yield Picture(f"exif-focal-{name}", "jpg", jpeg_with(whole), fine=True)
    text = struct.pack(">H", 1) + struct.pack(">HHI", 0xA405, 2, 4) + b"abc\0" + bytes(4)
    yield Picture("exif-focal-text", "jpg", jpeg_with(block + text), fine=True)


def chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def png(width: int, height: int, *chunks: bytes, depth: int = 8, colour: int = 2) -> bytes:
    """A PNG with this header and these chunks (PNG specification, section 11)."""
    header = struct.pack(">IIBBBBB", width, height, depth, colour, 0, 0, 0)
    body = b"".join(chunks) + chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + body


def tiff(entries: dict[int, tuple[int, list[int]]], data: bytes) -> bytes:
    """A little-endian TIFF of one directory; tag 273 is set to where ``data`` begins.

    ``entries``: tag to (type, values), type 3 (16 bits) or 4 (32 bits), TIFF 6.0, section 2.
    """
    size = 8 + 2 + 12 * (len(entries) + 1) + 4
    extra, body = b"", b""
    for tag, (kind, values) in sorted({**entries, 273: (4, [0])}.items()):
        form = "H" if kind == 3 else "I"
        packed = struct.pack(f"<{len(values)}{form}", *values)
        if tag == 273:
            packed = b"DATA"
        if len(packed) > 4:
            place = struct.pack("<I", size + len(extra))
            extra += packed
            packed = place
        body += struct.pack("<HHI", tag, kind, len(values)) + packed.ljust(4, b"\0")
    body = body.replace(b"DATA", struct.pack("<I", size + len(extra)))
    head = b"II*\0" + struct.pack("<I", 8) + struct.pack("<H", len(entries) + 1)
    return head + body + bytes(4) + extra + data


def rgb_entries(
    width: int, height: int, size: int, **more: int
) -> dict[int, tuple[int, list[int]]]:
    return {
        256: (4, [width]), 257: (4, [height]), 258: (3, [8, 8, 8]),
        259: (3, [more.get("packing", 1)]),
        262: (3, [2]), 277: (3, [3]), 278: (4, [more.get("rows", height)]), 279: (4, [size]),
    }  # fmt: skip


def _announced() -> Iterator[Picture]:
    """65535 × 65535 pixels announced, which the data do not hold."""
    yield Picture("announced-png", "png", png(65535, 65535, chunk(b"IDAT", zlib.compress(b"0"))))
    yield Picture("announced-negative-png", "png", png(2**31, 2**31, chunk(b"IDAT", b"0")))
    jpeg = bytearray(good())
    start = jpeg.index(b"\xff\xc0")
    jpeg[start + 5 : start + 9] = b"\xff\xff\xff\xff"
    yield Picture("announced-jpeg", "jpg", bytes(jpeg))
    yield Picture("announced-tiff", "tif", tiff(rgb_entries(65535, 65535, 100), bytes(100)))
    webp = encoded(Image.new("RGBA", (200, 200)), "WEBP")
    extended = b"VP8X" + struct.pack("<I", 10) + b"\x10\0\0\0" + b"\xfe\xff\xff" * 2
    webp = b"RIFF" + struct.pack("<I", len(webp) + 10) + b"WEBP" + extended + webp[12:]
    yield Picture("announced-webp", "webp", webp)
    heic = encoded(Image.new("RGB", (300, 200), (90, 60, 30)), "HEIF")
    place = heic.index(b"ispe") + 8
    announced = heic[:place] + struct.pack(">II", 65535, 65535) + heic[place + 8 :]
    yield Picture("announced-heic", "heic", announced, fine=None)


def _zeros(megabytes: int) -> bytes:
    packer = zlib.compressobj(9)
    pieces = [packer.compress(bytes(1_000_000)) for _ in range(megabytes)]
    return b"".join([*pieces, packer.flush()])


def _bombs() -> Iterator[Picture]:
    zeros = _zeros(300)
    yield Picture("bomb-png-too-much-data", "png", png(300, 200, chunk(b"IDAT", zeros)), fine=None)
    for kind in (b"zTXt", b"iCCP"):
        bomb = chunk(kind, b"x\0\0" + zeros)
        real = chunk(b"IDAT", zlib.compress(bytes(200 * 901)))
        content = png(300, 200, bomb, real)
        yield Picture(f"bomb-png-{kind.decode().lower()}", "png", content, fine=None)
    many = b"".join(chunk(b"tEXt", b"k%d\0v" % k) for k in range(100_000))
    yield Picture("bomb-png-many-texts", "png", png(300, 200, many), fine=None)
    tiles = rgb_entries(300, 200, len(zeros), packing=8)
    del tiles[278], tiles[279]
    tiles |= {322: (4, [10_000]), 323: (4, [10_000]), 325: (4, [len(zeros)])}
    content = tiff(tiles, zeros)
    # Tag 273 (strips) becomes 324 (tiles); it is the only one with these four bytes.
    entry = struct.pack("<HHI", 273, 4, 1)
    moved = content.replace(entry, struct.pack("<HHI", 324, 4, 1))
    yield Picture("bomb-tiff-tile", "tif", moved)
    rows = rgb_entries(300, 200, len(zeros), packing=8, rows=400_000)
    yield Picture("bomb-tiff-strip", "tif", tiff(rows, zeros), fine=None)
    yield Picture("bomb-webp", "webp", encoded(Image.new("L", (12000, 12000)), "WEBP", method=0))
    yield Picture("bomb-jpeg-scans", "jpg", many_scans(Image.new("L", (7000, 8000), 90), 2000))


def many_scans(image: Image.Image, count: int) -> bytes:
    """A progressive JPEG with its last scan repeated: each costs a pass over the whole picture."""
    content = encoded(image, "JPEG", progressive=True, quality=90)
    last = content.rindex(b"\xff\xda")
    # The tables that belong to the scan lie before it and hold for its repetitions too.
    return content[:last] + content[last:-2] * count + b"\xff\xd9"
