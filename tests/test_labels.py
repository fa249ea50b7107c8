"""Label sheets: the QR code is read back, everything lies on its label, nothing is cut off."""

import dataclasses
import re

import cv2
import numpy as np
import pypdfium2
import pytest

from grainscan.errors import InputError
from grainscan.stock.find import StockLine
from grainscan.stock.label_sheets import SHEETS, sheet_named
from grainscan.stock.labels import labels_pdf
from grainscan.stock.pdf_pages import fitted, open_pdf

DPI = 200
_NONE = {field.name: None for field in dataclasses.fields(StockLine)}
LINE = StockLine(**{
    **_NONE,
    "code": "ash-26-014", "species": "white ash", "part": "chair rung", "width_mm": 25.0,
    "height_mm": 26.0, "length_mm": 430.0, "rack": "B3", "sort": "keep",
    "measured_sort": "keep", "because": (), "slope_deg": 1.4, "slope_low_deg": 1.1,
    "slope_high_deg": 1.8,
})  # fmt: skip


def line(code="ash-26-014", **changes):
    return dataclasses.replace(LINE, code=code, **changes)


def pages(pdf):
    """Each page as grey pixels, and its text."""
    document = pypdfium2.PdfDocument(pdf)
    found = []
    for page in document:
        pixels = page.render(scale=DPI / 72, grayscale=True).to_numpy()
        found.append((np.ascontiguousarray(pixels.reshape(pixels.shape[:2])),
                      page.get_textpage().get_text_range()))  # fmt: skip
    document.close()
    return found


def on_label(pixels, sheet, number):
    left, top = sheet.corner_mm(number)
    px = DPI / 25.4
    x, y = round(left * px), round(top * px)
    return pixels[y : y + round(sheet.label_mm[1] * px), x : x + round(sheet.label_mm[0] * px)]


def read_qr(pixels):
    text, *_ = cv2.QRCodeDetector().detectAndDecode(cv2.cvtColor(pixels, cv2.COLOR_GRAY2BGR))
    return text


@pytest.mark.parametrize("name", SHEETS)
def test_the_code_is_read_back_from_every_sheet(name):
    sheet = SHEETS[name]
    codes = [f"ash-26-{k:03d}" for k in range(sheet.labels)]
    ((pixels, text),) = pages(labels_pdf([line(code) for code in codes], sheet))
    for number in {0, sheet.columns - 1, sheet.labels - 1}:
        assert read_qr(on_label(pixels, sheet, number)) == codes[number]
    assert all(code in text for code in codes)


@pytest.mark.parametrize("code", ["A", "white-oak-26-0147", "Ærø 7/b", "x" * 40])
def test_any_code_is_read_back(code):
    sheet = SHEETS["a4-2x4"]
    ((pixels, _),) = pages(labels_pdf([line(code)], sheet))
    assert read_qr(on_label(pixels, sheet, 0)) == code


@pytest.mark.parametrize("name", SHEETS)
def test_nothing_lies_beside_its_label(name):
    """The longest texts, on the outermost labels: ink only where labels are."""
    sheet = SHEETS[name]
    long = line(
        "white-oak-26-0147-second-billet", species="white oak " * 3, part="back post " * 3,
        rack="loft, third bay " * 2, sort="set aside", overruled_by="Maud of Alder Ford",
        slope_high_deg=None,
    )  # fmt: skip
    ((pixels, _),) = pages(labels_pdf([long] * sheet.labels, sheet))
    assert sheet.page_mm == pytest.approx([s * 25.4 / DPI for s in pixels.shape[::-1]], abs=0.2)
    outside = np.ones_like(pixels, bool)
    for number in range(sheet.labels):
        left, top = (round(c * DPI / 25.4) for c in sheet.corner_mm(number))
        wide, high = (round(c * DPI / 25.4) for c in sheet.label_mm)
        # The cutting line lies on the border itself.
        outside[max(top - 2, 0) : top + high + 3, max(left - 2, 0) : left + wide + 3] = False
    assert pixels[outside].min(initial=255) == 255
    # On die-cut labels the ink keeps clear of the cut, for printers are not exact.
    if not sheet.cut_lines:
        label = on_label(pixels, sheet, sheet.labels - 1)
        edge = round(1.5 * DPI / 25.4)
        inner = np.zeros_like(label, bool)
        inner[edge:-edge, edge:-edge] = True
        assert label[~inner].min() == 255


