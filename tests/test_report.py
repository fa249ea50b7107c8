"""Reports for students: what is said, the pictures, and files that stand alone."""

import base64
import html.parser
import io
import math
import re

import numpy as np
import pypdfium2
import pytest
from PIL import Image

from grainscan.errors import RecordError
from grainscan.judge.limits import limit_for_part, parse_limit
from grainscan.stock.blanks import save_blank
from grainscan.stock.find import find
from grainscan.stock.green_sizes import add_green_size
from grainscan.stock.history import current_scan
from grainscan.stock.life import add_making, add_weighing, overrule
from grainscan.stock.records import Blank, Making, Weighing
from grainscan.stock.report import CAUTIONS, report_of
from grainscan.stock.report_html import report_html
from grainscan.stock.report_pdf import report_pdf
from grainscan.stock.scans import keep_scan
from grainscan.stock.store import open_book
from grainscan.workshop.dry_words import BOX_CAUTION, DRY_CAUTION, plan_lines
from grainscan.workshop.leave_green import green_plan
from grainscan.workshop.moisture import equilibrium_moisture_percent
from grainscan.workshop.ring_position import rings_from_end
from grainscan.workshop.woods import read_woods
from tests import hand_made
from tests.stock_helpers import VERSION

pytestmark = pytest.mark.usefixtures("quick_disk")

SIZE = (1000, 300)


def picture(grey, size=SIZE):
    content = io.BytesIO()
    Image.fromarray(np.full((size[1], size[0], 3), grey, np.uint8)).save(content, "JPEG")
    return content.getvalue()


def scanned(book, code="ash-26-001", *, angle=1.4, part="chair rung", **changes):
    measurement = hand_made.measurement(
        hand_made.slope(angle, angle - 0.3, angle + 0.4),
        name=code,
        part=part,
        face_a=hand_made.face(angle_deg=angle, size=SIZE),
        face_b=hand_made.face(photo="face-b.jpg", angle_deg=-0.03, size=SIZE),
        **changes,
    )
    photographs = {
        "face_a": ("face-a.jpg", picture(150)),
        "face_b": ("face-b.jpg", picture(170)),
        "end": ("end.jpg", picture(190, (300, 300))),
    }
    keep_scan(book, measurement, limit_for_part(part), photographs, version=VERSION)
    return report_of(book, code)


@pytest.fixture
def book(tmp_path):
    return open_book(tmp_path / "book.sqlite")


def section(report, title):
    (found,) = [s for s in report.sections if s.title == title]
    return found


def figures(report, title):
    return {f.name: (f.value, f.remark) for f in section(report, title).figures}


def test_the_answer_and_why(book):
    report = scanned(book)
    assert report.sort == "keep"
    assert report.answer.startswith("The slope of grain is 1 in 41")
    assert section(report, "Why").paragraphs == current_scan(book, "ash-26-001").result.because


def test_the_figures_have_their_intervals_and_sources(book):
    report = scanned(book)
    measured = figures(report, "What was measured")
    assert measured["Slope of grain"] == ("1 in 41 (1.4°)", "90 % interval: 1.1° to 1.8°")
    assert measured["Fibres on face A"][0] == "+1.4° against the edges"
    assert measured["Fibres on face A"][1].startswith("90 % interval: +1.0° to +1.8°")
    assert measured["Fibres on face B"][0] == "0.0° against the edges"
    assert measured["Fibres on face B"][1].startswith("90 % interval: −0.4° to +0.4°")
    assert measured["Rings against face A"] == ("12°, flat", "90 % interval: 10° to 14°")
    limit = figures(report, "The limit")
    assert limit["Steepest slope allowed"] == (
        "1 in 20 (2.9°)",
        "Source: chair rung: common practice, no source",
    )
    assert "Wood Handbook" in limit["Strength kept at this slope"][1]


