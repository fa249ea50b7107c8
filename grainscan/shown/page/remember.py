"""What the page remembers: sides measured and pictures, by the content they were made from.

Moving the limit, the part or a moisture judges again and never measures. Entries are few and
small (a measured side some tens of kilobytes, a picture some hundreds), so many blanks opened in
a row do not fill the memory; uploaded bytes live in their visitor's session alone.
"""

from __future__ import annotations

import dataclasses
import io
from dataclasses import dataclass

import streamlit as st
from PIL import Image
from streamlit.runtime.scriptrunner import add_script_run_ctx, get_script_run_ctx

from grainscan.by_hand import ByHand
from grainscan.photo.reading import Photo, read_photo
from grainscan.processes import cores
from grainscan.results import BlankMeasurement, BlankRecord, EndScan, FaceScan
from grainscan.scan import OnStep, PhotoSource, Side, measure_photo, measure_sources
from grainscan.shown.page.hand import Hand, Photograph
from grainscan.shown.page.layers import part_round

__all__ = ["Picture", "measured", "measured_side", "picture_of", "whole_picture"]

_MOST_SIDES = 192
_MOST_PICTURES = 48
_FACE_WIDE, _END_WIDE, _WHOLE_WIDE = 2400, 1200, 2000
_QUALITY = 86
Box = tuple[int, int, int, int]


@dataclass(frozen=True, slots=True)
class Picture:
    """A reduced part of a photograph: JPEG, the part (left, top, right, bottom), full size."""

    jpeg: bytes
    box: Box
    size: tuple[int, int]


def measured(hand: Hand, on_step: OnStep | None = None) -> BlankMeasurement:
    """The measurement of the blank in hand; sides measured before are not measured again."""
    session = get_script_run_ctx()

    def measure(
        record: BlankRecord, side: Side, _source: PhotoSource, by_hand: ByHand
    ) -> FaceScan | EndScan:
        # What is remembered is asked for in the name of the visitor, whatever thread asks.
        add_script_run_ctx(ctx=session)
        photograph = hand.side(side)
        assert photograph is not None
        return measured_side(record, side, photograph, by_hand)

    def source(photograph: Photograph | None) -> PhotoSource | None:
        return None if photograph is None else PhotoSource(photograph.content, photograph.name)

    return measure_sources(
        hand.record,
        face_a=source(hand.face_a),
        face_b=source(hand.face_b),
        end=source(hand.end),
        problems=(*hand.problems, *hand.twice),
        by_hand=hand.by_hand,
        on_step=on_step,
        measure=measure,
        at_once=cores(),
    )


def measured_side(
    record: BlankRecord, side: Side, photograph: Photograph, by_hand: ByHand
) -> FaceScan | EndScan:
    """One side, measured once for these bytes, these sizes and these corrections.

    Raises PhotoError or BlankNotFoundError, as `grainscan.scan.measure_side`.
    """
    wanted = _matters(record, side, by_hand)
    bare = dataclasses.replace(by_hand, rings_added=(), rings_removed=())
    scan = _side((photograph.sha256, photograph.name, side, wanted), record, photograph, bare)
    if isinstance(scan, EndScan) and bare != by_hand:
        from grainscan.measure.by_hand import rings_by_hand

        return rings_by_hand(scan, by_hand)
    return scan


def picture_of(
    photograph: Photograph, scan: FaceScan | EndScan, photo: Photo | None = None
) -> Picture:
    """The part of a photograph round a face or an end, to draw on; ``photo``: as read already."""
    key = (photograph.sha256, scan.outline_px)
    return _picture(key, photograph, part_round(scan), _wide(scan), photo)


def whole_picture(photograph: Photograph) -> Picture:
    """The whole photograph, reduced. Raises PhotoError."""
    return _picture((photograph.sha256, "whole"), photograph, None, _WHOLE_WIDE)


def _matters(record: BlankRecord, side: Side, by_hand: ByHand) -> tuple[object, ...]:
    """What of the record and the corrections changes the measuring of one side."""
    if side == "end":
        return (record.width_mm, record.height_mm, record.species, by_hand.end)
    width = record.width_mm if side == "face_a" else record.height_mm
    return (record.length_mm, width, by_hand.outline(side))


def _wide(scan: FaceScan | EndScan) -> int:
    return _END_WIDE if isinstance(scan, EndScan) else _FACE_WIDE


@st.cache_data(max_entries=_MOST_SIDES, show_spinner=False)
def _side(
    key: tuple[object, ...], _record: BlankRecord, _photograph: Photograph, _by_hand: ByHand
) -> FaceScan | EndScan:
    side: Side = key[2]  # type: ignore[assignment]
    record = dataclasses.replace(_record, blank="", part=None, text=None)
    photo = read_photo(_photograph.content, name=_photograph.name)
    scan = measure_photo(record, side, photo, _by_hand)
    # While it is decoded: the picture will be wanted next.
    picture_of(_photograph, scan, photo)
    return scan


@st.cache_data(max_entries=_MOST_PICTURES, show_spinner=False)
def _picture(
    key: tuple[object, ...],
    _photograph: Photograph,
    _part: Box | None,
    _wide: int,
    _photo: Photo | None = None,
) -> Picture:
    photo = _photo or read_photo(_photograph.content, name=_photograph.name)
    height, width = photo.pixels.shape[:2]
    left, top, right, bottom = _part or (0, 0, width, height)
    box = (max(left, 0), max(top, 0), min(right, width), min(bottom, height))
    part = Image.fromarray(photo.pixels[box[1] : box[3], box[0] : box[2]])
    if part.width > _wide:
        size = (_wide, max(round(part.height * _wide / part.width), 1))
        part = part.resize(size, Image.Resampling.LANCZOS, reducing_gap=2.0)
    out = io.BytesIO()
    part.save(out, "JPEG", quality=_QUALITY)
    return Picture(out.getvalue(), box, (width, height))
