"""The page "Dry": what to leave green, how a blank dries, how a joint will hold."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Sequence

import altair as alt
import streamlit as st

from grainscan.errors import GrainscanError, InputError
from grainscan.shown.page.chart import axis_style, chart_data
from grainscan.shown.page.look import as_text
from grainscan.shown.page.parts import show_cautions
from grainscan.shown.page.settings import open_the_book, unit
from grainscan.shown.page.subject import choose_subject
from grainscan.shown.page.texts import say
from grainscan.stock.find import Filter, find
from grainscan.stock.life import weighings_of
from grainscan.workshop.dry_words import (
    BOX_CAUTION,
    DRY_CAUTION,
    JOINT_CAUTION,
    forecast_lines,
    joint_lines,
    plan_lines,
    reach_lines,
)
from grainscan.workshop.drying_curve import DryingFit, fit_drying, reach_moisture
from grainscan.workshop.joints import RoundJoint, joint_forecast
from grainscan.workshop.leave_green import dry_forecast, green_plan
from grainscan.workshop.moisture import (
    equilibrium_moisture_f,
    equilibrium_moisture_percent,
    hot_box_advice,
    parse_moisture,
)
from grainscan.workshop.ring_position import MeasuredRings, rings_from_end, rings_in_section
from grainscan.workshop.spread import Estimate
from grainscan.workshop.units import parse_length_mm, parse_section_mm
from grainscan.workshop.weighings import Weighing, days_and_weights
from grainscan.workshop.woods import Wood, read_woods

__all__ = ["show_dry"]

_INK, _BLUE = "#16191c", "#1054a8"
Row = dict[str, float | str]


def show_dry() -> None:
    """The whole page."""
    st.title(say("dry.title"))
    tools: dict[str, Callable[[], None]] = {
        "leave": _leave,
        "becomes": _becomes,
        "curve": _curve,
        "joint": _joint,
        "air": _air,
    }
    tool = st.segmented_control(
        say("dry.what"),
        list(tools),
        format_func=lambda name: say(f"dry.{name}"),
        default=None if "keep_dry" in st.session_state else "leave",
        required=True,
        key="keep_dry",
    )
    try:
        tools[tool or "leave"]()
    except GrainscanError as error:
        st.error(as_text(str(error)))
    show_cautions()


def _leave() -> None:
    """What to leave now for a dry tenon."""
    wood = _wood("keep_dry_wood")
    left, right = st.columns(2)
    with left:
        tenon = _text("tenon", "16 mm")
        wanted = _text("to", "8")
    with right:
        allowance = _text("allowance", "0.5 mm")
        now = _text("from", "green")
    rings = _rings()
    if rings is None:
        return
    extra = 0.0 if allowance.strip() in {"", "0"} else parse_length_mm(allowance, what="allowance")
    plan = green_plan(
        wood,
        parse_length_mm(tenon, what="tenon"),
        rings,
        to_percent=parse_moisture(wanted),
        from_percent=parse_moisture(now),
        allowance_mm=extra,
    )
    _lines(plan_lines(plan, unit()), DRY_CAUTION)


def _becomes() -> None:
    """What a section dries to."""
    wood = _wood("keep_dry_wood")
    left, right = st.columns(2)
    with left:
        section = _text("section", "25 x 26 mm")
        wanted = _text("to", "8")
    with right:
        now = _text("from", "green")
    rings = _rings()
    if rings is None:
        return
    sizes = parse_section_mm(section)
    forecast = dry_forecast(
        wood, *sizes, rings, to_percent=parse_moisture(wanted), from_percent=parse_moisture(now)
    )
    _lines(forecast_lines(forecast, unit()), DRY_CAUTION)


def _rings() -> MeasuredRings | None:
    """Ring direction on the end: of a scanned blank, or as seen by the maker."""
    way = st.segmented_control(
        say("dry.rings"),
        ["seen", "scanned"],
        format_func=lambda way: say(f"dry.rings_{way}"),
        default=None if "keep_rings_way" in st.session_state else "seen",
        required=True,
        key="keep_rings_way",
    )
    if way == "seen":
        st.session_state.setdefault("keep_rings_deg", 0)
        angle = st.slider(say("dry.rings_deg"), -89, 90, key="keep_rings_deg")
        return rings_in_section(float(angle))
    subject = choose_subject(key="keep_dry_blank")
    if subject is None:
        return None
    end = subject.measurement.end
    if end is None:
        raise InputError(say("dry.no_end"))
    return rings_from_end(end, width_mm=subject.measurement.record.width_mm)


def _curve() -> None:
    """The drying curve of a blank of the book, or of weighings typed here."""
    found = _weighings()
    if not found:
        return
    left, right = st.columns(2)
    with left:
        wanted = _text("to", "8")
        dry_text = _text("dry_mass", "")
    with right:
        room = _text("room", "")
        step = _text("scale_step", "1")
    days, weights = days_and_weights(found)
    fit = fit_drying(
        days,
        weights,
        dry_g=_number(dry_text, say("dry.dry_mass")),
        room_percent=None if not room.strip() else parse_moisture(room),
        scale_step_g=_number(step, say("dry.scale_step")) or 0.0,
    )
    reach = reach_moisture(fit, parse_moisture(wanted))
    lines = list(reach_lines(fit, reach, found[0].on))
    if fit.dry_given:
        at = fit.moisture_percent(fit.days[-1])
        advice = hot_box_advice(Estimate(at, at, at))
        lines.append(say("dry.box", word=advice.word, because=advice.because))
    else:
        lines.append(say("dry.box_unsure"))
    _lines(lines, BOX_CAUTION)
    _chart(fit, reach.days, found[0].on)


def _weighings() -> tuple[Weighing, ...]:
    way = st.segmented_control(
        say("dry.weighings"),
        ["book", "typed"],
        format_func=lambda way: say(f"dry.weighings_{way}"),
        default=None if "keep_weighings_way" in st.session_state else "typed",
        required=True,
        key="keep_weighings_way",
    )
    if way == "typed":
        text = st.text_area(say("dry.weighings_lines"), key="keep_weighings", height=160)
        if not text.strip():
            st.info(say("dry.weighings_none"))
            return ()
        return _typed_weighings(text)
    book = open_the_book()
    codes = [] if book is None else [line.code for line in find(book, Filter())]
    if book is None or not codes:
        st.info(say("stock.no_book"))
        return ()
    code = st.selectbox(say("scan.code"), codes, key="keep_curve_blank")
    found = tuple(
        Weighing(datetime.date.fromisoformat(w.weighed_on), w.mass_g)
        for w in weighings_of(book, code)
        if w.mass_g is not None and w.weighed_on is not None
    )
    if not found:
        st.info(say("dry.weighings_none_of", code=as_text(code)))
    return found


def _typed_weighings(text: str) -> tuple[Weighing, ...]:
    found = []
    for number, row in enumerate(text.splitlines(), 1):
        day, _, grams = row.partition(",")
        if not row.strip():
            continue
        try:
            found.append(Weighing(datetime.date.fromisoformat(day.strip()), float(grams)))
        except ValueError as error:
            raise InputError(say("dry.weighing_wrong", number=number)) from error
    return tuple(sorted(found, key=lambda weighing: weighing.on))


def _chart(fit: DryingFit, reached: float | None, first: datetime.date) -> None:
    last = max(fit.days[-1], reached or 0.0) * 1.15 + 1.0
    rows: list[Row] = [
        {
            "day": str(first + datetime.timedelta(days=round(k * last / 80))),
            "moisture": fit.moisture_percent(k * last / 80),
        }
        for k in range(81)
    ]
    weighed: list[Row] = [
        {
            "day": str(first + datetime.timedelta(days=round(day))),
            "moisture": 100.0 * (weight / fit.dry_g - 1.0),
        }
        for day, weight in zip(fit.days, fit.weights_g, strict=True)
    ]
    x = alt.X("day:T", title=say("dry.chart_day"))
    y = alt.Y("moisture:Q", title=say("dry.chart_moisture"))
    curve = alt.Chart(chart_data(rows)).mark_line(color=_BLUE, strokeWidth=2.5).encode(x=x, y=y)
    points = alt.Chart(chart_data(weighed)).mark_point(color=_INK, size=70, filled=True)
    chart = axis_style(alt.layer(curve, points.encode(x=x, y=y)).properties(height=280))
    st.altair_chart(chart, theme=None, alt=say("dry.chart_alt"))
    st.caption(say("dry.chart_caption"))


def _joint() -> None:
    """A round tenon in its mortise."""
    left, right = st.columns(2)
    with left:
        tenon_wood = _wood("keep_tenon_wood", say("dry.tenon_wood"))
        tenon = _text("tenon", "16 mm")
        tenon_at = _text("tenon_at", "5")
        turn = st.slider(say("dry.turn"), 0, 90, key="keep_turn")
    with right:
        post_wood = _wood("keep_post_wood", say("dry.post_wood"))
        mortise = _text("mortise", "16 mm")
        post_at = _text("post_at", "14")
        service = _text("service", "8, 12")
    joint = RoundJoint(
        tenon_wood=tenon_wood,
        post_wood=post_wood,
        tenon_mm=parse_length_mm(tenon, what="tenon"),
        mortise_mm=parse_length_mm(mortise, what="mortise"),
        tenon_percent=parse_moisture(tenon_at),
        post_percent=parse_moisture(post_at),
        turn_deg=float(turn),
    )
    seasons = [parse_moisture(text) for text in service.split(",") if text.strip()]
    if not seasons:
        raise InputError(say("dry.no_service"))
    _lines(joint_lines(joint, joint_forecast(joint, seasons), unit()), JOINT_CAUTION)


def _air() -> None:
    """Moisture content to which a room brings wood."""
    inches = unit() == "in"
    left, right = st.columns(2)
    st.session_state.setdefault("keep_humidity", 50)
    with left:
        if inches:
            degrees = st.slider(say("dry.degrees_f"), 30, 120, 68, key="keep_f")
        else:
            degrees = st.slider(say("dry.degrees_c"), 0, 50, 20, key="keep_c")
    with right:
        humidity = st.slider(say("dry.humidity"), 5, 95, key="keep_humidity")
    compute = equilibrium_moisture_f if inches else equilibrium_moisture_percent
    percent = compute(float(degrees), float(humidity))
    st.html(
        '<div class="answer" role="status"><div><div class="slope">'
        f"{percent:.1f} %</div></div></div>"
    )
    st.markdown(say("dry.air_says", percent=f"{percent:.1f}"))


def _wood(key: str, label: str | None = None) -> Wood:
    woods = read_woods().woods
    names = [wood.name for wood in woods]
    name = st.selectbox(label or say("dry.wood"), names, key=key)
    return woods[names.index(name)]


def _text(name: str, first: str) -> str:
    """A text box whose value is kept; ``first`` is what stands in it at first."""
    key = f"keep_dry_{name}"
    st.session_state.setdefault(key, first)
    return st.text_input(say(f"dry.{name}"), key=key, max_chars=60)


def _number(text: str, what: str) -> float | None:
    if not text.strip():
        return None
    try:
        return float(text)
    except ValueError as error:
        raise InputError(say("dry.no_number", what=what)) from error


def _lines(lines: Sequence[str], caution: str) -> None:
    """The first line is the answer."""
    first, *others = lines
    st.markdown(f"## {as_text(first)}")
    for line in others:
        st.markdown(f"- {as_text(line)}")
    st.caption(as_text(caution))
