"""The page in a browser: whole journeys of a visitor, at a desk and on a phone."""

import pytest

pytest.importorskip("playwright")

from playwright.sync_api import sync_playwright

from tests.browser import ROOT, Visitor, chromium, served

BLANK = ROOT / "sample_images" / "ash-rung-straight"
FAKED = "tests/faked_page.py"
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
    page.keyboard.press("Tab")
    visitor.settled()
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
    visitor.pick("Open", code)
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
    visitor.slide("Steepest slope allowed", -8, until="limit 1 in 12")
    visitor.slide("Steepest slope allowed", 8, until="limit 1 in 20")
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


PAGES = ("Scan a blank", "Sort a batch", "Stock", "Shape", "Dry", "Learn")


def findings(visitor, axe):
    """Serious and critical findings of axe-core on the page as it is."""
    response = axe.run(visitor.page).response
    # A page on which nothing was looked at would have no findings either.
    assert {"color-contrast", "label", "image-alt"} & {one["id"] for one in response["passes"]}
    found = response["violations"]
    return [
        f"{one['id']}: {node['html'][:160]}"
        for one in found
        if one["impact"] in {"serious", "critical"}
        for node in one["nodes"]
    ]


def test_every_page_can_be_used_by_everybody(browser, tmp_path, quick_disk):
    """axe-core finds nothing serious; nothing is wider than a phone; nothing on the console."""
    from axe_playwright_python.sync_playwright import Axe

    axe = Axe()
    book = tmp_path / "book.sqlite"
    fill(book, tmp_path / "rack")
    trouble = []
    with served(book, script=FAKED) as (address, _):
        visitor = Visitor(browser, address, size=(360, 740), touch=True)
        visitor.open()
        for name in PAGES:
            if name != "Scan a blank":
                visitor.go(name)
            if name == "Scan a blank":
                visitor.word()
                visitor.page.get_by_text("Correct by hand", exact=True).click()
                visitor.page.locator("[data-point='0']").wait_for()
            elif name == "Stock":
                visitor.pick("Open", "ash-26-001")
                visitor.word()
            elif name == "Shape":
                visitor.choose("A part in it")
                visitor.page.locator(".words, [data-testid=stAlert]").first.wait_for()
            elif name == "Learn":
                visitor.choose("Guess the slope")
                visitor.page.get_by_text("That is my guess").wait_for()
            visitor.settled()
            trouble += [f"{name}: {line}" for line in findings(visitor, axe)]
            if visitor.overflow() > 0:
                trouble.append(f"{name}: wider than the window by {visitor.overflow()} pixels")
        trouble += visitor.console
        visitor.context.close()
    assert trouble == []


def fill(book, rack):
    """A stock book with one blank; its photographs are plain grey, its measurement is made up."""
    from grainscan.stock.store import open_book
    from tests import stock_helpers
    from tests.page_helpers import photograph

    blank = rack / "ash-26-001"
    blank.mkdir(parents=True)
    for shade, role in enumerate(("face-a", "face-b", "end"), 150):
        size = (300, 300) if role == "end" else (1000, 300)
        (blank / f"{role}.png").write_bytes(photograph("PNG", shade=shade, size=size))
    sizes = "width_mm = 26\nheight_mm = 26\nlength_mm = 430\n"
    (blank / "blank.toml").write_text(f'species = "ash"\npart = "chair rung"\n{sizes}')
    stock_helpers.sort_folder(open_book(book), rack)


def test_two_visitors_at_once_stay_apart(browser, tmp_path):
    """What one uploads the other never sees, on any page."""
    with served(tmp_path / "book.sqlite", script=FAKED) as (address, _):
        one, other = Visitor(browser, address), Visitor(browser, address)
        for visitor in (one, other):
            visitor.open()
            visitor.choose("All at once")
        one.upload(*FILES)
        one.word()
        other.settled()
        assert other.page.locator(".answer").count() == 0
        assert "face-a.jpg" not in other.page.get_by_test_id("stMain").inner_text()
        other.go("Shape")
        assert "no blank to work on" in other.page.get_by_test_id("stMain").inner_text()
        one.go("Shape")
        one.page.locator(".words", has_text="which way to cut").wait_for()
        for visitor in (one, other):
            assert visitor.console == []
            visitor.context.close()


