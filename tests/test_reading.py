"""Reading photographs: formats, orientations and files that are none."""

import hashlib
import io
import os
import socket
import struct
import zlib

import numpy as np
import pillow_heif
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from grainscan.errors import PhotoError
from grainscan.photo.reading import read_photo

WIDTH, HEIGHT = 150, 110


@pytest.fixture(scope="module")
def picture():
    """A smooth upright picture with no symmetry: brightness tells every corner apart."""
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    red = 255 * x / WIDTH
    green = 255 * y / HEIGHT
    blue = 60 + 100 * (x / WIDTH) * (y / HEIGHT)
    return np.rint(np.stack([red, green, blue], axis=-1)).astype(np.uint8)


def encoded(image, picture_format, **options):
    out = io.BytesIO()
    if picture_format == "HEIF":
        pillow_heif.register_heif_opener()
    image.save(out, picture_format, **options)
    return out.getvalue()


@pytest.mark.parametrize(
    ("picture_format", "options", "error"),
    [
        ("PNG", {}, 0),
        ("TIFF", {}, 0),
        ("TIFF", {"compression": "tiff_lzw"}, 0),
        ("WEBP", {"lossless": True}, 0),
        ("JPEG", {"quality": 95}, 4),
        ("JPEG", {"quality": 95, "progressive": True}, 4),
        ("HEIF", {"quality": 95}, 4),
    ],
)
def test_each_format_gives_the_colours_back(picture, picture_format, options, error):
    content = encoded(Image.fromarray(picture), picture_format, **options)
    photo = read_photo(content, name="x")
    assert photo.pixels.shape == (HEIGHT, WIDTH, 3)
    assert photo.pixels.dtype == np.uint8
    assert np.abs(photo.pixels.astype(int) - picture).max() <= error
    assert photo.sha256 == hashlib.sha256(content).hexdigest()
    assert photo.focal_35mm is None


def test_pixels_cannot_be_written(picture):
    photo = read_photo(encoded(Image.fromarray(picture), "PNG"), name="x")
    with pytest.raises(ValueError, match="read-only"):
        photo.pixels[0, 0, 0] = 1


# How the stored rows and columns lie for each orientation: Exif 2.32, tag Orientation (274),
# "the 0th row is at the visual top of the image, the 0th column at the visual left", and so on.
STORED = {
    1: lambda p: p,
    2: lambda p: p[:, ::-1],
    3: lambda p: p[::-1, ::-1],
    4: lambda p: p[::-1],
    5: lambda p: p.transpose(1, 0, 2),
    6: lambda p: p.transpose(1, 0, 2)[::-1],
    7: lambda p: p.transpose(1, 0, 2)[::-1, ::-1],
    8: lambda p: p.transpose(1, 0, 2)[:, ::-1],
}


@pytest.mark.parametrize("orientation", STORED)
@pytest.mark.parametrize("picture_format", ["PNG", "JPEG", "TIFF", "WEBP"])
def test_every_orientation_is_turned_upright(picture, picture_format, orientation):
    exif = Image.Exif()
    exif[274] = orientation
    stored = Image.fromarray(np.ascontiguousarray(STORED[orientation](picture)))
    options = {"lossless": True} if picture_format == "WEBP" else {}
    content = encoded(stored, picture_format, exif=exif, **options)
    pixels = read_photo(content, name="x").pixels
    assert pixels.shape == picture.shape
    # The colours are a ramp: a JPEG keeps them within a few levels, a wrong turn does not.
    assert np.abs(pixels.astype(int) - picture).max() <= 12


@pytest.mark.parametrize("orientation", STORED)
def test_a_heic_file_is_turned_upright_once(picture, orientation):
    exif = Image.Exif()
    exif[274] = orientation
    stored = Image.fromarray(np.ascontiguousarray(STORED[orientation](picture)))
    content = encoded(stored, "HEIF", exif=exif.tobytes(), quality=95)
    pixels = read_photo(content, name="x").pixels
    assert pixels.shape == picture.shape
    assert np.abs(pixels.astype(int) - picture).max() <= 12