def test_sheets_fit_their_pages():
    for sheet in SHEETS.values():
        left, top = sheet.corner_mm(0)
        right, bottom = sheet.corner_mm(sheet.labels - 1)
        assert left >= -1e-9
        assert top >= -1e-9
        assert right + sheet.label_mm[0] == pytest.approx(sheet.page_mm[0] - left)
        assert bottom + sheet.label_mm[1] == pytest.approx(sheet.page_mm[1] - top)


def test_what_is_said():
    ((_, text),) = pages(labels_pdf([LINE], SHEETS["plain-a4"]))
    for words in ("ash-26-014", "keep", "1 in 41 (1.4°)", "white ash, chair rung",
                  "25 × 26 × 430 mm", "rack B3", "marked end"):  # fmt: skip
        assert words in text


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"sort": None, "slope_deg": None}, ["not scanned", "slope not known"]),
        ({"slope_high_deg": None}, ["at least 1 in 41"]),
        ({"sort": "set aside", "overruled_by": "Łucja"}, ["set aside", "by hand: Łucja"]),
        ({"species": None, "part": None}, ["wood not named"]),
        ({"height_mm": None}, ["25 × ? × 430 mm"]),
    ],
)
def test_what_is_not_known_is_said(changes, words):
    ((_, text),) = pages(labels_pdf([line(**changes)], SHEETS["plain-a4"]))
    assert all(word in text for word in words)


def test_words_are_told_apart_without_reading(tmp_path):
    """Each word has a mark of its own shape, in black."""
    sheet = SHEETS["plain-a4"]
    words = ("keep", "check", "set aside", None)
    ((pixels, _),) = pages(labels_pdf([line(sort=word) for word in words], sheet))
    left, right = (round(mm * DPI / 25.4) for mm in (33.6, 38.2))
    top, bottom = (round(mm * DPI / 25.4) for mm in (10.5, 16.0))
    marks = [on_label(pixels, sheet, k)[top:bottom, left:right] < 128 for k in range(4)]
    for k, one in enumerate(marks):
        assert one.any()
        for other in marks[k + 1 :]:
            assert (one ^ other).mean() > 0.05


def test_a_sheet_that_was_begun():
    sheet = SHEETS["letter-3x10"]
    first, second = pages(labels_pdf([line(f"a-{k}") for k in range(5)], sheet, first=28))
    assert read_qr(on_label(first[0], sheet, 27)) == "a-0"
    assert on_label(first[0], sheet, 26).min() == 255
    assert read_qr(on_label(second[0], sheet, 1)) == "a-4"


def test_a_printer_that_shifts_its_pages():
    sheet = SHEETS["a4-3x8"]
    ((plain, _),) = pages(labels_pdf([LINE], sheet))
    ((shifted, _),) = pages(labels_pdf([LINE], sheet, shift_mm=(2.54, 1.27)))
    rolled = np.roll(plain, (round(DPI / 20), round(DPI / 10)), axis=(0, 1))
    assert np.abs(rolled.astype(int) - shifted).mean() < 0.5


def test_wrong_wishes_are_one_line():
    with pytest.raises(InputError, match="No blank was chosen"):
        labels_pdf([], SHEETS["plain-a4"])
    for first in (0, 22):
        with pytest.raises(InputError, match="labels 1 to 21"):
            labels_pdf([LINE], SHEETS["a4-3x7"], first=first)
    with pytest.raises(InputError, match="no label sheet 'a5'"):
        sheet_named("a5")
    assert sheet_named("A4-3X7") is SHEETS["a4-3x7"]


def test_texts_are_made_to_fit():
    with open_pdf((100.0, 50.0), title="test") as pdf:
        pdf.add_page()
        assert fitted(pdf, "short", 50.0, 10.0) == "short"
        assert pdf.font_size_pt == 10.0
        assert fitted(pdf, "a text of some length", 25.0, 12.0) == "a text of some length"
        assert pdf.get_string_width("a text of some length") <= 25.0
        cut = fitted(pdf, "no room for so many words here", 10.0, 12.0)
        assert re.fullmatch(r"no room.*…", cut)
        assert pdf.get_string_width(cut) <= 10.0
        assert fitted(pdf, "nothing", 0.5, 12.0) in ("", "…")


def test_no_file_is_left_open():
    """The library keeps fonts' files open; a page that prints all day would run out of them."""
    with open_pdf((100.0, 50.0), title="test") as pdf:
        files = [font.ttfont.reader.file for font in pdf.fonts.values()]
        assert [file.closed for file in files] == [False, False]
    assert [file.closed for file in files] == [True, True]
