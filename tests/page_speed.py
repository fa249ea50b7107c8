"""How soon the page answers, and how much memory it takes: ``python -m tests.page_speed``.

Photographs of twelve megapixels go up through a browser. Times run from the moment the upload is
handed over to the answer on the screen, so the transfer on this machine is in them.
"""

import argparse
import io
import tempfile
import time
from pathlib import Path

import psutil
from PIL import Image
from playwright.sync_api import sync_playwright

from tests.browser import ROOT, Visitor, chromium, served

SIZE = (4000, 3000)


def twelve_megapixels(source, number):
    """A sample's photograph on a canvas of twelve megapixels; ``number`` makes each one new."""
    image = Image.open(source)
    image = image.resize((SIZE[0], round(image.height * SIZE[0] / image.width)))
    canvas = Image.new("RGB", SIZE, image.getpixel((5, 5)))
    canvas.paste(image, (0, (SIZE[1] - image.height) // 2))
    canvas.paste((number % 256, 40 + number // 256, 90), (0, 0, 64, 64))
    out = io.BytesIO()
    canvas.save(out, "JPEG", quality=92)
    return out.getvalue()


def write_blanks(folder, count):
    """Folders of three photographs each; the same wood, other bytes."""
    samples = sorted(path.parent for path in (ROOT / "sample_images").glob("*/end.jpg"))
    for k in range(count):
        blank = folder / f"blank-{k:03d}"
        blank.mkdir()
        sample = samples[k % len(samples)]
        for role in ("face-a", "face-b", "end"):
            content = twelve_megapixels(sample / f"{role}.jpg", k)
            (blank / f"{role}.jpg").write_bytes(content)
        yield [blank / f"{role}.jpg" for role in ("face-a", "face-b", "end")]


def one_by_one(visitor, files):
    """Seconds from handing over the last photograph to the answer, the others before it."""
    names = ("Face A", "Face B", "Marked end")
    for file, name in zip(files, names, strict=True):
        visitor.page.get_by_role("heading", name=f"of 3: {name}").wait_for()
        visitor.settled()
        start = time.monotonic()
        visitor.upload(file)
        if name != names[-1]:
            visitor.page.get_by_text(f"{name}: {file.name}").wait_for()
    visitor.page.locator(".answer .word").wait_for()
    return time.monotonic() - start


def at_once(visitor, files):
    """Seconds from handing over three photographs together to the answer."""
    start = time.monotonic()
    visitor.upload(*files)
    visitor.page.locator(".answer .word").wait_for()
    return time.monotonic() - start


def limit_moved(visitor, way):
    """Seconds from a key on the limit's slider to the answer for the new limit."""
    before = visitor.page.locator(".answer .range").inner_text()
    thumb = visitor.page.get_by_role("slider", name="Steepest slope allowed")
    thumb.focus()
    start = time.monotonic()
    visitor.page.keyboard.press("ArrowLeft" if way else "ArrowRight")
    visitor.page.wait_for_function(
        "before => document.querySelector('.answer .range').innerText !== before", arg=before
    )
    return time.monotonic() - start


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--blanks", type=int, default=30)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as text, sync_playwright() as playwright:
        folder = Path(text)
        browser = playwright.chromium.launch(executable_path=chromium(), args=["--no-sandbox"])
        with served(folder / "book.sqlite") as (address, process):
            server = psutil.Process(process.pid)
            visitor = Visitor(browser, address)
            visitor.open()
            visitor.word()
            most, singles, together, moved = 0.0, [], [], []
            for k, files in enumerate(write_blanks(folder, given.blanks)):
                visitor.choose("All at once" if k % 2 else "One by one")
                visitor.page.get_by_text("give the first photograph").wait_for()
                visitor.settled()
                seconds = (at_once if k % 2 else one_by_one)(visitor, files)
                (together if k % 2 else singles).append(seconds)
                visitor.settled()
                moved.append(limit_moved(visitor, k % 2))
                most = max(most, server.memory_info().rss / 1e6)
                print(
                    f"{k + 1}: {seconds:.2f} s, {server.memory_info().rss / 1e6:.0f} MB", flush=True
                )
        browser.close()
    for name, values in (
        ("last of three photographs, one by one", singles),
        ("three photographs at once", together),
        ("limit moved", moved),
    ):
        if values:
            ordered = sorted(values)
            print(f"{name}: median {ordered[len(ordered) // 2]:.2f} s, most {ordered[-1]:.2f} s")
    print(f"most memory of the server: {most:.0f} MB after {given.blanks} blanks")


if __name__ == "__main__":
    main()