def closer_and_back(page):
    """Go closer to face A's picture and back; switch its fibre lines off."""
    svg = page.locator(".picture svg").first
    svg.wait_for()
    whole = svg.get_attribute("viewBox")
    page.get_by_role("button", name="Closer").first.click()
    closer = svg.get_attribute("viewBox")
    assert float(closer.split()[2]) < float(whole.split()[2])
    page.get_by_role("button", name="Whole").first.click()
    assert svg.get_attribute("viewBox") == whole
    fibres = svg.locator("[data-layer=fibres]")
    page.get_by_role("checkbox", name="Fibre lines").first.uncheck()
    assert fibres.evaluate("group => group.style.display") == "none"
    page.get_by_role("checkbox", name="Fibre lines").first.check()
    assert fibres.evaluate("group => group.style.display") == ""


def test_corrections_by_keys_and_taps(browser, tmp_path):
    """A corner goes with the arrow keys and keeps them; a knot is tapped; both are undone."""
    with served(tmp_path / "book.sqlite", script=FAKED) as (address, _):
        visitor = Visitor(browser, address)
        page = visitor.page
        visitor.open()
        visitor.word()
        closer_and_back(page)
        page.get_by_text("Correct by hand", exact=True).click()
        corner = page.locator("[data-point='2']")
        corner.wait_for()
        corner.focus()
        for _ in range(3):
            page.keyboard.press("ArrowUp")
        page.get_by_text("Face A: outline", exact=True).wait_for()
        visitor.settled()
        assert page.locator("[data-point='2']:focus").count() == 1
        visitor.pick("What to correct", "Knots on face A")
        face = page.locator("svg[aria-label='Knots on face A']")
        face.wait_for()
        face.scroll_into_view_if_needed()
        visitor.settled()
        box = face.bounding_box()
        page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
        page.get_by_text("Face A: outline; Face A: knot", exact=True).wait_for()
        page.get_by_text("You marked a knot").wait_for()
        for left in ("Face A: outline", None):
            page.get_by_role("button", name="Undo").click()
            if left is not None:
                page.get_by_text(left, exact=True).wait_for()
                visitor.settled()
        page.get_by_text("Face A: outline", exact=True).wait_for(state="detached")
        assert visitor.console == []
        visitor.context.close()


def photographs(folder, count):
    """Different photographs of twelve megapixels, as a phone takes them."""
    import numpy as np
    from PIL import Image

    rng = np.random.default_rng(7)
    base = np.kron(rng.integers(90, 160, (300, 400, 3), np.uint8), np.ones((10, 10, 1), np.uint8))
    for k in range(count):
        base[:40, :40] = k
        path = folder / f"IMG_{k:04d}.jpg"
        Image.fromarray(base).save(path, quality=90)
        yield path


def test_many_uploads_in_a_row_do_not_fill_the_memory(browser, tmp_path):
    """21 photographs, a blank after another: the server does not keep them all."""
    import psutil

    files = list(photographs(tmp_path, 21))
    sizes_mb = []
    with served(tmp_path / "book.sqlite", script=FAKED) as (address, process):
        server = psutil.Process(process.pid)
        visitor = Visitor(browser, address)
        visitor.open()
        visitor.choose("All at once")
        for k in range(0, len(files), 3):
            visitor.upload(*files[k : k + 3])
            visitor.page.get_by_text(f"Face A: {files[k].name}").wait_for()
            visitor.word()
            sizes_mb.append(server.memory_info().rss / 1e6)
            visitor.page.get_by_role("button", name="Next blank").click()
            visitor.page.get_by_text("give the first photograph").wait_for()
            visitor.settled()
        assert visitor.console == []
        visitor.context.close()
    # A photograph of twelve megapixels is 36 MB once it is decoded: were all of them kept, this
    # would be 750 MB on top of the 300 MB that the server takes at first. What finished runs have
    # freed goes back to the system when it likes, so single steps say nothing.
    assert max(sizes_mb) < 700, [round(size) for size in sizes_mb]
