"""The page in a browser: whole journeys of a visitor, at a desk and on a phone."""

import pytest

pytest.importorskip("playwright")

from playwright.sync_api import sync_playwright

from tests.browser import ROOT, Visitor, chromium, served

BLANK = ROOT / "sample_images" / "ash-rung-straight"
FILES = [BLANK / f"{role}.jpg" for role in ("face-a", "face-b", "end")]


@pytest.fixture(scope="module")
def browser():
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=chromium(), args=["--no-sandbox"])
        yield opened
        opened.close()


def correct_a_corner(visitor, before):
    """Drag the left top corner of face A, see another answer, and take it back."""
    page = visitor.page
    page.get_by_text("Correct by hand", exact=True).click()
    visitor.settled()
    handle = page.locator("[data-point='0']")
    handle.wait_for()
    handle.scroll_into_view_if_needed()
    box = handle.locator(".ring").bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 4, y + 12, steps=4)
    page.mouse.up()
    page.get_by_text("Face A: outline", exact=True).wait_for()
    visitor.settled()
    assert visitor.answer() != before
    page.get_by_role("button", name="Undo").click()
    page.get_by_text("Face A: outline", exact=True).wait_for(state="detached")
    visitor.settled()
    assert visitor.answer() == before


def keep_in_the_book(visitor, code):
    page = visitor.page
    page.get_by_text("Keep it in the stock book").click()
    page.get_by_label("Code of the blank").fill(code)
    page.get_by_role("button", name="Keep in the book").click()
    page.get_by_text(f"Kept in the book as {code}.").wait_for()
    visitor.settled()


def find_in_the_book(visitor, code):
    page = visitor.page
    visitor.go("Stock")
    for typed, seen in (("no such blank", "No blank answers"), (code[:4], "found, best first")):
        page.get_by_label("Code, or a piece of it").fill(typed)
        page.keyboard.press("Enter")
        page.get_by_text(seen).wait_for()
    visitor.settled()
    page.get_by_role("combobox", name="Open").click()
    page.get_by_role("option", name=code).click()
    return visitor.word()


def journey(browser, address, *, size, code, one_by_one):
    """Photographs, answer, limit, a corner, the book, label, report; no error on the console."""
    visitor = Visitor(browser, address, size=size, touch=one_by_one)
    visitor.open()
    if one_by_one:
        visitor.choose("One by one")
        for file, name in zip(FILES, ("Face A", "Face B", "Marked end"), strict=True):
            visitor.page.get_by_role("heading", name=f"of 3: {name}").wait_for()
            visitor.settled()
            visitor.upload(file)
            visitor.page.get_by_text(f"{name}: {file.name}").wait_for()
    else:
        visitor.choose("All at once")
        visitor.upload(*FILES)
    first = visitor.answer()
    visitor.slide("Steepest slope allowed", -8)
    assert "1 in 12" in visitor.page.get_by_test_id("stMain").inner_text()
    visitor.slide("Steepest slope allowed", 8)
    assert visitor.answer() == first
    correct_a_corner(visitor, first)
    keep_in_the_book(visitor, code)
    assert visitor.overflow() <= 0
    assert find_in_the_book(visitor, code) == first[0]
    assert visitor.download("Label (PDF)").startswith(b"%PDF")
    assert visitor.download("Report (PDF)").startswith(b"%PDF")
    assert b"ash" in visitor.download("Report (HTML)")
    assert visitor.overflow() <= 0
    assert visitor.console == []
    visitor.context.close()
    return first


@pytest.mark.parametrize(
    ("size", "one_by_one"), [((1280, 900), False), ((360, 740), True)], ids=["desk", "phone"]
)
def test_from_photographs_to_the_book_and_after_a_restart(browser, tmp_path, size, one_by_one):
    book = tmp_path / "book.sqlite"
    with served(book) as (address, _):
        first = journey(browser, address, size=size, code="ash-26-001", one_by_one=one_by_one)
    with served(book) as (address, _):
        visitor = Visitor(browser, address, size=size)
        visitor.open("stock?blank=ash-26-001")
        assert visitor.answer()[:2] == first[:2]
        assert visitor.console == []
        visitor.context.close()
