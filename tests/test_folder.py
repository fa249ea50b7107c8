"""Finding blanks in folders and reading their records."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from grainscan.errors import InputError, RecordError
from grainscan.photo.folder import blank_from_files, find_blanks, read_blank_folder
from grainscan.photo.record import check_record, read_record
from grainscan.wording import plain_name


def make(folder: Path, *names: str) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    for name in names:
        (folder / name).write_bytes(b"any")
    return folder


@pytest.mark.parametrize(
    ("a", "b", "end"),
    [
        ("face-a.jpg", "face-b.jpg", "end.jpg"),
        ("faceA.JPG", "faceB.HEIC", "End-1.png"),
        ("FACE-A_2.tif", "Face-b-top.webp", "END.jpeg"),
        ("a.jpg", "B.png", "endgrain.heif"),
        ("face_a.jpg", "face b.jpg", "end photo.tiff"),
    ],
)
def test_photographs_are_told_apart_by_name(tmp_path, a, b, end):
    blank = read_blank_folder(make(tmp_path / "ash-07", a, b, end, "notes.txt", "._end.jpg"))
    assert blank.name == "ash-07"
    assert (blank.face_a.name, blank.face_b.name, blank.end.name) == (a, b, end)
    assert blank.problems == ()
    assert blank.usable


def test_any_photograph_may_be_missing(tmp_path):
    blank = read_blank_folder(make(tmp_path / "x", "face-a.jpg"))
    assert blank.face_a is not None
    assert blank.face_b is None
    assert blank.end is None


def test_other_names_are_no_role(tmp_path):
    # "abc" and "back" are no "a" and "b".
    blank = read_blank_folder(make(tmp_path / "x", "abc.jpg", "back.jpg", "end.jpg"))
    assert blank.face_a is None
    assert blank.face_b is None


def test_two_files_for_one_side_are_said_and_the_rest_goes_on(tmp_path):
    make(tmp_path / "x", "face-a-1.jpg", "face-a-3.jpg", "face-b.jpg")
    blank = read_blank_folder(tmp_path / "x")
    assert blank.face_a is None
    assert blank.face_b is not None
    assert blank.usable
    (line,) = blank.problems
    assert "face-a-1.jpg and face-a-3.jpg" in line
    assert "face-a-1, face-a-2" in line


def test_numbered_photographs_of_a_long_face_are_its_parts(tmp_path):
    names = [f"face-b-{k}.jpg" for k in range(1, 11)]
    blank = read_blank_folder(make(tmp_path / "x", "face-a-1.jpg", "Face_A2.jpg", *names[::-1]))
    assert blank.face_b.name == "face-b-1.jpg"
    assert [path.name for path in blank.more_b] == names[1:]
    # Two names that differ are no parts of one face.
    assert blank.face_a is None
    assert blank.more_a == ()
    ends = read_blank_folder(make(tmp_path / "y", "end-1.jpg", "end-2.jpg"))
    assert ends.end is None
    assert len(ends.problems) == 1


def test_batch_is_in_order_of_numbers(tmp_path):
    for name in ("ash-10", "ash-2", "ash-1", "Oak-1"):
        make(tmp_path / name, "face-a.jpg")
    make(tmp_path / ".hidden", "face-a.jpg")
    make(tmp_path, "rack.jpg")
    assert [b.name for b in find_blanks([tmp_path])] == ["ash-1", "ash-2", "ash-10", "Oak-1"]


def test_batch_of_batches_and_the_order_given(tmp_path):
    make(tmp_path / "rungs" / "ash-1", "face-a.jpg")
    make(tmp_path / "slats" / "oak-1", "a.jpg")
    names = [b.name for b in find_blanks([tmp_path / "slats", tmp_path / "rungs"])]
    assert names == ["oak-1", "ash-1"]
    assert [b.name for b in find_blanks([tmp_path])] == ["ash-1", "oak-1"]


def test_links_that_go_round_are_followed_once(tmp_path):
    make(tmp_path / "ash-1", "face-a.jpg")
    (tmp_path / "again").symlink_to(tmp_path)
    (tmp_path / "loop").symlink_to("loop")
    assert [b.name for b in find_blanks([tmp_path])] == ["ash-1"]


def test_one_bad_folder_does_not_stop_the_others(tmp_path):
    make(tmp_path / "good", "face-a.jpg")
    bad = make(tmp_path / "bad", "face-a.jpg")
    (bad / "blank.toml").write_text("width_mm = -3\n")
    make(tmp_path / "wrong-names", "IMG_1.jpg")
    make(tmp_path / "empty")
    blanks = find_blanks([tmp_path, tmp_path / "missing", tmp_path / "good" / "face-a.jpg"])
    by_name = {b.name: b for b in blanks}
    assert by_name["good"].usable
    assert not by_name["bad"].usable
    assert "width_mm" in by_name["bad"].problems[0]
    assert "none of the 1 photographs" in by_name["wrong-names"].problems[0]
    assert "no such folder" in by_name["missing"].problems[0]
    assert "a file, not a folder" in by_name["face-a.jpg"].problems[0]
    for blank in blanks:
        assert all("\n" not in line and line.endswith(".") for line in blank.problems)


def test_an_empty_place_is_said(tmp_path):
    (blank,) = find_blanks([tmp_path])
    assert "no photographs here" in blank.problems[0]
    with pytest.raises(InputError, match="no photographs here"):
        read_blank_folder(tmp_path)


def test_single_files(tmp_path):
    make(tmp_path / "ash-3", "face-a.jpg", "end.jpg")
    folder = tmp_path / "ash-3"
    blank = blank_from_files(face_a=folder / "face-a.jpg", end=folder / "end.jpg")
    assert blank.name == "ash-3"
    assert blank_from_files(end=Path("oak-9.jpg")).name == "oak-9"
    with pytest.raises(InputError, match="at least one"):
        blank_from_files()
    with pytest.raises(InputError, match="twice"):
        blank_from_files(end=folder / "end.jpg", face_a=folder / "end.jpg")


def test_record_is_read(tmp_path):
    (tmp_path / "blank.toml").write_text(
        'species = "white ash"\nwidth_mm = 25\nheight_mm = 26.5\nlength_mm = 450\n'
        'part = "chair rung"\nmade = "riven"\nnotes = "from the butt log"\n'
    )
    record = read_record(tmp_path / "blank.toml", blank="ash-1")
    assert (record.blank, record.species, record.part) == ("ash-1", "white ash", "chair rung")
    assert (record.width_mm, record.height_mm, record.length_mm) == (25.0, 26.5, 450.0)
    assert (record.made, record.text) == ("riven", "from the butt log")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("width = 25", "unknown key 'width'"),
        ('width_mm = "25"', "width_mm must be a number"),
        ("width_mm = true", "width_mm must be a number"),
        ("height_mm = -2", "height_mm is -2"),
        ("length_mm = nan", "length_mm is nan"),
        ("length_mm = inf", "length_mm is inf"),
        ("length_mm = 0", "length_mm is 0"),
        ("species = 3", "species must be a text"),
        ('made = "planed"', "riven"),
        ("species = ash", "not valid TOML"),
        ("x = " + "[" * 9000, "TOML"),
        ("notes = '" + "x" * 70000 + "'", "too long"),
    ],
)
def test_wrong_records_name_the_file_and_the_key(tmp_path, text, said):
    path = tmp_path / "blank.toml"
    path.write_text(text)
    with pytest.raises(RecordError) as caught:
        read_record(path, blank="x")
    message = str(caught.value)
    assert "blank.toml" in message
    assert said in message or "nested" in message
    assert "\n" not in message


def test_a_record_that_is_no_text(tmp_path):
    (tmp_path / "blank.toml").write_bytes(b'species = "\xff\xfe"')
    with pytest.raises(RecordError, match="not valid TOML"):
        read_record(tmp_path / "blank.toml", blank="x")
    (tmp_path / "dir").mkdir()
    with pytest.raises(RecordError, match="cannot be read"):
        read_record(tmp_path / "dir", blank="x")


@given(
    st.dictionaries(
        st.sampled_from(["species", "part", "width_mm", "made", "notes", "depth"]),
        st.one_of(st.text(max_size=5), st.integers(), st.floats(), st.booleans(), st.none()),
    )
)
def test_any_table_gives_a_record_or_one_line(table):
    try:
        record = check_record(table, blank="x", place="blank.toml")
    except RecordError as error:
        line = str(error)
        record = None
        line = str(error)
    if record is None:
        assert len(line.splitlines()) == 1
    else:
        assert record.width_mm is None or record.width_mm > 0
        assert record.made in (None, "riven", "sawn")


@given(st.text())
def test_names_are_shown_on_one_line(text):
    shown = plain_name(text)
    assert len(shown.splitlines()) <= 1
    assert shown.isprintable()
    shown.encode("utf-8")
