"""The page, driven by Streamlit's own test harness; the measuring is a stand-in that counts."""

import io
import json
import sys
import zipfile
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

pytest.importorskip("streamlit")

import streamlit as st
from streamlit.testing.v1 import AppTest

from tests.fake_measuring import FakeMeasuring

APP = Path(__file__).parent.parent / "app.py"


def photograph(picture_format="JPEG"):
    out = io.BytesIO()
    Image.fromarray(np.full((300, 900, 3), 150, np.uint8)).save(out, picture_format)
    return out.getvalue()


@pytest.fixture
def fake(monkeypatch):
    # The harness puts the page in the place of the main module; processes started by later
    # tests would run it again.
    monkeypatch.setitem(sys.modules, "__main__", sys.modules["__main__"])
    st.cache_data.clear()
    yield FakeMeasuring(angle_a_deg=2.0, angle_b_deg=1.0, spread_deg=0.3).install(monkeypatch)
    st.cache_data.clear()


@pytest.fixture
def page(fake, tmp_path, monkeypatch):
    """The page over two sample blanks, one with a part."""
    for name, record in (("ash-1", ""), ("ash-2", 'part = "chair rung"\nspecies = "ash"')):
        folder = tmp_path / "samples" / name
        folder.mkdir(parents=True)
        for role in ("face-a", "face-b", "end"):
            (folder / f"{role}.jpg").write_bytes(photograph())
        (folder / "blank.toml").write_text(record)
    script = tmp_path / "page.py"
    script.write_text(
        "from pathlib import Path\n"
        "from grainscan.shown.page import show\n"
        f"show(samples=Path({str(tmp_path / 'samples')!r}))\n"
    )
    return AppTest.from_file(str(script), default_timeout=30)


def answer(at):
    """The text of the answer's card; None where there is no answer."""
    cards = [e.proto.body for e in at.get("html") if 'class="answer"' in e.proto.body]
    assert len(cards) <= 1
    return cards[0] if cards else None


def test_a_sample_is_measured_and_answered(page, fake):
    at = page.run()
    assert not at.exception
    # tan² of 2° and 1°: 2.2°, 1 in 26, within the general limit of 1 in 20.
    assert ">keep<" in answer(at)
    assert "1 in 26, 2.2°" in answer(at)
    assert "90 % interval" in answer(at)
    assert "image/svg" in answer(at)
    assert len(at.get("image")) == 3
    assert len(at.get("vega_lite_chart")) == 1
    assert any("cannot see inside" in m.value for m in at.markdown)
    assert len(fake.calls) == 3


def test_moving_the_limit_sorts_again_without_measuring(page, fake):
    at = page.run()
    count = len(fake.calls)
    words = []
    for one_in in (10, 26, 40, 20):
        at.slider(key="one_in").set_value(one_in).run()
        assert not at.exception
        words.append(answer(at).split('"word">')[1].split("<")[0])
    assert words == ["keep", "check", "set aside", "keep"]
    assert len(fake.calls) == count


def test_a_part_brings_its_limit(page, fake):
    at = page.run()
    at.selectbox(key="part").set_value("bending blank").run()
    assert at.slider(key="one_in").value == 25
    assert len(fake.calls) == 3
    at.selectbox[0].set_value("ash-2").run()
    assert not at.exception
    assert at.selectbox(key="part").value == "chair rung"
    assert at.slider(key="one_in").value == 20
    assert len(fake.calls) == 6


def test_limit_by_strength(page, fake):
    at = page.run()
    at.segmented_control(key="limit_by").set_value("strength").run()
    at.slider(key="keep").set_value(97).run()
    assert ">set aside<" in answer(at)
    at.slider(key="keep").set_value(60).run()
    assert ">keep<" in answer(at)
    assert len(fake.calls) == 3


def own(page):
    at = page.run()
    return at.segmented_control(key="kind").set_value("My photographs").run()


def upload(at, role, name, content, mime="image/jpeg"):
    at.file_uploader(key=f"upload_{role}").set_value((name, content, mime))


def test_nothing_uploaded_yet(page, fake):
    at = own(page)
    assert not at.exception
    assert answer(at) is None
    assert not at.error


def test_three_uploads(page, fake):
    at = own(page)
    for role in ("face_a", "face_b", "end"):
        upload(at, role, f"{role}.jpg", photograph())
    at.run()
    assert not at.exception
    assert ">keep<" in answer(at)
    assert not at.error


def test_one_upload_says_which_photograph_is_missing(page, fake):
    at = own(page)
    upload(at, "face_a", "IMG_1.jpg", photograph())
    at.run()
    assert ">check<" in answer(at)
    assert "Take a photograph of face B" in answer(at)


def test_a_renamed_text_file_is_one_message(page, fake):
    at = own(page)
    upload(at, "face_a", "face-a.jpg", b"shopping list")
    at.run()
    assert not at.exception
    assert len(at.error) == 1
    assert "whatever its name says" in at.error[0].value
    assert "Save it as JPEG" in at.error[0].value
    assert answer(at) is None
    assert len(fake.calls) == 3  # the sample shown before it, and nothing more


def test_a_bad_end_leaves_the_faces_answer(page, fake):
    at = own(page)
    upload(at, "face_a", "a.jpg", photograph())
    upload(at, "face_b", "b.jpg", photograph())
    upload(at, "end", "end.jpg", photograph()[:400])
    at.run()
    assert len(at.error) == 1
    assert ">check<" in answer(at)


def test_a_file_name_is_never_formatting(page, fake):
    at = own(page)
    name = "<img src=x onerror=alert(1)>**bold** [x](y).jpg"
    upload(at, "face_a", name, b"text")
    at.run()
    (error,) = at.error
    assert r"\<img" in error.value
    assert r"\*\*bold" in error.value
    assert not at.exception


def test_system_library_missing_is_one_message(page, fake, monkeypatch):
    from grainscan import scan
    from grainscan.errors import GrainscanError

    def refused():
        raise GrainscanError("OpenCV cannot load. apt-get install libgl1 libglib2.0-0")

    monkeypatch.setattr(scan, "load_opencv", refused)
    at = page.run()
    assert not at.exception
    assert "libgl1" in at.error[0].value


def test_the_page_of_the_repository_starts(fake):
    at = AppTest.from_file(str(APP), default_timeout=30).run()
    assert not at.exception
    assert at.title[0].value == "Slope of grain"


def test_the_zip_holds_the_pictures_and_the_result():
    from grainscan.shown.page_files import _zipped

    content = _zipped({"face-a.jpg": b"picture", "grainscan.json": json.dumps([1]).encode()})
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        assert archive.read("face-a.jpg") == b"picture"
        assert archive.testzip() is None