def test_a_jpeg_of_48_megapixels():
    # A ramp in both directions, of which any turn or shift would show.
    across = np.linspace(0, 255, 8000, dtype=np.float32)[None, :]
    down = np.linspace(0, 255, 6000, dtype=np.float32)[:, None]
    large = np.empty((6000, 8000, 3), np.uint8)
    large[..., 0], large[..., 1], large[..., 2] = across, down, 90
    pixels = read_photo(encoded(Image.fromarray(large), "JPEG", quality=90), name="x").pixels
    assert pixels.shape == (6000, 8000, 3)
    few = (slice(0, None, 97), slice(0, None, 89))
    assert np.abs(pixels[few].astype(int) - large[few]).max() <= 6


@pytest.mark.parametrize("mode", ["L", "P", "1", "LA", "PA", "RGBA", "CMYK", "YCbCr"])
def test_other_colour_modes_become_rgb(picture, mode):
    image = Image.fromarray(picture).convert(mode)
    picture_format = "JPEG" if mode in ("CMYK", "YCbCr") else "PNG"
    if mode == "PA":
        image, picture_format = Image.fromarray(picture).convert("P"), "PNG"
        image.info["transparency"] = 0
    photo = read_photo(encoded(image, picture_format), name="x")
    assert photo.pixels.shape == (HEIGHT, WIDTH, 3)
    # Dark on the left stays dark on the left, in every mode.
    assert photo.pixels[:, :30].mean() + 40 < photo.pixels[:, -30:].mean()


def test_grey_is_repeated_in_the_three_colours(picture):
    grey = picture[:, :, 0]
    pixels = read_photo(encoded(Image.fromarray(grey), "PNG"), name="x").pixels
    for channel in range(3):
        np.testing.assert_array_equal(pixels[:, :, channel], grey)


@pytest.mark.parametrize("picture_format", ["PNG", "TIFF"])
def test_sixteen_bit_grey_keeps_its_full_range(picture_format):
    ramp = np.linspace(0, 65535, WIDTH * HEIGHT).reshape(HEIGHT, WIDTH).round().astype(np.uint16)
    pixels = read_photo(encoded(Image.fromarray(ramp), picture_format), name="x").pixels
    assert pixels[0, 0, 0] == 0
    assert pixels[-1, -1, 0] == 255
    assert np.abs(pixels[:, :, 0] - ramp / 257).max() <= 0.5


def test_sixteen_bit_colour_tiff(picture):
    """Written by OpenCV: Pillow cannot write 16-bit colour."""
    import cv2

    ok, content = cv2.imencode(".tiff", picture[:, :, ::-1].astype(np.uint16) * 257)
    assert ok
    pixels = read_photo(content.tobytes(), name="x").pixels
    assert np.abs(pixels.astype(int) - picture).max() <= 1