def test_which_way_to_shave(book):
    """Face A's fibres climb 1.4°, so they fall away from face B: pull from right to left there.
    Face B's are flat: face A may be cut either way.
    """
    found = section(scanned(book), "Which way to shave")
    ways = {figure.name: figure.value for figure in found.figures}
    assert ways == {"Face A, 0 % to 100 %": "either way", "Face B, 0 % to 100 %": "right to left"}
    assert [p.title for p in found.pictures] == ["Face A", "Face B"]
    seen = section(scanned(book), "What the photographs show").pictures
    for arrows, plain in zip(found.pictures, seen[:2], strict=True):
        a, b = (np.asarray(Image.open(io.BytesIO(p.jpeg)), float) for p in (arrows, plain))
        assert a.shape != b.shape or np.abs(a - b).max() > 60


def test_what_to_leave_green(book):
    """For a rung: its tenon of 16 mm, as the command works it out; else the section as it is."""
    not_known = section(scanned(book), "What to leave green").paragraphs
    assert not_known == ("Not known. Write down the wood of this blank.",)
    save_blank(book, Blank("ash-26-001", species="white ash"))
    ash, rings = read_woods().find("white ash"), rings_from_end(hand_made.end())
    plan = green_plan(ash, 16, rings, to_percent=6)
    lines = section(report_of(book, "ash-26-001"), "What to leave green").paragraphs
    assert lines[: len(plan_lines(plan))] == plan_lines(plan)
    assert "common practice, no source" in lines[-2]
    assert lines[-1] == DRY_CAUTION
    add_weighing(book, "ash-26-001", Weighing("2026-03-20", moisture_percent=20.0))
    drier = green_plan(ash, 16, rings, to_percent=6, from_percent=20.0)
    lines = section(report_of(book, "ash-26-001"), "What to leave green").paragraphs
    assert lines[0] == plan_lines(drier)[0]
    assert any("Moisture now: 20 %" in line for line in lines)
    assert any(line.startswith("Hot box: may go in") for line in lines)
    assert BOX_CAUTION in lines
    kept = green_plan(ash, 15, rings, to_percent=5)
    add_green_size(book, "ash-26-001", kept, who="Ida Fell")
    lines = section(report_of(book, "ash-26-001"), "What to leave green").paragraphs
    assert "by Ida Fell" in lines[0]
    assert lines[1:-1] == plan_lines(kept)


def test_a_part_without_a_round_tenon_dries_as_it_is(book):
    scanned(book, part="hammer handle")
    save_blank(book, Blank("ash-26-001", species="white ash"))
    (lines,) = section(report_of(book, "ash-26-001"), "What to leave green").paragraphs
    assert "no round tenon" in lines
    save_blank(book, Blank("ash-26-001", width_mm=34.0, height_mm=28.0))
    first, *_ = section(report_of(book, "ash-26-001"), "What to leave green").paragraphs
    assert first.startswith("A section of 34.0 × 28.0 mm green becomes")
    assert f"at {equilibrium_moisture_percent(20, 50):.1f} %" in first


def test_one_face_alone_is_a_lower_bound(book):
    measurement = hand_made.measurement(
        hand_made.slope(1.4, 1.1, None), name="a", face_b=None, of_end=None
    )
    photographs = {"face_a": ("face-a.jpg", picture(150))}
    keep_scan(book, measurement, parse_limit("1:20"), photographs, version=VERSION)
    report = report_of(book, "a")
    assert report.sort == "check"
    assert figures(report, "What was measured")["Slope of grain"] == (
        "at least 1 in 41 (1.4°)",
        "90 % interval: 1.1° and above",
    )
    assert "Strength kept at this slope" not in figures(report, "The limit")
    assert section(report, "What the photographs show").paragraphs == (
        "Face B: no photograph.",
        "Marked end: no photograph.",
    )
    assert not any(
        "In space" in line for line in section(report, "How to see it yourself").paragraphs
    )


