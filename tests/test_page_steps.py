"""The pages Sort, Stock, Shape, Dry and Learn: main path, empty state, bad input."""

import datetime
import io
import zipfile

import pytest

pytest.importorskip("streamlit")

from grainscan.stock.life import add_weighing, overrulings_of
from grainscan.stock.records import Weighing
from grainscan.stock.store import open_book
from tests import stock_helpers
from tests.page_helpers import HTML_NAME, answer, errors, photograph, texts, word


@pytest.fixture
def book(tmp_path, monkeypatch, quick_disk):
    """A book with three measured blanks; their photographs can be opened."""
    folder = tmp_path / "rack"
    for k in range(3):
        blank = folder / f"ash-26-{k + 1:03d}"
        blank.mkdir(parents=True)
        for n, role in enumerate(("face-a", "face-b", "end")):
            size = (300, 300) if role == "end" else (1000, 300)
            (blank / f"{role}.png").write_bytes(photograph("PNG", shade=40 * k + n, size=size))
        record = 'species = "ash"\npart = "chair rung"\nwidth_mm = 26\nheight_mm = 26\n'
        (blank / "blank.toml").write_text(record + "length_mm = 430\n")
    opened = open_book(tmp_path / "book.sqlite")
    stock_helpers.sort_folder(opened, folder)
    return opened


def zipped(**files):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in files.items():
            archive.writestr(name, content)
    return out.getvalue()


def upload(at, *files):
    uploader = at.file_uploader[0]
    return uploader.set_value([(n, c, "application/octet-stream") for n, c in files]).run()


# Sort


def batch(*codes):
    names = [f"{code}/{role}.jpg" for code in codes for role in ("face-a", "face-b", "end")]
    return zipped(**{name: photograph(shade=k) for k, name in enumerate(names)})


def sort_now(at):
    (button,) = [b for b in at.button if "into the book" in b.label]
    return button.click().run()


@pytest.fixture
def one_process(monkeypatch):
    """The stand-in for measuring lives in this process."""
    from grainscan.shown.page import sort

    monkeypatch.setattr(sort, "default_workers", lambda _count: 1)


def test_a_zip_is_sorted_best_first_and_overruled(page, one_process, quick_disk, tmp_path):
    at = upload(page("sort"), ("rack.zip", batch("oak-2", "oak-1")))
    assert errors(at) == []
    assert "**2** found" in texts(at)
    at = sort_now(at)
    assert errors(at) == []
    assert texts(at).count('<td class="nowrap">') == 2
    by_label = {box.label: box for box in at.text_input}
    by_label["Who says so"].set_value("Maud")
    by_label["Why"].set_value("a hidden check")
    (choice,) = [box for box in at.selectbox if box.label == "Your word"]
    choice.set_value("set aside")
    (code,) = [box for box in at.selectbox if box.label == "Code of the blank"]
    code.set_value("oak-1")
    (button,) = [b for b in at.button if b.label == "Overrule"]
    at = button.click().run()
    assert errors(at) == []
    (said,) = overrulings_of(open_book(tmp_path / "book.sqlite"), "oak-1")
    assert (said.sort, said.who, said.measured_sort) == ("set aside", "Maud", "keep")
    assert "Maud: a hidden check" in texts(at)


def test_loose_photographs_find_their_blanks(page, one_process, quick_disk):
    at = page("sort")
    files = [(f"oak-7-{r}.jpg", photograph(shade=k)) for k, r in enumerate(("face-a", "FaceB"))]
    at = upload(at, *files, ("IMG_1.jpg", photograph()))
    (error,) = errors(at)
    assert "IMG\\_1" in error
    assert "oak\\-7" in texts(at)
    at = sort_now(at)
    assert "oak-7" in texts(at)


def test_unnamed_photographs_by_threes(page, one_process, quick_disk):
    at = page("sort")
    at.checkbox(key="keep_by_threes").set_value(True).run()
    at = upload(at, *((f"IMG_{k}.jpg", photograph(shade=k)) for k in range(6)))
    assert errors(at) == []
    assert "**2** found" in texts(at)


def test_nothing_to_sort_yet(page):
    at = page("sort")
    assert errors(at) == []
    assert "One folder per blank" in texts(at)


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("up.zip", zipped(**{"../face-a.jpg": b"x"}), "leads out of its folder"),
        ("root.zip", zipped(**{"/etc/face-a.jpg": b"x"}), "leads out of its folder"),
        ("windows.zip", zipped(**{"..\\face-a.jpg": b"x"}), "leads out of its folder"),
        ("no.zip", b"shopping list", "cannot be opened"),
        ("cut.zip", batch("ash")[:1000], "cannot be opened"),
        (f"{HTML_NAME}.zip", b"text", r"\<img"),
    ],
)
def test_a_bad_zip_is_one_line(page, tmp_path, name, content, said):
    at = upload(page("sort"), (name, content))
    (error,) = errors(at)
    assert said in error
    assert not list(tmp_path.glob("**/etc"))
    assert not [b for b in at.button if "into the book" in b.label]


