"""The page "Sort a batch": many photographs into the stock book, best first."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import streamlit as st

from grainscan.batch import default_workers
from grainscan.judge.limits import known_parts
from grainscan.photo.folder import BlankPhotos, find_blanks
from grainscan.shown.page.look import as_text
from grainscan.shown.page.parts import show_cautions
from grainscan.shown.page.settings import is_local, open_the_book
from grainscan.shown.page.stock_table import show_overrule, show_stock_table
from grainscan.shown.page.take import PHOTO_ENDINGS
from grainscan.shown.page.texts import say
from grainscan.shown.page.uploads import SessionFolder, as_files, release, spool
from grainscan.wording import sentence, sentence_list

__all__ = ["show_sort"]

_SIDES = {"face_a": "scan.face_a", "face_b": "scan.face_b", "end": "scan.end"}


def show_sort() -> None:
    """The whole page."""
    st.title(say("sort.title"))
    st.markdown(say("sort.lead"))
    found = _found_blanks()
    for line in st.session_state.get("sort_problems", ()):
        st.error(as_text(line))
    if found:
        _list_found(found)
        _sort(found)
    elif not st.session_state.get("sort_codes"):
        st.info(say("sort.nothing_yet"))
    _results()
    show_cautions()


def _found_blanks() -> list[BlankPhotos]:
    ways = ["files", "folder", *(["here"] if is_local() else [])]
    way = st.segmented_control(
        say("sort.how"),
        ways,
        format_func=lambda way: say(f"sort.{way}"),
        default=None if "keep_sort_way" in st.session_state else "files",
        required=True,
        key="keep_sort_way",
        on_change=_forget,
    )
    if way == "here":
        typed = st.text_input(say("sort.here_path"), key="keep_sort_path").strip()
        return find_blanks([Path(typed).expanduser()]) if typed else []
    st.checkbox(say("sort.by_threes"), key="keep_by_threes")
    key = f"sort_upload_{st.session_state.get('sort_count', 0)}_{way}"
    kinds: Any = "directory" if way == "folder" else True
    st.file_uploader(
        say(f"sort.upload_{way}"),
        type=[*PHOTO_ENDINGS, "toml"] if way == "folder" else [*PHOTO_ENDINGS, "zip"],
        accept_multiple_files=kinds,
        key=key,
        on_change=_spool,
        args=(key,),
    )
    folder = st.session_state.get("sort_folder")
    if folder is None or not any(folder.path.iterdir()):
        return []
    return find_blanks([folder.path])


def _spool(key: str) -> None:
    """Uploaded files go to a folder of this session at once, so that they leave the memory."""
    files = st.session_state.get(key)
    if not files:
        return
    folder = st.session_state.get("sort_folder")
    if folder is None:
        folder = SessionFolder()
        st.session_state["sort_folder"] = folder
    by_threes = bool(st.session_state.get("keep_by_threes"))
    done = spool(as_files(files), folder.path, by_threes=by_threes)
    release()
    st.session_state["sort_problems"] = tuple(done.problems)
    st.session_state["sort_codes"] = ()
    st.session_state["sort_count"] = st.session_state.get("sort_count", 0) + 1


def _forget() -> None:
    _forget_files()
    st.session_state["sort_problems"] = ()


def _list_found(found: Sequence[BlankPhotos]) -> None:
    st.markdown(say("sort.found", count=len(found)))
    for blank in found:
        missing = [say(text) for side, text in _SIDES.items() if getattr(blank, side) is None]
        if blank.problems:
            st.markdown(f"- {as_text(f'{blank.name}: ' + ' '.join(map(sentence, blank.problems)))}")
        elif missing:
            line = say("sort.missing", code=blank.name, sides=sentence_list(missing))
            st.markdown(f"- {as_text(line)}")


def _sort(found: Sequence[BlankPhotos]) -> None:
    left, right = st.columns(2)
    with left:
        part = st.selectbox(
            say("scan.part"),
            ["", *known_parts()],
            format_func=lambda part: part or say("sort.part_of_record"),
            key="keep_sort_part",
        )
    with right:
        species = st.text_input(say("scan.species"), key="keep_sort_species", max_chars=60)
    if not st.button(say("sort.button", count=len(found)), type="primary", width="stretch"):
        return
    from grainscan.scan import load_opencv
    from grainscan.stock.batch import sort_blanks

    book = open_the_book(create=True)
    if book is None:
        return
    load_opencv()
    bar = st.progress(0.0, say("sort.running", done=0, total=len(found), last=""))

    def on_step(done: int, total: int, last: str) -> None:
        words = say("sort.running", done=done, total=total, last=as_text(last))
        bar.progress(done / max(total, 1), words)

    typed = {"part": part or None, "species": species.strip() or None}
    given: dict[str, Any] = {key: value for key, value in typed.items() if value is not None}
    blanks = [dataclasses.replace(b, record=dataclasses.replace(b.record, **given)) for b in found]
    done = sort_blanks(book, blanks, workers=default_workers(len(blanks)), on_step=on_step)
    bar.empty()
    st.session_state["sort_codes"] = tuple(line.code for line in done if line.state != "failed")
    st.session_state["sort_problems"] = tuple(
        f"{line.code}: {line.problem}" for line in done if line.state == "failed"
    )
    _forget_files()
    st.rerun()


def _forget_files() -> None:
    folder: SessionFolder | None = st.session_state.pop("sort_folder", None)
    if folder is not None:
        folder.remove()


def _results() -> None:
    from grainscan.stock.find import Filter, find

    codes: tuple[str, ...] = st.session_state.get("sort_codes", ())
    if not codes:
        return
    book = open_the_book()
    if book is None:
        return
    lines = find(book, Filter(codes=codes))
    st.header(say("sort.result", count=len(lines)))
    if told := st.session_state.pop("told", None):
        st.success(as_text(told))
    show_stock_table(lines, name=say("sort.result", count=len(lines)))
    with st.expander(say("stock.overrule")):
        show_overrule(book, [line.code for line in lines], key="sort")