def test_what_a_ruler_would_show(book):
    """The drift over 200 mm is the tangent of the angle seen on that face."""
    lines = " ".join(section(scanned(book, angle=3.0), "How to see it yourself").paragraphs)
    drift = 200 * math.tan(math.radians(3.0))
    face_a = "Face A, marked end to the right: over 200 mm to the right the fibres should drift"
    assert f"{face_a} {drift:.1f} mm up" in lines
    assert "Face B: over 200 mm the fibres should stay within half a millimetre" in lines
    assert f"{drift:.1f} mm over 200 mm, which is 1 in 19" in lines
    assert "split an offcut" in lines


def test_people_and_their_words(book):
    scanned(book)
    overrule(book, "ash-26-001", "set aside", who="Maud", why="a hidden check")
    overrule(book, "ash-26-001", "check", who="Edric", why="it is shallow")
    add_weighing(book, "ash-26-001", Weighing("2026-03-01", 812.0, 31.5, "meter"))
    add_making(book, "ash-26-001", Making("rung", "2026-06-01"))
    report = report_of(book, "ash-26-001")
    assert report.sort == "check"
    why = section(report, "Why").paragraphs
    assert "Sorted set aside by Maud" in why[0]
    assert why[0].endswith("over what was measured: a hidden check")
    assert "Measured: keep." in why
    became = figures(report, "What became of it")
    assert became["Weighed 2026-03-01"] == ("812 g, 31.5 % moisture", "meter")
    assert became["Made 2026-06-01"][0] == "rung"


def test_cautions_stand_in_every_report(book):
    save_blank(book, Blank("oak-26-001", species="oak"))
    for report in (scanned(book), report_of(book, "oak-26-001")):
        text = " ".join(section(report, "Cautions").paragraphs)
        for word in ("cannot see inside", "not a graded structural member", "applicable standard",
                     "licensed practice", "sharp", "no load rating"):  # fmt: skip
            assert word in text
    assert report.sort is None
    assert report.answer == "The slope of grain is not known."


def test_pictures_show_what_was_found(book):
    pictures = section(scanned(book), "What the photographs show").pictures
    assert [p.title for p in pictures] == ["Face A", "Face B", "Marked end"]
    for one, grey in zip(pictures, (150, 170, 190), strict=True):
        drawn = np.asarray(Image.open(io.BytesIO(one.jpeg)).convert("RGB")).astype(int)
        assert abs(np.median(drawn) - grey) < 4  # the photograph itself
        # blue fibre lines or ring boundaries drawn over it
        assert ((drawn[..., 2] - drawn[..., 0]) > 60).sum() > 200


def test_a_missing_photograph_leaves_its_place(book):
    scanned(book)
    for path in book.photographs.rglob("*.jpg"):
        path.unlink()
    shown = section(report_of(book, "ash-26-001"), "What the photographs show")
    assert shown.pictures == ()
    assert len(shown.paragraphs) == 3
    assert all("book check" in line for line in shown.paragraphs)


def test_no_such_blank(book):
    with pytest.raises(RecordError, match="no blank"):
        report_of(book, "x")


# PDF


def pdf_pages(content):
    document = pypdfium2.PdfDocument(content)
    found = []
    for page in document:
        pixels = page.render(scale=1.5, grayscale=True).to_numpy()
        text = page.get_textpage().get_text_range()
        images = [o for o in page.get_objects() if o.type == pypdfium2.raw.FPDF_PAGEOBJ_IMAGE]
        found.append((pixels.reshape(pixels.shape[:2]), " ".join(text.split()), len(images)))
    document.close()
    return found


