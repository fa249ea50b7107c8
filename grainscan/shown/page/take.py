"""Taking photographs into the hand: a sample, one side after another, or all at once."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from pathlib import Path

import streamlit as st

from grainscan.errors import BlankNotFoundError, PhotoError
from grainscan.photo.folder import BlankPhotos, find_blanks, role_of
from grainscan.results import BlankRecord
from grainscan.scan import Side
from grainscan.shown.page.hand import SIDES, Hand, Photograph, hand, put_in_hand
from grainscan.shown.page.holding import holding_picture
from grainscan.shown.page.look import as_text
from grainscan.shown.page.remember import measured_side
from grainscan.shown.page.settings import unit, unit_name
from grainscan.shown.page.texts import say
from grainscan.shown.page.uploads import release
from grainscan.wording import plain_name, sentence

__all__ = ["PHOTO_ENDINGS", "take_photographs"]

PHOTO_ENDINGS = ["jpg", "jpeg", "png", "tif", "tiff", "webp", "heic", "heif"]
MOST_PHOTO_MB = 100
"""A phone's largest pictures have some tens of megabytes; more would only fill the memory."""

_FIRST_SAMPLE = "ash-rung-straight"
"""Shown first: a blank as it should be, before the ones with something wrong."""
_MM_PER_INCH = 25.4
_LONGEST_MM = 50_000.0


def take_photographs(samples: Path) -> None:
    """The controls that bring photographs into the hand."""
    blanks = {blank.name: blank for blank in find_blanks([samples]) if blank.usable}
    ways = [*(["sample"] if blanks else []), "one_by_one", "at_once"]
    way = st.segmented_control(
        say("scan.how"),
        ways,
        format_func=lambda way: say(f"scan.{way}"),
        default=None if "keep_way" in st.session_state else ways[0],
        required=True,
        key="keep_way",
        on_change=_begin_anew,
    )
    if way == "sample" and blanks:
        _sample(blanks)
    elif way == "one_by_one":
        _one_by_one()
    else:
        _at_once()


def _begin_anew() -> None:
    st.session_state["sample_in_hand"] = None
    st.session_state["taken"] = st.session_state.get("taken", 0) + 1
    put_in_hand(Hand())


def _sample(blanks: Mapping[str, BlankPhotos]) -> None:
    names = list(blanks)
    asked = st.query_params.get("sample", _FIRST_SAMPLE)
    if "keep_sample" not in st.session_state:
        st.session_state["keep_sample"] = asked if asked in names else names[0]
    name = st.selectbox(say("scan.which_sample"), names, key="keep_sample")
    blank = blanks[name]
    st.caption(as_text(f"{_about(blank.record)} {say('scan.about_sample')}"))
    if st.session_state.get("sample_in_hand") == name:
        return
    st.session_state["sample_in_hand"] = name
    photographs: dict[Side, Photograph | None] = {}
    for side in SIDES:
        path: Path | None = getattr(blank, side)
        photographs[side] = None if path is None else Photograph.of(path.name, path.read_bytes())
    put_in_hand(
        Hand(
            blank.record,
            face_a=photographs["face_a"],
            face_b=photographs["face_b"],
            end=photographs["end"],
            problems=blank.problems,
            skipped=tuple(side for side in SIDES if photographs[side] is None),
        )
    )


def _one_by_one() -> None:
    now = hand()
    waiting = [s for s in SIDES if now.side(s) is None and s not in now.skipped]
    for side in SIDES:
        if side not in waiting:
            _side_there(now, side)
    if waiting:
        _side_wanted(waiting[0])
    else:
        st.button(say("scan.new"), on_click=_begin_anew, width="stretch")
    _known(now)


def _side_there(now: Hand, side: Side) -> None:
    """One line on a side that is settled, and the way to take it again."""
    photograph = now.side(side)
    left, right = st.columns([3, 1], vertical_alignment="center")
    with left:
        if photograph is None:
            st.markdown(f"– {say('scan.left_out', side=_name(side))}")
        else:
            shown = as_text(plain_name(photograph.name))
            st.markdown(
                f"✓ {say('scan.there', side=_name(side), name=shown)}  \n{_how_good(now, side)}"
            )
    with right:
        st.button(
            say("scan.again", side=_name(side)),
            key=f"again_{side}",
            on_click=_without,
            args=(side,),
        )


def _how_good(now: Hand, side: Side) -> str:
    """Whether the photograph will do, said as soon as it is there."""
    photograph = now.side(side)
    assert photograph is not None
    try:
        with st.spinner(say("scan.measuring", what=_name(side))):
            quality = measured_side(now.record, side, photograph, now.by_hand).photo_quality
    except (PhotoError, BlankNotFoundError) as error:
        return as_text(say("scan.side_poor", notes=str(error)))
    if quality.ok:
        return as_text(say("scan.side_good"))
    return as_text(say("scan.side_poor", notes="; ".join(quality.notes)))


def _side_wanted(side: Side) -> None:
    number = SIDES.index(side) + 1
    with st.container(border=True):
        st.header(say("scan.step", number=number, side=_name(side)))
        st.html(
            f'<div class="hold">{holding_picture(side)}<div>{say(f"scan.hold_{side}")}</div></div>'
        )
        taken = st.session_state.get("taken", 0)
        key = f"upload_{side}_{taken}"
        st.file_uploader(
            say("scan.upload", side=_name(side)),
            type=PHOTO_ENDINGS,
            max_upload_size=MOST_PHOTO_MB,
            key=key,
            on_change=_take_one,
            args=(side, key),
        )
        st.caption(say("scan.hold_tips"))
        st.button(say("scan.skip"), key=f"skip_{side}", on_click=_skip, args=(side,))


