"""The page, by the maker's own steps: scan, sort, stock, shape, dry, learn."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path

import streamlit as st

from grainscan.errors import GrainscanError
from grainscan.shown.page.look import STYLE, as_text
from grainscan.shown.page.settings import begin_run, show_settings
from grainscan.shown.page.texts import say

__all__ = ["PAGES", "show"]

# The name in the address, in the order of the maker's work.
PAGES = ("scan", "sort", "stock", "shape", "dry", "learn")


def show(samples: Path, only: str | None = None) -> None:
    """The page; ``samples`` is the folder of sample blanks.

    ``only`` shows one of `PAGES` without the way to the others (for tests).
    """
    st.set_page_config(page_title=say("nav.title"), layout="wide")
    st.html(STYLE)
    begin_run()
    if only is not None:
        _guarded(only, samples)
        return
    pages = [
        st.Page(
            partial(_guarded, name, samples),
            title=say(f"nav.{name}"),
            url_path=name,
            default=name == "scan",
        )
        for name in PAGES
    ]
    chosen = st.navigation(pages, position="hidden")
    # Streamlit's own menu hides behind a button on a phone; these links are always in sight.
    with st.container(horizontal=True, gap="small", key="steps"):
        for page in pages:
            here = "step_here" if page.url_path == chosen.url_path else f"step_{page.url_path}"
            with st.container(key=here, width="content"):
                st.page_link(page)
    chosen.run()
    with st.popover(say("settings.title")):
        show_settings()


def _guarded(name: str, samples: Path) -> None:
    """A page; what goes wrong in words meant for people is one line on it."""
    try:
        _page(name, samples)()
    except GrainscanError as error:
        st.error(as_text(str(error)))


def _page(name: str, samples: Path) -> Callable[[], None]:
    if name == "scan":
        from grainscan.shown.page.scan import show_scan

        return partial(show_scan, samples)
    if name == "sort":
        from grainscan.shown.page.sort import show_sort

        return show_sort
    if name == "stock":
        from grainscan.shown.page.stock import show_stock

        return show_stock
    if name == "shape":
        from grainscan.shown.page.shape import show_shape

        return show_shape
    if name == "dry":
        from grainscan.shown.page.dry import show_dry

        return show_dry
    from grainscan.shown.page.learn import show_learn

    return show_learn
