"""The page "Scan a blank", driven by Streamlit's own harness; the measuring is a stand-in."""

import io
import json
import zipfile
from pathlib import Path

import pytest

pytest.importorskip("streamlit")

from streamlit.testing.v1 import AppTest

from grainscan.by_hand import ByHand, Knot
from tests.page_helpers import HTML_NAME, answer, errors, photograph, texts, word

APP = Path(__file__).parent.parent / "app.py"


def one_by_one(at):
    return at.segmented_control(key="keep_way").set_value("one_by_one").run()


def at_once(at):
    return at.segmented_control(key="keep_way").set_value("at_once").run()


def upload(at, name, content):
    """Give a photograph to the side that the page asks for."""
    (uploader,) = at.file_uploader
    return uploader.set_value((name, content, "image/jpeg")).run()


def upload_all(at, *files):
    (uploader,) = at.file_uploader
    return uploader.set_value([(name, content, "image/jpeg") for name, content in files]).run()


def skip(at, side):
    return at.button(key=f"skip_{side}").click().run()


def test_a_sample_is_measured_and_answered(page, fake_measuring):
    at = page("scan")
    assert errors(at) == []
    # tan² of 2° and 1°: 2.2°, 1 in 26, within the general limit of 1 in 20.
    assert word(at) == "keep"
    assert "1 in 26, 2.2°" in answer(at)
    assert "90 % interval" in answer(at)
    assert "image/svg" in answer(at)
    assert len(at.get("vega_lite_chart")) == 1
    assert "cannot see inside" in texts(at)
    assert len(fake_measuring.calls) == 3


def test_moving_the_limit_sorts_again_without_measuring(page, fake_measuring):
    at = page("scan")
    count = len(fake_measuring.calls)
    words = []
    for one_in in (10, 26, 40, 20):
        at.slider(key="keep_one_in").set_value(one_in).run()
        assert errors(at) == []
        words.append(word(at))
    assert words == ["keep", "check", "set aside", "keep"]
    assert len(fake_measuring.calls) == count


def test_a_part_brings_its_limit(page, fake_measuring):
    at = page("scan")
    at.selectbox(key="keep_part").set_value("bending blank").run()
    assert at.slider(key="keep_one_in").value == 25
    assert len(fake_measuring.calls) == 3
    at.selectbox(key="keep_sample").set_value("ash-2").run()
    assert errors(at) == []
    assert at.selectbox(key="keep_part").value == "chair rung"
    assert at.slider(key="keep_one_in").value == 20
    assert len(fake_measuring.calls) == 6


def test_limit_by_strength(page, fake_measuring):
    at = page("scan")
    at.segmented_control(key="keep_limit_by").set_value("strength").run()
    at.slider(key="keep_strength").set_value(97).run()
    assert word(at) == "set aside"
    at.slider(key="keep_strength").set_value(60).run()
    assert word(at) == "keep"
    assert len(fake_measuring.calls) == 3


def test_nothing_given_yet(page, fake_measuring):
    at = one_by_one(page("scan"))
    assert errors(at) == []
    assert answer(at) is None
    assert "1 of 3: Face A" in [s.value for s in at.header]
    assert "first photograph" in texts(at)


def test_one_side_after_another(page, fake_measuring):
    at = one_by_one(page("scan"))
    for number, side in enumerate(("Face A", "Face B", "Marked end"), 1):
        assert f"{number} of 3: {side}" in [s.value for s in at.header]
        at = upload(at, f"IMG_{number}.jpg", photograph(shade=100 + number))
        assert errors(at) == []
    assert word(at) == "keep"
    # Three of the sample shown first and three uploads: none was measured twice.
    assert len(fake_measuring.calls) == 6


def test_a_side_is_taken_again(page, fake_measuring):
    at = one_by_one(page("scan"))
    for number in (1, 2, 3):
        at = upload(at, f"IMG_{number}.jpg", photograph(shade=100 + number))
    at = at.button(key="again_face_b").click().run()
    assert answer(at) is None
    at = upload(at, "IMG_9.jpg", photograph(shade=109))
    assert word(at) == "keep"
    assert [name for name, _ in fake_measuring.calls[-4:]] == [
        "IMG_1.jpg", "IMG_2.jpg", "IMG_3.jpg", "IMG_9.jpg",
    ]  # fmt: skip


def test_a_missing_side_is_said(page, fake_measuring):
    at = one_by_one(page("scan"))
    at = upload(at, "IMG_1.jpg", photograph())
    at = skip(skip(at, "face_b"), "end")
    assert word(at) == "check"
    assert "Take a photograph of face B" in answer(at)