def test_a_zip_bomb_is_one_line(page, monkeypatch):
    from grainscan.shown.page import uploads

    monkeypatch.setattr(uploads, "MOST_UNPACKED_BYTES", 3_000_000)
    bomb = zipped(**{f"ash-{k}/face-a.jpg": bytes(1_000_000) for k in range(5)})
    assert len(bomb) < 20_000
    at = upload(page("sort"), ("bomb.zip", bomb))
    (error,) = errors(at)
    assert "unpacks to more than" in error


def test_a_bad_folder_name_is_one_line(page):
    at = page("sort")
    at.segmented_control(key="keep_sort_way").set_value("here").run()
    at.text_input(key="keep_sort_path").set_value("/no/such/folder").run()
    assert "there is no such folder" in texts(at).replace("\\", "")


# Stock


def test_an_empty_book_says_so(page):
    at = page("stock")
    assert errors(at) == []
    assert "stock book is empty" in texts(at)


def test_blanks_are_found_and_opened(page, book):
    at = page("stock")
    assert errors(at) == []
    assert "**3** found" in texts(at)
    at.text_input(key="keep_find").set_value("26-002").run()
    assert "**1** found" in texts(at)
    at.selectbox(key="keep_open").set_value("ash-26-002").run()
    assert errors(at) == []
    assert word(at) in {"keep", "check", "set aside"}
    assert "scanned by grainscan" in texts(at).replace("\\", "")
    labels = [e.proto.label for e in at.get("download_button")]
    assert labels[:3] == ["Label (PDF)", "Report (PDF)", "Report (HTML)"]


def test_nothing_found_says_so(page, book):
    at = page("stock")
    at.text_input(key="keep_find").set_value("no such blank").run()
    assert "No blank answers" in texts(at)


def test_a_wrong_slope_is_one_line(page, book):
    at = page("stock")
    at.text_input(key="keep_find_slope").set_value("steep").run()
    (error,) = errors(at)
    assert "no slope limit" in error


def test_a_weighing_is_written_down(page, book):
    at = page("stock")
    at.selectbox(key="keep_open").set_value("ash-26-001").run()
    (mass,) = [box for box in at.number_input if box.label == "Mass in grams"]
    mass.set_value(412.0)
    at = next(b for b in at.button if b.label == "Write down").click().run()
    assert errors(at) == []
    assert "412 g" in texts(at)


def test_an_empty_weighing_is_one_line(page, book):
    at = page("stock")
    at.selectbox(key="keep_open").set_value("ash-26-001").run()
    at = next(b for b in at.button if b.label == "Write down").click().run()
    (error,) = errors(at)
    assert "Give the mass" in error


def test_a_blank_is_taken_in_hand(page, book):
    at = page("stock")
    at.selectbox(key="keep_open").set_value("ash-26-001").run()
    at = next(b for b in at.button if b.label == "Take it in hand").click().run()
    assert at.session_state["hand"].code == "ash-26-001"
    assert at.session_state["hand"].complete


def test_a_missing_photograph_is_said(page, book):
    for path in book.photographs.rglob("*"):
        if path.is_file():
            path.unlink()
    at = page("stock")
    at.selectbox(key="keep_open").set_value("ash-26-001").run()
    assert errors(at) == []
    assert len(at.warning) == 3


# Shape


def test_no_blank_to_shape(page):
    at = page("shape")
    assert errors(at) == []
    assert "no blank to work on" in texts(at)


def test_which_way_to_cut(page, book):
    at = page("shape")
    assert errors(at) == []
    assert "which way to cut" in texts(at)
    assert "sharp" in texts(at).lower()


def test_a_part_in_its_place(page, book):
    at = page("shape")
    at.segmented_control(key="keep_shape").set_value("part").run()
    assert errors(at) == []
    assert "chair rung" in texts(at)
    at.number_input(key="keep_allowance").set_value(40.0).run()
    assert "does not fit" in texts(at)


def test_a_part_without_sizes_says_what_is_missing(page, fake_measuring):
    at = page("shape")
    at.session_state["hand"] = page("scan").session_state["hand"]
    at = at.run()
    at.segmented_control(key="keep_shape").set_value("part").run()
    assert errors(at) == []
    assert len(at.warning) == 1


