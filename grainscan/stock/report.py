"""What a student reads about a blank: the answer, the pictures, the figures, and why.

The content is made here once; `report_pdf` and `report_html` only lay it out.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from grainscan.errors import GrainscanError
from grainscan.results import BlankResult, EndScan, FaceScan, SortWord
from grainscan.stock.find import Filter, StockLine, lines_in
from grainscan.stock.history import KeptScan, current_scan
from grainscan.stock.life import makings_of, overrulings_of, weighings_of
from grainscan.stock.photographs import read_kept
from grainscan.stock.records import Overruling, Role
from grainscan.stock.report_bench import green_section, shaving_section
from grainscan.stock.report_parts import Figure, ReportPicture, Section
from grainscan.stock.store import Book, reading
from grainscan.wording import angle_words, one_in_words, place_words, slope_words
from grainscan.workshop.shaving import FaceShaving, shaving_of

if TYPE_CHECKING:
    from grainscan.shown.drawing import Backdrop

__all__ = ["CAUTIONS", "BlankReport", "report_of"]

CAUTIONS = (
    "A photograph cannot see inside the wood: knots, checks, decay and compression failures may "
    "be hidden.",
    "A sorted blank is not a graded structural member. For ladders, handles, bats and parts of "
    "buildings the applicable standard, the local code and licensed practice decide.",
    "Strength shares compare with straight grain of the same clear wood. They are no load rating.",
    "Drawknives, froes and axes are sharp: clamp the work and keep hands behind the edge.",
)
# Long enough to read a drift with a ruler, short enough to lie within a chair part.
_RULER_MM = 200.0


@dataclass(frozen=True, slots=True)
class BlankReport:
    """All of a report on one blank; ``sort`` is the word that counts, None if not scanned."""

    code: str
    about: str
    sort: SortWord | None
    answer: str
    sections: tuple[Section, ...]


def report_of(book: Book, code: str) -> BlankReport:
    """The report on a blank, from what the book keeps.

    A photograph that is missing from the book leaves its place to a line that says so.

    Raises
    ------
    RecordError
        There is no such blank.
    BookError
        The book cannot be read.
    """
    scan = current_scan(book, code)
    with reading(book) as connection:
        (line,) = lines_in(connection, Filter(codes=(code,)))
    said = [*overrulings_of(book, line.code)]
    sections = [_why(line, scan, said)]
    if scan is not None:
        sections += [
            *_on_photographs(book, scan),
            green_section(book, line.code, scan),
            _measured(scan.result),
            _limit(scan.result),
            _see_it(scan.result),
        ]
    sections += [*_life(book, line.code), Section("Cautions", CAUTIONS, is_list=True)]
    if scan is not None:
        sections.append(_origin(scan))
    return BlankReport(line.code, _about(line), line.sort, _answer(line, scan), tuple(sections))


def _about(line: StockLine) -> str:
    sides = (line.width_mm, line.height_mm, line.length_mm)
    size = " × ".join("?" if side is None else f"{side:g}" for side in sides)
    pieces = (
        line.species,
        f"for a {line.part}" if line.part else None,
        line.made,
        None if all(side is None for side in sides) else f"{size} mm",
        f"from log {line.log}" if line.log else None,
        f"rack {line.rack}" if line.rack else None,
    )
    return ", ".join(piece for piece in pieces if piece) or "nothing is written about this blank"


def _answer(line: StockLine, scan: KeptScan | None) -> str:
    if scan is None or scan.result.measurement.slope is None:
        return "The slope of grain is not known."
    return f"The slope of grain is {slope_words(scan.result.measurement.slope)}."


def _why(line: StockLine, scan: KeptScan | None, said: Sequence[Overruling]) -> Section:
    if scan is None:
        return Section("Why", ("This blank was not scanned yet.", *_words_of_people(said)))
    measured = f"Measured: {scan.result.sort}."
    lines = (measured, *scan.result.because) if said else scan.result.because
    return Section("Why", (*_words_of_people(said), *lines))


def _words_of_people(said: Sequence[Overruling]) -> Iterator[str]:
    for one in said:
        day = one.overruled_at[:10]
        if one.sort is None:
            yield f"{one.who} took the overruling back on {day}: {one.why}"
        else:
            yield f"Sorted {one.sort} by {one.who} on {day}, over what was measured: {one.why}"


def _on_photographs(book: Book, scan: KeptScan) -> tuple[Section, Section]:
    """What was found and which way to cut, both drawn on the photographs, each read once."""
    m = scan.result.measurement
    shaving = shaving_of(m)
    sides: tuple[tuple[Role, str, FaceScan | EndScan | None], ...] = (
        ("face_a", "Face A", m.face_a),
        ("face_b", "Face B", m.face_b),
        ("end", "Marked end", m.end),
    )
    kept = {photograph.role: photograph for photograph in scan.photographs}
    found: list[ReportPicture] = []
    arrows: list[ReportPicture] = []
    lines: list[str] = []
    for role, title, side in sides:
        if role not in kept:
            lines.append(f"{title}: no photograph.")
        elif side is None:
            lines.append(f"{title}: the photograph could not be measured.")
        else:
            try:
                with reading(book) as connection:
                    path = read_kept(book, connection, kept[role].sha256)
                behind = _backdrop(path.read_bytes(), side)
            except GrainscanError as error:
                lines.append(f"{title}: {error}")
                continue
            found.append(_picture(behind, title, side, scan.result))
            arrows += [
                _arrows(behind, title, side, face)
                for face in shaving.faces
                if isinstance(side, FaceScan) and title == f"Face {face.face}"
            ]
    seen = Section("What the photographs show", tuple(lines), pictures=tuple(found))
    return seen, shaving_section(shaving, arrows)


def _backdrop(content: bytes, side: FaceScan | EndScan) -> Backdrop:
    from grainscan.photo.reading import read_photo
    from grainscan.shown.overlays import backdrop_of

    return backdrop_of(read_photo(content, name=side.photo).pixels, side)


def _picture(
    behind: Backdrop, title: str, side: FaceScan | EndScan, result: BlankResult
) -> ReportPicture:
    from grainscan.shown.drawing import jpeg_bytes
    from grainscan.shown.overlays import draw_picture, words_for

    return ReportPicture(title, words_for(side), jpeg_bytes(draw_picture(behind, side, result)))


def _arrows(behind: Backdrop, title: str, side: FaceScan, face: FaceShaving) -> ReportPicture:
    from grainscan.shown.bench_drawings import shaving_picture
    from grainscan.shown.drawing import jpeg_bytes

    words = (
        "Pull the tool the way the arrows point; a double arrow is either way, a question mark not "
        "known."
    )
    return ReportPicture(title, words, jpeg_bytes(shaving_picture(behind, side, face)))


def _measured(result: BlankResult) -> Section:
    m = result.measurement
    figures = [*_slope_figures(result)]
    for letter, face in (("A", m.face_a), ("B", m.face_b)):
        if face is not None:
            figures += _face_figures(letter, face)
    if m.end is not None:
        figures += _end_figures(m.end)
    notes = tuple(m.notes)
    return Section("What was measured", notes, is_list=True, figures=tuple(figures))


def _slope_figures(result: BlankResult) -> Iterator[Figure]:
    slope = result.measurement.slope
    if slope is None:
        yield Figure("Slope of grain", "not known")
        return
    least = "at least " if slope.lower_bound_only else ""
    high = "" if slope.high_deg is None else f" to {angle_words(slope.high_deg)}"
    yield Figure(
        "Slope of grain",
        f"{least}{one_in_words(slope.angle_deg)} ({angle_words(slope.angle_deg)})",
        f"90 % interval: {angle_words(slope.low_deg)}{high or ' and above'}",
    )
    yield Figure(
        "Steepest stretch",
        f"{one_in_words(slope.steepest.angle_deg)} ({angle_words(slope.steepest.angle_deg)})",
        place_words(slope.steepest.at),
    )


def _face_figures(letter: str, face: FaceScan) -> Iterator[Figure]:
    if face.angle_deg is None or face.low_deg is None or face.high_deg is None:
        yield Figure(f"Fibres on face {letter}", "cannot be read", " ".join(face.notes))
    else:
        yield Figure(
            f"Fibres on face {letter}",
            f"{_signed(face.angle_deg)} against the edges",
            f"90 % interval: {_signed(face.low_deg)} to {_signed(face.high_deg)}; + climbs to the "
            "right",
        )
    if face.sweep_mm is not None:
        yield Figure(f"Sweep seen on face {letter}", f"{face.sweep_mm:.1f} mm", "bend, not runout")


def _signed(angle_deg: float) -> str:
    """With a sign, but none for what rounds to nothing."""
    shown = round(angle_deg, 1)
    return "0.0°" if shown == 0 else f"{shown:+.1f}°".replace("-", "−")


def _end_figures(end: EndScan) -> Iterator[Figure]:
    if end.ring_direction_deg is None:
        yield Figure("Rings on the end", "direction cannot be read", " ".join(end.notes))
        return
    low, high = end.ring_direction_low_deg, end.ring_direction_high_deg
    sure = "" if low is None or high is None else f"90 % interval: {low:.0f}° to {high:.0f}°"
    orientation = "" if end.orientation is None else f", {end.orientation}"
    yield Figure("Rings against face A", f"{end.ring_direction_deg:.0f}°{orientation}", sure)
    if end.rings is not None:
        width = "" if end.mean_ring_mm is None else f", {end.mean_ring_mm:.1f} mm on average"
        inch = "" if end.rings_per_inch is None else f"{end.rings_per_inch:.0f} rings per inch"
        yield Figure("Ring boundaries", f"{end.rings}{width}", inch)
    if end.latewood_share is not None:
        yield Figure("Latewood", f"{100 * end.latewood_share:.0f} % of the ring width")


def _limit(result: BlankResult) -> Section:
    limit, strength = result.limit, result.strength
    figures = [
        Figure(
            "Steepest slope allowed",
            f"{one_in_words(limit.angle_deg)} ({angle_words(limit.angle_deg)})",
            f"Source: {limit.source}",
        )
    ]
    if strength is not None:
        figures.append(
            Figure(
                "Strength kept at this slope",
                f"bending {100 * strength.bending:.0f} %, impact bending "
                f"{100 * strength.impact:.0f} %, compression {100 * strength.compression:.0f} %",
                f"Source: {strength.source}",
            )
        )
    meaning = (
        "Keep: the whole interval lies within the limit. Set aside: the whole interval lies "
        "beyond it. Check: the interval straddles it, or a photograph is not good enough."
    )
    return Section("The limit", (meaning,), figures=tuple(figures))


def _see_it(result: BlankResult) -> Section:
    """What to look for on the blank itself, with the figures that a ruler would show."""
    m = result.measurement
    lines = [
        "Hold the face to light that comes along it. On a face where the rings lie flat, follow "
        "the fine pores, rays or drying checks and not the bold ring figure: there the "
        "rings do not show how the fibres run (Wood Handbook, FPL-GTR-190, 2010, ch. 5).",
        "Pull a scribe or a needle lightly along the wood. It wants to run with the fibres; do it "
        "several times side by side and see that the lines agree (EN 1310:1997, 4.4.1).",
    ]
    for letter, face in (("A", m.face_a), ("B", m.face_b)):
        if face is not None and face.angle_deg is not None:
            lines.append(_ruler_line(letter, face.angle_deg))
    if m.slope is not None and not m.slope.lower_bound_only:
        drift = _RULER_MM * math.tan(math.radians(m.slope.angle_deg))
        lines.append(
            f"In space both drifts add like the sides of a right triangle: {drift:.1f} mm over "
            f"{_RULER_MM:.0f} mm, which is {one_in_words(m.slope.angle_deg)}."
        )
    lines.append(
        "The surest test: split an offcut of the same blank along its length and lay the split "
        "against the edge."
    )
    return Section("How to see it yourself", tuple(lines), is_list=True)


def _ruler_line(letter: str, angle_deg: float) -> str:
    drift = _RULER_MM * math.tan(math.radians(abs(angle_deg)))
    if drift < 0.5:
        return (
            f"Face {letter}: over {_RULER_MM:.0f} mm the fibres should stay within half a "
            "millimetre of a line parallel to the edge."
        )
    way = "up" if angle_deg > 0 else "down"
    return (
        f"Face {letter}, marked end to the right: over {_RULER_MM:.0f} mm to the right the fibres "
        f"should drift {drift:.1f} mm {way}, measured from a line parallel to the edge."
    )


def _life(book: Book, code: str) -> Iterator[Section]:
    weighings, makings = weighings_of(book, code), makings_of(book, code)
    figures = [
        Figure(
            f"Weighed {w.weighed_on}",
            ", ".join(
                text
                for text in (
                    None if w.mass_g is None else f"{w.mass_g:g} g",
                    None if w.moisture_percent is None else f"{w.moisture_percent:g} % moisture",
                )
                if text
            ),
            w.moisture_source or "",
        )
        for w in weighings
    ]
    figures += [Figure(f"Made {m.made_on}", m.made_into, m.notes or "") for m in makings]
    if figures:
        yield Section("What became of it", figures=tuple(figures))


def _origin(scan: KeptScan) -> Section:
    lines = [
        f"Scanned {scan.scanned_at} by grainscan {scan.measuring_version}, sorted "
        f"{scan.sorted_at}.",
        *(f"{p.name}: content {p.sha256[:16]}" for p in scan.photographs),
        *(
            f"Corrected by hand: {c.what} ({c.side.replace('_', ' ')}"
            f"{', ' + c.who if c.who else ''})"
            for c in scan.corrections
        ),
    ]
    return Section("Where this comes from", tuple(lines), is_list=True)