def test_pdf_of_one_blank(book):
    found = pdf_pages(report_pdf([scanned(book)], title="ash-26-001"))
    text = " ".join(t for _, t, _ in found)
    assert len(found) <= 3
    assert sum(images for *_, images in found) == 5
    for words in ("ash-26-001", "keep", "Why", "1 in 41 (1.4°)", "90 % interval", "Face A.",
                  "chair rung: common practice, no source", "How to see it yourself",
                  "A photograph cannot see inside the wood"):  # fmt: skip
        assert words in text, words
    for pixels, _, images in found:
        # Ink on paper: letters take little of a page, and nothing is blotted out.
        dark = (pixels < 60).mean()
        assert 0.003 < dark < 0.06
        margin = 30
        assert images or pixels[:, :margin].min() == 255
        assert pixels[:, -margin:].min() == pixels[:margin].min() == 255


def test_pdf_of_a_batch(book):
    reports = [scanned(book, f"ash-26-{k:03d}", angle=1.0 + k) for k in range(4)]
    lines = find(book)
    first, *others = pdf_pages(report_pdf(reports, title="A day at Alder Ford", overview=lines))
    assert "A day at Alder Ford" in first[1]
    places = [first[1].index(line.code) for line in lines]
    assert places == sorted(places)
    for report in reports:
        assert any(text.startswith(report.code) for _, text, _ in others)


def test_pdf_with_letters_of_many_countries(book):
    scanned(book)
    overrule(book, "ash-26-001", "keep", who="Łucja Ōtani Ψ Жуков", why="√θ − ≤ “so”")
    text = " ".join(
        t for _, t, _ in pdf_pages(report_pdf([report_of(book, "ash-26-001")], title="x"))
    )
    assert "Łucja Ōtani Ψ Жуков" in text
    assert "√θ − ≤ “so”" in text


# HTML


class Page(html.parser.HTMLParser):
    """Collects the tags, and sees that each is closed in its turn."""

    EMPTY = frozenset({"meta", "img", "path", "circle", "rect"})

    def __init__(self):
        super().__init__()
        self.open, self.found, self.text = [], [], []

    def handle_starttag(self, tag, attrs):
        self.found.append((tag, dict(attrs)))
        if tag not in self.EMPTY:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.found.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.text.append(data)


def parsed(reports, **options):
    text = "".join(report_html(reports, **options))
    page = Page()
    page.feed(text)
    assert page.open == []
    return text, page


def test_html_stands_alone(book):
    text, page = parsed([scanned(book)], title="ash-26-001")
    images = [attributes for tag, attributes in page.found if tag == "img"]
    assert len(images) == 5
    for attributes in images:
        start, data = attributes["src"].split(",")
        assert start == "data:image/jpeg;base64"
        assert Image.open(io.BytesIO(base64.b64decode(data))).format == "JPEG"
        assert attributes["alt"]
    assert not re.search(r"https?://|@import|url\(|<script|<link", text)
    shown = " ".join(" ".join(page.text).split())
    for words in ("1 in 41 (1.4°)", "chair rung: common practice, no source", *CAUTIONS):
        assert words in shown


def test_html_of_a_batch_leads_to_its_blanks(book):
    reports = [scanned(book, f"ash-26-{k:03d}", angle=1.0 + k) for k in range(3)]
    _, page = parsed(reports, title="A day", overview=find(book))
    links = [a["href"] for tag, a in page.found if tag == "a"]
    anchors = [f"#{a['id']}" for tag, a in page.found if tag == "article"]
    assert sorted(links) == sorted(anchors)
    assert len(set(links)) == 3


def test_no_text_is_taken_for_html(book):
    nasty = '<script>alert("1")</script>&amp;\'"'
    save_blank(book, Blank(nasty, species="<b>ash</b>", notes="</main>"))
    scanned(book, nasty)
    overrule(book, nasty, "check", who="<i>Maud</i>", why="<img src=x onerror=alert(1)>")
    text, page = parsed([report_of(book, nasty)], title=nasty, overview=find(book))
    assert not {"script", "b", "i"} & {tag for tag, _ in page.found}
    assert not any("onerror" in attributes for _, attributes in page.found)
    assert nasty in "".join(page.text)
    assert "default-src 'none'" in text
