"""Read a photograph: bytes of a known format to an upright colour picture.

Everything is decided before a pixel is decoded: that the file is one, its size, its format by
its first bytes (not its name) and its number of pixels.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import math
import os
import re
import stat
import threading
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageOps

from grainscan.errors import PhotoError
from grainscan.photo.jpeg_grid import JpegGrid, jpeg_grid
from grainscan.wording import plain_name

__all__ = ["LEAST_SIDE_PX", "MOST_BYTES", "MOST_MEGAPIXELS", "Photo", "read_photo"]

# A 48-megapixel phone picture must pass; a colour array of 60 megapixels takes 180 MB.
MOST_MEGAPIXELS = 60.0
# A 16-bit colour TIFF of that many pixels, uncompressed, with room for its directory.
MOST_BYTES = 400_000_000
# Below this no fibre can be told on any blank; a 1 × 30000 picture is refused by it too.
LEAST_SIDE_PX = 100

_KNOWN = "JPEG, PNG, TIFF, WebP or HEIC"
_SAVE_AS = f"Save it as {_KNOWN} and try again."

# Exif 2.32, tags: Orientation, Exif IFD pointer and FocalLengthIn35mmFilm.
_ORIENTATION = 0x0112
_EXIF_IFD = 0x8769
_FOCAL_35MM = 0xA405

# TIFF 6.0, section 15.
_TILE_WIDTH = 322
_TILE_LENGTH = 323

# ITU-T T.81, table B.1. 0xFF00 is a byte of data, 0xFFD0 to 0xFFD7 are restarts within a scan.
_JPEG_MARK = re.compile(rb"\xff[^\x00\xff\xd0-\xd7]", re.DOTALL)
_START_OF_SCAN = 0xDA
_END_OF_IMAGE = 0xD9
# Encoders write ten to fifteen; each costs a pass over the picture.
_MOST_SCANS = 24

# Brands in the ``ftyp`` box of ISO/IEC 23008-12 files coded with HEVC, and its generic ones.
_HEIC_BRANDS = {b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1"}

_STANDARD_ERROR = 2

# Warning filters belong to the whole process, so pictures are decoded one at a time; in a
# page with several visitors this also keeps two large pictures from filling the memory.
_one_at_a_time = threading.Lock()


@dataclass(frozen=True, slots=True, eq=False)
class Photo:
    """An upright photograph.

    ``pixels``: (M, N, 3) uint8, red green blue, read-only, after the EXIF orientation is
    applied. ``focal_35mm``: focal length for the 35 mm format in mm, None where the camera
    did not say. ``sha256``: of the file's bytes, in hexadecimal.
    ``jpeg_grid``: how a JPEG was coded.
    """

    pixels: NDArray[np.uint8]
    name: str
    focal_35mm: float | None
    sha256: str
    jpeg_grid: JpegGrid | None = None


def read_photo(
    source: Path | bytes,
    *,
    name: str | None = None,
    most_megapixels: float = MOST_MEGAPIXELS,
) -> Photo:
    """Read a JPEG, PNG, TIFF, WebP or HEIC photograph.

    Parameters
    ----------
    source
        The file, or its content.
    name
        How to call it in results and messages; the file's own name by default.
    most_megapixels
        Larger pictures are refused before they are decoded.

    Returns
    -------
    Photo
        Greyscale is repeated in the three colours; 16-bit values are divided by 257, so that
        the full range stays the full range; transparent places are laid on white; of several
        pictures in one file the first is taken. Colour profiles are not applied: the
        measuring needs no true colours.

    Raises
    ------
    PhotoError
        The file is missing, unreadable, no picture of these formats, damaged, too large or
        too small. The message is one line that says what to do.
    """
    if name is None:
        name = source.name if isinstance(source, Path) else "photograph"
    name = plain_name(name)
    content = source if isinstance(source, bytes) else _content(source, name)
    picture_format = _format_of(content, name)
    # Decoders raise errors of many kinds on damaged files. Each of them means the same to the
    # user, and none may end a batch, so all are turned into one line here.
    wordy = picture_format in ("TIFF", "JPEG")
    quiet = _no_native_words() if wordy else contextlib.nullcontext()
    with _one_at_a_time, warnings.catch_warnings(), quiet:
        _set_warning_filters()
        try:
            pixels, focal, grid = _decode(content, picture_format, name, most_megapixels)
        except PhotoError:
            raise
        except MemoryError as error:
            raise PhotoError(
                f"{name}: there is not enough memory for this picture. Save it smaller."
            ) from error
        except Exception as error:
            shown = "HEIC" if picture_format == "HEIF" else picture_format
            raise PhotoError(
                f"{name}: the {shown} file is damaged or cut short. "
                "Copy it from the camera again or take the photograph again."
            ) from error
    pixels.setflags(write=False)
    return Photo(pixels, name, focal, hashlib.sha256(content).hexdigest(), grid)


def _content(path: Path, name: str) -> bytes:
    try:
        status = path.stat()
        if stat.S_ISDIR(status.st_mode):
            raise PhotoError(f"{name}: this is a folder. Give a photograph's file.")
        if not stat.S_ISREG(status.st_mode):
            raise PhotoError(f"{name}: this is no ordinary file. Give a photograph's file.")
        _check_bytes(status.st_size, name)
        with path.open("rb") as file:
            return file.read(MOST_BYTES + 1)
    except FileNotFoundError as error:
        raise PhotoError(f"{name}: there is no such file. Check the name and folder.") from error
    except PermissionError as error:
        raise PhotoError(
            f"{name}: you have no permission to read this file. Change its permissions."
        ) from error
    except (OSError, ValueError) as error:
        # ValueError: a name with a NUL character, which no file system holds.
        reason = os.strerror(error.errno) if isinstance(error, OSError) and error.errno else error
        raise PhotoError(
            f"{name}: the file cannot be read ({plain_name(str(reason))}). Copy it again."
        ) from error


def _check_bytes(count: int, name: str) -> None:
    if count == 0:
        raise PhotoError(f"{name}: the file is empty (0 bytes). Copy it from the camera again.")
    if count > MOST_BYTES:
        raise PhotoError(
            f"{name}: the file has {count / 1e6:.0f} MB, more than {MOST_BYTES / 1e6:.0f} MB. "
            "Save the photograph smaller and try again."
        )


def _format_of(content: bytes, name: str) -> str:
    """Pillow's name of the format, told by the first bytes; the file's name does not count."""
    _check_bytes(len(content), name)
    start = content[:16]
    if start.startswith(b"\xff\xd8\xff"):
        return "JPEG"
    if start.startswith(b"\x89PNG\r\n\x1a\n"):
        return "PNG"
    if start[:4] in (b"II*\0", b"MM\0*"):
        return "TIFF"
    if start.startswith(b"RIFF") and start[8:12] == b"WEBP":
        return "WEBP"
    if start[4:8] == b"ftyp" and start[8:12] in _HEIC_BRANDS:
        return "HEIF"
    raise PhotoError(f"{name}: this is no {_KNOWN} picture, whatever its name says. {_SAVE_AS}")


@contextlib.contextmanager
def _no_native_words() -> Iterator[None]:
    """Keep libtiff and libjpeg from writing to the terminal: a line for each damaged row.

    They write past Python, so the descriptor itself is turned away for as long as they work.
    """
    try:
        kept = os.dup(_STANDARD_ERROR)
    except OSError:
        yield  # there is no standard error to keep clean
        return
    try:
        with Path(os.devnull).open("wb") as nowhere:
            os.dup2(nowhere.fileno(), _STANDARD_ERROR)
        yield
    finally:
        os.dup2(kept, _STANDARD_ERROR)
        os.close(kept)


def _set_warning_filters() -> None:
    # Remarks on odd EXIF entries and tags would reach the user's terminal and say nothing
    # to do; a picture announced far too large must not be decoded at all.
    warnings.simplefilter("ignore", UserWarning)
    warnings.simplefilter("error", Image.DecompressionBombWarning)


def _decode(
    content: bytes, picture_format: str, name: str, most_megapixels: float
) -> tuple[NDArray[np.uint8], float | None, JpegGrid | None]:
    if picture_format == "HEIF":
        from pillow_heif import register_heif_opener

        register_heif_opener()
    try:
        image: Image.Image = Image.open(io.BytesIO(content), formats=[picture_format])
    except (Image.DecompressionBombWarning, Image.DecompressionBombError) as error:
        raise _too_large(name, most_megapixels) from error
    _check_pixels(image.size, name, most_megapixels)
    if _pixels_decoded(image) > most_megapixels * 1e6:
        raise _too_large(name, most_megapixels)
    if picture_format == "JPEG" and _scans(content) > _MOST_SCANS:
        raise PhotoError(
            f"{name}: the JPEG file holds more than {_MOST_SCANS} scans of the picture and would "
            "take too long. Save it again as an ordinary JPEG."
        )
    exif = image.getexif()
    focal = _focal_35mm(exif)
    grid = None
    if picture_format == "JPEG" and image.mode in ("L", "RGB"):
        tables: dict[int, list[int]] = getattr(image, "quantization", {})
        grid = jpeg_grid(tables, image.size, exif.get(_ORIENTATION))
        pixels = _decoded_by_opencv(content) if _has_its_end(content) else None
        if pixels is not None:
            return _upright(pixels, exif.get(_ORIENTATION)), focal, grid
    image.load()
    # In place: a picture that is upright already is not copied.
    ImageOps.exif_transpose(image, in_place=True)
    return _colour_array(image, name), focal, grid


def _has_its_end(content: bytes) -> bool:
    """Whether an end mark stands behind the last scan of a JPEG: it was not cut short."""
    end = content.rfind(b"\xff\xd9")
    return end >= 0 and content.find(b"\xff\xda", end) < 0


def _decoded_by_opencv(content: bytes) -> NDArray[np.uint8] | None:
    """Colours of a JPEG, (M, N, 3), as stored; None where OpenCV gives up (Pillow tells why).

    Both decode by libjpeg-turbo and to the same values, but Pillow's way from its own memory to an
    array takes as long again.
    """
    import cv2

    how = cv2.IMREAD_COLOR_RGB | cv2.IMREAD_IGNORE_ORIENTATION
    try:
        found = cv2.imdecode(np.frombuffer(content, np.uint8), how)
    except cv2.error as error:
        if error.code == cv2.Error.StsNoMem:
            raise MemoryError from error
        return None
    return None if found is None else np.asarray(found, dtype=np.uint8)


def _upright(pixels: NDArray[np.uint8], orientation: object) -> NDArray[np.uint8]:
    """The picture turned and mirrored as Exif 2.32, tag Orientation, says; 1 is upright."""
    if orientation in (5, 6, 7, 8):
        pixels = pixels.transpose(1, 0, 2)
    if orientation in (2, 3, 6, 7):
        pixels = pixels[:, ::-1]
    if orientation in (3, 4, 7, 8):
        pixels = pixels[::-1]
    return np.ascontiguousarray(pixels)


def _pixels_decoded(image: Image.Image) -> int:
    """Pixels that a decoder goes through; the tiles of a TIFF may reach far over its edges."""
    width, height = image.size
    tags = getattr(image, "tag_v2", {})
    tile_width, tile_height = tags.get(_TILE_WIDTH), tags.get(_TILE_LENGTH)
    if not (isinstance(tile_width, int) and isinstance(tile_height, int)):
        return width * height
    across, down = max(tile_width, 1), max(tile_height, 1)
    return -(-width // across) * across * -(-height // down) * down


def _scans(content: bytes) -> int:
    """How many scans a JPEG has; a progressive decoder goes over the whole picture for each.

    Pictures of another kind may follow behind the end mark, as phones put them there.
    """
    count = content.count(b"\xff\xda")
    if count <= _MOST_SCANS:
        return count
    count, place = 0, 2
    while (mark := _JPEG_MARK.search(content, place)) is not None:
        kind, place = mark[0][1], mark.end()
        if kind == _END_OF_IMAGE:
            break
        count += kind == _START_OF_SCAN
        if kind != 0x01:
            place += int.from_bytes(content[place : place + 2], "big")
    return count


def _too_large(name: str, most_megapixels: float) -> PhotoError:
    return PhotoError(
        f"{name}: the picture has more than {most_megapixels:g} megapixels. "
        "Save it smaller or set the camera to fewer megapixels."
    )


def _check_pixels(size: tuple[int, int], name: str, most_megapixels: float) -> None:
    width, height = size
    if width * height > most_megapixels * 1e6:
        raise _too_large(name, most_megapixels)
    if min(width, height) < LEAST_SIDE_PX:
        raise PhotoError(
            f"{name}: the picture is {width} × {height} pixels, too small to measure. "
            "Use the camera's full picture: each side must have at least "
            f"{LEAST_SIDE_PX} pixels."
        )


def _focal_35mm(exif: Image.Exif) -> float | None:
    value = exif.get_ifd(_EXIF_IFD).get(_FOCAL_35MM)
    if value is None:
        return None
    try:
        focal = float(value)
    except (TypeError, ValueError):
        return None  # a text or several numbers where one belongs: the picture itself is good
    # 0 means "unknown" in the standard; other values outside lenses that exist are slips.
    return focal if math.isfinite(focal) and 5.0 <= focal <= 2000.0 else None


def _colour_array(image: Image.Image, name: str) -> NDArray[np.uint8]:
    if image.mode == "F":
        raise PhotoError(
            f"{name}: the picture holds floating-point values. "
            "Save it with 8 or 16 bits a colour and try again."
        )
    if image.mode.startswith("I"):
        return _from_16_bit(np.asarray(image), name)
    if image.mode in ("RGBA", "RGBa", "LA", "La", "PA") or "transparency" in image.info:
        image = image.convert("RGBA")
        white = Image.new("RGBA", image.size, (255, 255, 255, 255))
        image = Image.alpha_composite(white, image)
    return np.array(image if image.mode == "RGB" else image.convert("RGB"), dtype=np.uint8)


def _from_16_bit(values: NDArray[np.integer], name: str) -> NDArray[np.uint8]:
    if int(values.min()) < 0 or int(values.max()) > 65535:
        raise PhotoError(
            f"{name}: the picture holds 32-bit values. "
            "Save it with 8 or 16 bits a colour and try again."
        )
    grey = np.rint(values.astype(np.float32) / 257.0).astype(np.uint8)
    return np.repeat(grey[:, :, np.newaxis], 3, axis=2)
