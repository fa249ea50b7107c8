"""The slope along the blank as a plot, with its interval band and the limit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import altair as alt
import streamlit as st

from grainscan.results import BlankResult
from grainscan.shown.page.texts import say
from grainscan.shown.steep import slope_bands
from grainscan.wording import angle_words, one_in_words

__all__ = ["axis_style", "chart_data", "show_slope_along"]

_INK, _BLUE, _RUST = "#16191c", "#1054a8", "#b43a0c"


def show_slope_along(result: BlankResult) -> None:
    """Line: the slope at each place; band: its 90 % interval; dashes: the limit."""
    bands = slope_bands(result.measurement)
    if not bands:
        return
    st.header(say("scan.along"))
    of_both = bool(result.measurement.fibre)
    rows = [
        {"at": 100 * b.at, "slope": b.angle_deg, "low": b.low_deg, "high": b.high_deg}
        for b in bands
    ]
    limit = result.limit.angle_deg
    top = 1.15 * max(limit, *(b.high_deg for b in bands))
    along = alt.X(
        "at:Q",
        title=say("scan.along_axis"),
        scale=alt.Scale(domain=[0, 100]),
        axis=alt.Axis(values=list(range(0, 101, 20))),
    )
    base = alt.Chart(chart_data(rows))
    slope = alt.Y(
        "slope:Q",
        title=say("scan.along_space" if of_both else "scan.along_face"),
        scale=alt.Scale(domain=[0, top], nice=False),
    )
    band = base.mark_area(color=_BLUE, opacity=0.22).encode(x=along, y="low:Q", y2="high:Q")
    line = base.mark_line(color=_BLUE, strokeWidth=2.5).encode(x=along, y=slope)
    words = say("scan.along_limit", limit=one_in_words(limit))
    rule = alt.Chart(chart_data([{"slope": limit, "words": words, "at": 0}]))
    dashes = rule.mark_rule(color=_RUST, strokeDash=[7, 5], strokeWidth=2).encode(y="slope:Q")
    text = rule.mark_text(color=_RUST, align="left", dx=6, dy=-8, fontSize=14).encode(
        x="at:Q", y="slope:Q", text="words:N"
    )
    chart = axis_style(alt.layer(band, line, dashes, text).properties(height=260))
    st.altair_chart(chart, theme=None, alt=_in_words(result))
    st.caption(say("scan.along_caption"))


def axis_style(chart: alt.LayerChart | alt.FacetChart) -> alt.LayerChart | alt.FacetChart:
    """Axes dark and large enough to be read."""
    styled: alt.LayerChart | alt.FacetChart = chart.configure_axis(
        labelColor=_INK,
        titleColor=_INK,
        labelFontSize=13,
        titleFontSize=14,
        titleFontWeight="normal",
    )
    return styled


def chart_data(rows: Sequence[Mapping[str, float | str]]) -> alt.Data:
    """Rows as the data of a chart."""
    return alt.Data(values=rows)  # type: ignore[no-untyped-call]


def _in_words(result: BlankResult) -> str:
    slope = result.measurement.slope
    if slope is None:
        return say("scan.along_alt_none")
    return say(
        "scan.along_alt",
        slope=angle_words(slope.angle_deg),
        steepest=angle_words(slope.steepest.angle_deg),
        at=f"{100 * slope.steepest.at:.0f}",
        limit=angle_words(result.limit.angle_deg),
    )