def test_transparent_places_are_laid_on_white(picture):
    alpha = np.zeros((HEIGHT, WIDTH, 1), np.uint8)
    alpha[:, : WIDTH // 2] = 255
    image = Image.fromarray(np.concatenate([picture, alpha], axis=2))
    pixels = read_photo(encoded(image, "PNG"), name="x").pixels
    np.testing.assert_array_equal(pixels[:, : WIDTH // 2], picture[:, : WIDTH // 2])
    assert (pixels[:, WIDTH // 2 :] == 255).all()


def test_focal_length_is_read_from_exif(picture):
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0xA405] = 26
    content = encoded(Image.fromarray(picture), "JPEG", exif=exif)
    assert read_photo(content, name="x").focal_35mm == 26.0
    exif.get_ifd(0x8769)[0xA405] = 0  # "unknown" in the standard
    content = encoded(Image.fromarray(picture), "JPEG", exif=exif)
    assert read_photo(content, name="x").focal_35mm is None


def test_first_of_several_pictures_is_taken(picture):
    first = Image.fromarray(picture)
    content = encoded(
        first, "TIFF", save_all=True, append_images=[Image.new("RGB", (WIDTH, HEIGHT))]
    )
    np.testing.assert_array_equal(read_photo(content, name="x").pixels, picture)


def one_line(call):
    with pytest.raises(PhotoError) as caught:
        call()
    text = str(caught.value)
    assert "\n" not in text
    assert text.endswith(".")
    return text


def test_files_that_are_no_photograph(tmp_path, picture):
    text = tmp_path / "face-a.jpg"
    text.write_text("shopping list")
    assert "whatever its name says" in one_line(lambda: read_photo(text))
    assert one_line(lambda: read_photo(text)).startswith("face-a.jpg: ")
    empty = tmp_path / "end.jpg"
    empty.touch()
    assert "0 bytes" in one_line(lambda: read_photo(empty))
    assert "folder" in one_line(lambda: read_photo(tmp_path))
    assert "no such file" in one_line(lambda: read_photo(tmp_path / "missing.jpg"))
    assert "cannot be read" in one_line(lambda: read_photo(tmp_path / "a\0b.jpg"))
    gif = encoded(Image.fromarray(picture), "GIF")
    assert "Save it as JPEG" in one_line(lambda: read_photo(gif, name="anim.jpg"))


def test_a_name_with_a_line_break_stays_on_one_line(tmp_path):
    assert "a?b.jpg" in one_line(lambda: read_photo(tmp_path / "a\nb.jpg"))


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read every file")
def test_unreadable_file(tmp_path):
    path = tmp_path / "end.jpg"
    path.write_bytes(b"\xff\xd8\xff")
    path.chmod(0)
    assert "permission" in one_line(lambda: read_photo(path))


def test_permission_denied_is_said(tmp_path, monkeypatch):
    path = tmp_path / "end.jpg"
    path.write_bytes(b"\xff\xd8\xff")

    def denied(*_args, **_kwargs):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(type(path), "open", denied)
    assert "permission" in one_line(lambda: read_photo(path))


def test_a_socket_does_not_hang(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)  # socket paths are short
    with socket.socket(socket.AF_UNIX) as server:
        server.bind("end.jpg")
        assert "no ordinary file" in one_line(lambda: read_photo(tmp_path / "end.jpg"))


@pytest.mark.parametrize("size", [(1, 1), (1, 30000), (30000, 1), (99, 500)])
def test_too_small(size):
    content = encoded(Image.new("RGB", size), "PNG")
    assert "too small" in one_line(lambda: read_photo(content, name="x"))


def png_announcing(width, height):
    """A PNG whose header announces a size that its data does not hold (PNG specification, 11.2)."""

    def chunk(kind, data):
        return (
            struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        )

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(b"0"))


@pytest.mark.parametrize("side", [8000, 12000, 65535])
def test_too_many_pixels_are_refused_before_decoding(side):
    text = one_line(lambda: read_photo(png_announcing(side, side), name="x"))
    assert "more than 60 megapixels" in text


def test_the_limit_on_pixels_can_be_set(picture):
    content = encoded(Image.fromarray(picture), "PNG")
    text = one_line(lambda: read_photo(content, name="x", most_megapixels=0.01))
    assert "0.01 megapixels" in text


def test_deep_values_are_refused_in_words():
    floats = encoded(Image.fromarray(np.ones((HEIGHT, WIDTH), np.float32)), "TIFF")
    assert "floating-point" in one_line(lambda: read_photo(floats, name="x"))
    ints = encoded(Image.fromarray(np.full((HEIGHT, WIDTH), 1 << 20, np.int32)), "TIFF")
    assert "32-bit" in one_line(lambda: read_photo(ints, name="x"))


@pytest.mark.parametrize("picture_format", ["PNG", "JPEG", "TIFF", "WEBP", "HEIF"])
@pytest.mark.parametrize("share", [0.02, 0.2, 0.5, 0.9])
def test_truncated_files(picture, picture_format, share):
    noisy = picture + np.random.default_rng(5).integers(0, 40, picture.shape, dtype=np.uint8)
    content = encoded(Image.fromarray(noisy), picture_format)
    text = one_line(lambda: read_photo(content[: int(len(content) * share)], name="x"))
    assert "damaged" in text or "whatever its name says" in text


@settings(max_examples=60)
@given(garbage=st.binary(min_size=1, max_size=300), kind=st.sampled_from(range(5)))
def test_garbage_behind_a_good_beginning(garbage, kind):
    start = [
        b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n", b"II*\0", b"RIFF\0\0\0\0WEBP",
        b"\0\0\0\x18ftypheic",
    ][kind]  # fmt: skip
    one_line(lambda: read_photo(start + garbage, name="x"))


@settings(max_examples=60)
@given(garbage=st.binary(max_size=200))
def test_garbage_in_exif_is_one_line_or_ignored(garbage):
    image = Image.fromarray(np.full((HEIGHT, WIDTH, 3), 120, np.uint8))
    content = encoded(image, "JPEG", exif=b"Exif\0\0MM\0*\0\0\0\x08" + garbage)
    try:
        photo = read_photo(content, name="x")
    except PhotoError as error:
        photo = None
        line = str(error)
    assert "\n" not in line if photo is None else photo.pixels.shape[2] == 3