def _take_one(side: Side, key: str) -> None:
    file = st.session_state.get(key)
    if file is not None:
        _add({side: Photograph.of(plain_name(file.name), file.getvalue())})
        release()


def _add(photographs: Mapping[Side, Photograph]) -> None:
    now = hand()
    by_hand = now.by_hand
    for side in photographs:
        by_hand = by_hand.without(side)
    st.session_state["taken"] = st.session_state.get("taken", 0) + 1
    put_in_hand(
        dataclasses.replace(
            now,
            face_a=photographs.get("face_a", now.face_a),
            face_b=photographs.get("face_b", now.face_b),
            end=photographs.get("end", now.end),
            skipped=tuple(side for side in now.skipped if side not in photographs),
            by_hand=by_hand,
            code=None,
        )
    )


def _skip(side: Side) -> None:
    now = hand()
    put_in_hand(dataclasses.replace(now, skipped=(*now.skipped, side)))


def _without(side: Side) -> None:
    now = hand()
    put_in_hand(
        dataclasses.replace(
            now,
            face_a=None if side == "face_a" else now.face_a,
            face_b=None if side == "face_b" else now.face_b,
            end=None if side == "end" else now.end,
            by_hand=now.by_hand.without(side),
            skipped=tuple(skipped for skipped in now.skipped if skipped != side),
        )
    )


def _at_once() -> None:
    now = hand()
    if now.empty:
        key = f"upload_all_{st.session_state.get('taken', 0)}"
        st.file_uploader(
            say("scan.upload_all"),
            type=PHOTO_ENDINGS,
            accept_multiple_files=True,
            max_upload_size=MOST_PHOTO_MB,
            key=key,
            on_change=_take_all,
            args=(key,),
            help=say("scan.upload_all_help"),
        )
        st.caption(say("scan.upload_all_help"))
    for line in st.session_state.pop("taken_wrongly", ()):
        st.error(as_text(line))
    if not now.empty:
        for side in SIDES:
            _side_there(now, side)
        st.button(say("scan.new"), on_click=_begin_anew, width="stretch")
    _known(now)


def _take_all(key: str) -> None:
    uploaded = st.session_state.get(key) or ()
    files = [Photograph.of(plain_name(file.name), file.getvalue()) for file in uploaded]
    release()
    placed, problems = _placed(files)
    st.session_state["taken_wrongly"] = problems
    if placed:
        _add(placed)
        now = hand()
        missing = tuple(side for side in SIDES if now.side(side) is None)
        put_in_hand(dataclasses.replace(now, skipped=missing))


def _placed(files: Sequence[Photograph]) -> tuple[dict[Side, Photograph], list[str]]:
    """Photographs by side: those whose name says it, the others in the order of the sides."""
    placed: dict[Side, Photograph] = {}
    problems: list[str] = []
    others: list[Photograph] = []
    for file in sorted(files, key=lambda file: file.name):
        side = role_of(file.name)
        if side is None:
            others.append(file)
        elif side in placed:
            problems.append(say("scan.two_for_one", name=file.name, side=_name(side)))
        else:
            placed[side] = file
    free = [side for side in SIDES if side not in placed]
    for side, file in zip(free, others, strict=False):
        placed[side] = file
    if len(others) > len(free):
        problems.append(say("scan.too_many", count=len(files)))
    return placed, problems


def _known(now: Hand) -> None:
    """What the maker knows of the blank; all of it may be left empty."""
    with st.expander(say("scan.known")):
        left, right = st.columns(2)
        with left:
            species = st.text_input(say("scan.species"), key="keep_species", max_chars=60)
        with right:
            made = st.selectbox(
                say("scan.made"),
                ["", "riven", "sawn"],
                format_func=lambda made: made or say("scan.made_none"),
                key="keep_made",
            )
        places = zip(st.columns(3), ("width", "height", "length"), strict=True)
        sizes = {name: _size(column, name) for column, name in places}
    record = BlankRecord(
        blank=now.record.blank,
        species=species.strip() or None,
        width_mm=sizes["width"],
        height_mm=sizes["height"],
        length_mm=sizes["length"],
        made="riven" if made == "riven" else "sawn" if made == "sawn" else None,
        part=now.record.part,
        text=now.record.text,
    )
    if record != now.record:
        st.session_state["hand"] = dataclasses.replace(now, record=record)


def _size(column: st.delta_generator.DeltaGenerator, name: str) -> float | None:
    scale = _MM_PER_INCH if unit() == "in" else 1.0
    value = column.number_input(
        say(f"scan.{name}", unit=unit_name()),
        min_value=0.1,
        max_value=_LONGEST_MM / scale,
        value=None,
        key=f"keep_{name}_{unit()}",
    )
    return None if value is None else float(value) * scale


def _name(side: Side) -> str:
    return say(f"scan.{side}")


def _about(record: BlankRecord) -> str:
    sizes = (record.width_mm, record.height_mm, record.length_mm)
    words = [
        record.species or "",
        record.made or "",
        " × ".join(f"{size:g}" for size in sizes if size) + " mm" if any(sizes) else "",
        f"for a {record.part}" if record.part else "",
    ]
    about = ", ".join(word for word in words if word)
    return " ".join(sentence(text) for text in (about, record.text) if text)