def test_all_at_once_finds_the_sides_by_name(page, fake_measuring):
    at = at_once(page("scan"))
    at = upload_all(
        at,
        ("end.jpg", photograph(shade=3)),
        ("FaceB.jpg", photograph(shade=2)),
        ("face-a.jpg", photograph(shade=1)),
    )
    assert errors(at) == []
    assert word(at) == "keep"
    faces = {name: known["face"] for name, known in fake_measuring.calls[3:] if "face" in known}
    assert faces == {"face-a.jpg": "a", "FaceB.jpg": "b"}


def test_all_at_once_without_names_goes_by_order(page, fake_measuring):
    at = at_once(page("scan"))
    names = ("IMG_3.jpg", "IMG_1.jpg", "IMG_2.jpg")
    at = upload_all(at, *((name, photograph(shade=k)) for k, name in enumerate(names)))
    assert word(at) == "keep"
    faces = {name: known.get("face") for name, known in fake_measuring.calls[3:]}
    assert faces == {"IMG_1.jpg": "a", "IMG_2.jpg": "b", "IMG_3.jpg": None}


def test_too_many_and_twice_are_one_line_each(page, fake_measuring):
    at = at_once(page("scan"))
    at = upload_all(at, *((f"x{k}.jpg", photograph(shade=k)) for k in range(4)))
    assert len(errors(at)) == 1
    at = at_once(page("scan"))
    at = upload_all(
        at, ("face-a.jpg", photograph(shade=1)), ("face-a.png", photograph("PNG", shade=2))
    )
    assert len(errors(at)) == 1
    assert "Keep one" in errors(at)[0]


def test_a_renamed_text_file_is_one_message(page, fake_measuring):
    at = one_by_one(page("scan"))
    at = upload(at, "face-a.jpg", b"shopping list")
    at = skip(skip(at, "face_b"), "end")
    (error,) = errors(at)
    assert "whatever its name says" in error
    assert "Save it as JPEG" in error
    assert answer(at) is None
    assert len(fake_measuring.calls) == 3  # the sample shown before it, and nothing more


def test_a_picture_of_200_megapixels_is_one_message(page, fake_measuring):
    import struct
    import zlib

    def chunk(kind, body):
        return (
            struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
        )

    head = struct.pack(">IIBBBBB", 20_000, 10_000, 8, 2, 0, 0, 0)
    png = b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IEND", b"")
    at = one_by_one(page("scan"))
    at = upload(at, "wide.png", png)
    at = skip(skip(at, "face_b"), "end")
    (error,) = errors(at)
    assert "60 megapixels" in error
    assert answer(at) is None


def test_a_bad_end_leaves_the_faces_answer(page, fake_measuring):
    at = one_by_one(page("scan"))
    at = upload(at, "a.jpg", photograph(shade=1))
    at = upload(at, "b.jpg", photograph(shade=2))
    at = upload(at, "end.jpg", photograph(shade=3)[:400])
    assert len(errors(at)) == 1
    assert word(at) == "check"


def test_one_photograph_for_two_sides_is_said(page, fake_measuring):
    at = at_once(page("scan"))
    same = photograph(shade=1)
    at = upload_all(at, ("face-a.jpg", same), ("face-b.jpg", same), ("end.jpg", photograph()))
    (error,) = errors(at)
    assert "Face A and Face B" in error
    assert word(at) == "check"


def test_a_file_name_is_never_formatting(page, fake_measuring):
    at = one_by_one(page("scan"))
    at = upload(at, HTML_NAME, b"text")
    at = skip(skip(at, "face_b"), "end")
    (error,) = errors(at)
    assert r"\<img" in error
    assert r"\*\*bold" in error
    assert "<img src=x" not in texts(at).replace(r"\<", "")


def test_what_is_known_is_measured_with(page, fake_measuring):
    at = one_by_one(page("scan"))
    at = upload(at, "a.jpg", photograph(shade=1))
    at.number_input(key="keep_width_mm").set_value(26.0).run()
    at = skip(skip(at, "face_b"), "end")
    assert errors(at) == []
    assert fake_measuring.calls[-1][1]["width_mm"] == 26.0


def test_sizes_in_inches_are_millimetres_inside(page, fake_measuring):
    at = page("scan")
    at.session_state["keep_units"] = "in"
    at = one_by_one(at)
    at = upload(at, "a.jpg", photograph(shade=1))
    at.number_input(key="keep_width_in").set_value(1.0).run()
    at = skip(skip(at, "face_b"), "end")
    assert fake_measuring.calls[-1][1]["width_mm"] == pytest.approx(25.4)


def test_corners_by_hand_are_measured_and_undone(page, fake_measuring):
    at = page("scan")
    corners = ((40.0, 90.0), (860.0, 95.0), (861.0, 205.0), (41.0, 200.0))
    hand = at.session_state["hand"]
    at.session_state["undo"] = (hand.by_hand,)
    at.session_state["hand"] = type(hand)(
        hand.record, hand.face_a, hand.face_b, hand.end, ByHand(face_a=corners)
    )
    at.run()
    assert errors(at) == []
    (outlines,) = [known for _, known in fake_measuring.calls[3:]]
    assert outlines["outline"].corners_px.tolist() == [list(point) for point in corners]
    at.toggle(key="keep_correcting").set_value(True).run()
    at.button(key="undo_button").click().run()
    assert at.session_state["hand"].by_hand == ByHand()
    assert len(fake_measuring.calls) == 4  # what was found before is still known