def test_a_cut_list_from_the_stock(page, book):
    at = page("shape")
    at.segmented_control(key="keep_shape").set_value("plan").run()
    at = next(b for b in at.button if b.label.startswith("Plan it")).click().run()
    assert errors(at) == []
    assert "What each blank becomes" in texts(at)


def test_a_bad_cut_list_is_one_line(page, book):
    at = page("shape")
    at.segmented_control(key="keep_shape").set_value("plan").run()
    at.file_uploader(key="own_cut_list").set_value(("my.toml", b"not = [toml", "text/plain")).run()
    at = next(b for b in at.button if b.label.startswith("Plan it")).click().run()
    assert len(errors(at)) == 1


# Dry


def test_what_to_leave_green(page):
    at = page("dry")
    assert errors(at) == []
    assert "## Leave" in texts(at)


def test_inches_are_understood(page):
    at = page("dry")
    at.session_state["keep_units"] = "in"
    at.text_input(key="keep_dry_tenon").set_value("5/8 in").run()
    assert errors(at) == []
    assert " in " in texts(at)


@pytest.mark.parametrize(("box", "typed"), [("tenon", "thick"), ("to", "-3"), ("from", "wet")])
def test_what_is_typed_wrongly_is_one_line(page, box, typed):
    at = page("dry")
    at.text_input(key=f"keep_dry_{box}").set_value(typed).run()
    assert len(errors(at)) == 1


def dry_tool(page, tool):
    at = page("dry")
    return at.segmented_control(key="keep_dry").set_value(tool).run()


def test_what_a_section_becomes(page):
    at = dry_tool(page, "becomes")
    assert errors(at) == []
    assert "A section of" in texts(at).replace("\\", "")


def test_weighings_of_a_blank_make_a_curve(page, book):
    first = datetime.date(2026, 3, 1)
    for k, mass in enumerate((812, 748, 705, 676, 657, 644)):
        day = first + datetime.timedelta(days=6 * k)
        add_weighing(book, "ash-26-001", Weighing(day.isoformat(), float(mass)))
    at = dry_tool(page, "curve")
    assert "Weigh the blank" in texts(at)
    at.segmented_control(key="keep_weighings_way").set_value("book").run()
    at.selectbox(key="keep_curve_blank").set_value("ash-26-001").run()
    at.text_input(key="keep_dry_dry_mass").set_value("600").run()
    assert errors(at) == []
    assert len(at.get("vega_lite_chart")) == 1
    assert "Hot box" in texts(at)


def test_a_wrong_weighing_is_one_line(page):
    at = dry_tool(page, "curve")
    at.text_area(key="keep_weighings").set_value("2026-03-01, 812\nyesterday, 800").run()
    (error,) = errors(at)
    assert "Line 2" in error


def test_a_joint(page):
    at = dry_tool(page, "joint")
    assert errors(at) == []
    assert "At assembly" in texts(at).replace("\\", "")
    at.text_input(key="keep_dry_service").set_value(" ").run()
    assert len(errors(at)) == 1


def test_the_room(page):
    at = dry_tool(page, "air")
    assert errors(at) == []
    # Wood Handbook, FPL-GTR-190, 2010, Table 4-2: 9.2 % at 70 °F and 50 %; 20 °C is 68 °F.
    assert "9.3 %" in answer_text(at)


def answer_text(at):
    return answer(at) or ""


# Learn


def test_the_call_follows_the_controls(page):
    at = page("learn")
    assert errors(at) == []
    at.slider(key="keep_learn_diagonal").set_value(0).run()
    at.slider(key="keep_learn_spiral").set_value(0).run()
    assert word(at) == "keep"
    at.slider(key="keep_learn_spiral").set_value(6).run()
    assert word(at) == "set aside"
    assert "1 in 9.5" in answer(at)


def test_the_exercise_scores(page):
    at = page("learn")
    at.segmented_control(key="keep_learn").set_value("guess").run()
    truth = at.session_state["guess_blank"].angle_a_deg
    at.slider(key="keep_guess").set_value(round(truth, 1)).run()
    at = next(b for b in at.button if b.label == "That is my guess").click().run()
    assert errors(at) == []
    assert "**3 of 3 points**" in texts(at)
    at = next(b for b in at.button if b.label == "Another blank").click().run()
    truth = at.session_state["guess_blank"].angle_a_deg
    at.slider(key="keep_guess").set_value(-10.0 if truth > 0 else 10.0).run()
    at = next(b for b in at.button if b.label == "That is my guess").click().run()
    assert "**3 of 6 points**" in texts(at)
    at = next(b for b in at.button if b.label == "Begin the score anew").click().run()
    assert "points" not in "".join(m.value for m in at.markdown)


# Laws


