"""What the tests of the page share: small photographs, one page at a time, what it says."""

import io

import numpy as np
from PIL import Image
from streamlit.testing.v1 import AppTest

HTML_NAME = "<img src=x onerror=alert(1)>**bold** [x](y).jpg"


def photograph(picture_format="JPEG", *, shade=150, size=(900, 300)):
    """A grey picture; the stand-in for measuring finds a blank on any."""
    out = io.BytesIO()
    Image.fromarray(np.full((size[1], size[0], 3), shade, np.uint8)).save(out, picture_format)
    return out.getvalue()


def write_samples(folder):
    """Two sample blanks, the second with a part and sizes."""
    sizes = "width_mm = 26\nheight_mm = 26\nlength_mm = 430\n"
    for name, record in (
        ("ash-1", ""),
        ("ash-2", f'part = "chair rung"\nspecies = "ash"\n{sizes}'),
    ):
        blank = folder / name
        blank.mkdir(parents=True)
        for shade, role in enumerate(("face-a", "face-b", "end"), 150):
            (blank / f"{role}.jpg").write_bytes(photograph(shade=shade))
        (blank / "blank.toml").write_text(record)
    return folder


def open_page(name, samples, folder):
    """One page of the six in the harness, run once."""
    script = folder / f"page_{name}.py"
    script.write_text(
        "from pathlib import Path\n"
        "from grainscan.shown.page import show\n"
        f"show(Path({str(samples)!r}), only={name!r})\n"
    )
    return AppTest.from_file(str(script), default_timeout=60).run()


def answer(at):
    """The answer's card; None where there is no answer."""
    cards = [e.proto.body for e in at.get("html") if 'class="answer"' in e.proto.body]
    assert len(cards) <= 1
    return cards[0] if cards else None


def word(at):
    """The sorting word on the answer's card."""
    card = answer(at)
    return None if card is None else card.split('class="word">')[1].split("<")[0]


def texts(at):
    """Everything the page says, in one text."""
    said = [e.value for kind in (at.markdown, at.caption, at.error, at.info) for e in kind]
    said += [e.value for kind in (at.success, at.warning) for e in kind]
    return "\n".join([*said, *(e.proto.body for e in at.get("html"))])


def errors(at):
    """Lines of trouble; an exception on the page is a fault in every test."""
    assert not at.exception, at.exception
    return [error.value for error in at.error]