def test_a_knot_is_said_beside_the_answer(page, fake_measuring):
    at = page("scan")
    hand = at.session_state["hand"]
    at.session_state["hand"] = type(hand)(
        hand.record, hand.face_a, hand.face_b, hand.end, ByHand(knots=(Knot("a", 0.4, 0.2),))
    )
    at.run()
    assert word(at) == "keep"
    assert "You marked a knot" in texts(at)
    assert len(fake_measuring.calls) == 3


def keep(at, code):
    (box,) = [box for box in at.text_input if box.label == "Code of the blank"]
    box.set_value(code)
    (button,) = [button for button in at.button if button.label == "Keep in the book"]
    return button.click().run()


def test_a_scan_is_kept_in_the_book(page, fake_measuring, tmp_path):
    from grainscan.stock.history import current_scan
    from grainscan.stock.store import open_book

    at = page("scan")
    at.slider(key="keep_one_in").set_value(15).run()
    at = keep(at, "ash-26-001")
    assert errors(at) == []
    assert "ash\\-26\\-001" in texts(at)
    scan = current_scan(open_book(tmp_path / "book.sqlite", create=False), "ash-26-001")
    assert scan.result.sort == "keep"
    assert scan.result.limit.one_in == 15
    assert [p.role for p in scan.photographs] == ["face_a", "face_b", "end"]


def test_corrections_are_kept_with_the_scan(page, fake_measuring, tmp_path):
    from grainscan.shown.page.stock_blank import hand_of_scan
    from grainscan.stock.history import current_scan
    from grainscan.stock.store import open_book

    at = page("scan")
    hand = at.session_state["hand"]
    at.session_state["hand"] = type(hand)(
        hand.record, hand.face_a, hand.face_b, hand.end, ByHand(knots=(Knot("b", 0.25, 0.2),))
    )
    at = keep(at.run(), "ash-26-002")
    scan = current_scan(open_book(tmp_path / "book.sqlite", create=False), "ash-26-002")
    kept, missing = hand_of_scan(open_book(tmp_path / "book.sqlite", create=False), scan)
    assert kept.by_hand == ByHand(knots=(Knot("b", 0.25, 0.2),))
    assert (missing, kept.code) == ([], "ash-26-002")
    ((side, what, detail),) = [(c.side, c.what, json.loads(c.detail)) for c in scan.corrections]
    assert (side, what, detail["at"]) == ("face_b", "knot", 0.25)


def test_without_a_code_or_species_the_book_makes_one(page, fake_measuring, tmp_path):
    from grainscan.stock.blanks import list_blanks
    from grainscan.stock.store import open_book

    at = keep(page("scan"), "")
    assert errors(at) == []
    assert len(list_blanks(open_book(tmp_path / "book.sqlite", create=False))) == 1


def test_a_book_that_cannot_be_made_is_one_message(page, fake_measuring, tmp_path, monkeypatch):
    monkeypatch.setenv("GRAINSCAN_BOOK", str(tmp_path / "samples"))
    at = keep(page("scan"), "ash-1")
    assert len(errors(at)) == 1


def test_system_library_missing_is_one_message(page, fake_measuring, monkeypatch):
    from grainscan import scan
    from grainscan.errors import GrainscanError

    def refused():
        raise GrainscanError("OpenCV cannot load. apt-get install libgl1 libglib2.0-0")

    monkeypatch.setattr(scan, "load_opencv", refused)
    (error,) = errors(page("scan"))
    assert "libgl1" in error


def test_the_page_of_the_repository_starts(fake_measuring):
    at = AppTest.from_file(str(APP), default_timeout=60).run()
    assert errors(at) == []
    assert at.title[0].value == "Scan a blank"


def test_the_zip_holds_the_pictures_and_the_result(page, fake_measuring):
    from grainscan.judge.limits import limit_for_part
    from grainscan.judge.sorting import judge_blank
    from grainscan.shown.page.files import pictures_zip
    from grainscan.shown.page.remember import measured

    at = page("scan")
    hand = at.session_state["hand"]
    result = judge_blank(measured(hand), limit_for_part(None))
    content = pictures_zip(hand, result, json.dumps([result.to_dict()]))
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        assert archive.testzip() is None
        names = ["face-a.jpg", "face-b.jpg", "end.jpg", "grainscan.json"]
        assert archive.namelist() == names
        assert json.loads(archive.read("grainscan.json"))[0]["blank"] == hand.record.blank