def test_every_text_is_used_and_every_text_used_is_there():
    import re
    from pathlib import Path

    from grainscan.shown.page.texts import texts as all_texts

    folder = Path(__file__).parent.parent / "grainscan" / "shown" / "page"
    code = "\n".join(path.read_text("utf-8") for path in folder.rglob("*.py"))
    said = set(re.findall(r"""say\(\s*f?["']([a-z]+\.[a-z_0-9{}]+)["']""", code))
    said |= set(re.findall(r'"((?:scan|stock|learn|settings|picture)\.[a-z_0-9]+)"', code))
    said = {key for key in said if not key.endswith((".css", ".html", ".js"))}
    known = {f"{section}.{name}" for section, names in all_texts().items() for name in names}
    plain = {key for key in said if "{" not in key}
    assert plain <= known, plain - known
    # A key that is put together names its texts somewhere else in the code.
    parts = [key.split("{")[0] for key in said if "{" in key]
    unused = [
        key
        for key in known - plain
        if not any(
            key.startswith(part)
            and (key[-1].isdigit() or re.search(rf'["_]{key.removeprefix(part)}["_]', code))
            for part in parts
        )
    ]
    assert unused == []


def test_uploads_are_let_go(monkeypatch):
    from types import SimpleNamespace

    from streamlit.runtime.memory_uploaded_file_manager import MemoryUploadedFileManager
    from streamlit.runtime.uploaded_file_manager import UploadedFileRec

    from grainscan.shown.page import uploads

    manager = MemoryUploadedFileManager("/upload")
    for session in ("mine", "theirs"):
        manager.add_file(session, UploadedFileRec("1", "a.jpg", "image/jpeg", b"content"))
    context = SimpleNamespace(uploaded_file_mgr=manager, session_id="mine")
    monkeypatch.setattr(uploads, "get_script_run_ctx", lambda: context)
    uploads.release()
    assert manager.get_files("mine", ["1"]) == []
    assert len(manager.get_files("theirs", ["1"])) == 1


def test_drawn_blanks_show_the_angles_they_claim():
    """The streaks of the drawing run at the angle that is told: found by shifting columns."""
    import numpy as np

    from grainscan.shown.learning import LENGTH_WIDTHS, LearnedBlank, face_picture

    for spiral in (-6.0, -2.0, 0.0, 3.0, 7.0):
        blank = LearnedBlank(spiral, 0.0, 0.0, seed=5)
        grey = face_picture(blank, "a", wide=1600).mean(axis=2)
        step = 40
        best = []
        for left in range(0, 1500, 100):
            a, b = grey[20:-20, left], grey[:, left + step]
            scores = [np.corrcoef(a, b[20 + k : 20 + k + len(a)])[0, 1] for k in range(-20, 21)]
            best.append(-(int(np.argmax(scores)) - 20) / step)
        found = np.degrees(np.arctan(np.median(best)))
        assert found == pytest.approx(blank.angle_a_deg, abs=1.5)
        assert blank.angle_b_deg == 0.0
        assert grey.shape == (1600 / LENGTH_WIDTHS, 1600)


def test_on_a_network_nobody_names_files_of_this_machine(page, book, monkeypatch, tmp_path):
    """Open to others, the page takes neither a folder nor a book's file by name."""
    from grainscan.shown.page import settings, sort

    other = tmp_path / "other.sqlite"
    open_book(other)
    for local, found in ((True, "No blank answers"), (False, "**3** found")):
        monkeypatch.setattr(settings, "is_local", lambda local=local: local)
        monkeypatch.setattr(sort, "is_local", lambda local=local: local)
        at = page("stock")
        at.session_state["keep_book"] = str(other)
        at = at.run()
        assert errors(at) == []
        assert found in texts(at)
        ways = page("sort").segmented_control(key="keep_sort_way").options
        assert ("On this machine" in ways) == local


def test_the_settings_are_kept_and_used(fake_measuring, monkeypatch, tmp_path):
    """Inches and a general limit hold on the page they are shown with and on all others."""
    from pathlib import Path

    from streamlit.testing.v1 import AppTest

    monkeypatch.setenv("GRAINSCAN_BOOK", str(tmp_path / "book.sqlite"))
    at = AppTest.from_file(str(Path(__file__).parent.parent / "app.py"), default_timeout=60).run()
    assert at.slider(key="keep_one_in").value == 20
    at.slider(key="keep_default_limit").set_value(12).run()
    at.selectbox(key="keep_part").set_value("").run()
    assert errors(at) == []
    assert at.slider(key="keep_one_in").value == 12
    assert "limit of your settings" in texts(at)
    at.segmented_control(key="keep_units").set_value("in").run()
    at = at.segmented_control(key="keep_way").set_value("one_by_one").run()
    assert any("inches" in box.label for box in at.number_input)
