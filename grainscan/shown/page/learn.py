"""The page "Learn": how the call is made, and an exercise with known truth."""

from __future__ import annotations

import math
import random
from collections.abc import Sequence

import numpy as np
import streamlit as st
from numpy.typing import NDArray

from grainscan.judge.limits import limit_for_part
from grainscan.judge.strength import shares
from grainscan.shown.drawing import jpeg_bytes
from grainscan.shown.learning import LearnedBlank, end_picture, face_picture
from grainscan.shown.page.look import answer_card
from grainscan.shown.page.parts import show_cautions, show_shares
from grainscan.shown.page.picture import Layer, line, show_picture
from grainscan.shown.page.texts import say
from grainscan.wording import angle_words, one_in_words

__all__ = ["points_for", "show_learn"]

# Points for a guess whose error is at most so many degrees: a bevel gauge held on the face does
# about half a degree (our own choice).
_POINTS = ((0.3, 3), (0.7, 2), (1.5, 1))
_STEEPEST_DEG = 8


def show_learn() -> None:
    """The whole page."""
    st.title(say("learn.title"))
    tool = st.segmented_control(
        say("learn.what"),
        ["see", "guess"],
        format_func=lambda name: say(f"learn.{name}"),
        default=None if "keep_learn" in st.session_state else "see",
        required=True,
        key="keep_learn",
    )
    if tool == "guess":
        _guess()
    else:
        _see()
    show_cautions()


def points_for(error_deg: float) -> int:
    """Points for a guess that is so many degrees off."""
    return next((points for most, points in _POINTS if abs(error_deg) <= most), 0)


def _see() -> None:
    """A blank whose fibres the student leans; three views, the slope and the strength follow."""
    st.markdown(say("learn.see_lead"))
    for key, first in (("spiral", 3), ("diagonal", 1), ("rings", 20)):
        st.session_state.setdefault(f"keep_learn_{key}", first)
    left, middle, right = st.columns(3)
    with left:
        spiral = st.slider(
            say("learn.spiral"), -_STEEPEST_DEG, _STEEPEST_DEG, key="keep_learn_spiral"
        )
    with middle:
        diagonal = st.slider(
            say("learn.diagonal"), -_STEEPEST_DEG, _STEEPEST_DEG, key="keep_learn_diagonal"
        )
    with right:
        rings = st.slider(say("learn.rings"), -89, 90, key="keep_learn_rings")
    blank = LearnedBlank(float(spiral), float(diagonal), float(rings))
    _call(blank)
    _views(blank)
    st.markdown(
        say(
            "learn.sum",
            a=f"{blank.angle_a_deg:.1f}",
            b=f"{blank.angle_b_deg:.1f}",
            slope=f"{blank.slope_deg:.1f}",
            one_in=one_in_words(blank.slope_deg),
        )
    )
    show_shares(shares(blank.slope_deg))
    st.markdown(say("learn.lessons"))


def _call(blank: LearnedBlank) -> None:
    limit = limit_for_part("chair rung")
    within = blank.slope_deg <= limit.angle_deg
    words = say("learn.within" if within else "learn.beyond", limit=one_in_words(limit.angle_deg))
    figure = f"{one_in_words(blank.slope_deg)}, {angle_words(blank.slope_deg)}"
    answer_card("keep" if within else "set aside", figure[:1].upper() + figure[1:], "", words)


def _views(blank: LearnedBlank) -> None:
    for letter, angle in (("a", blank.angle_a_deg), ("b", blank.angle_b_deg)):
        words = say(f"learn.face_{letter}", angle=f"{angle:+.1f}")
        _drawn(f"learn_{letter}", face_picture(blank, letter), words)
        st.caption(words)
    words = say("learn.end", angle=f"{blank.ring_direction_deg:.0f}")
    st.image(end_picture(blank), width=280, alt=words)
    st.caption(words)


def _drawn(key: str, picture: NDArray[np.uint8], words: str, layers: Sequence[Layer] = ()) -> None:
    """A drawing that can be looked at closely."""
    height, width = picture.shape[:2]
    show_picture(key, jpeg_bytes(picture), (0, 0, width, height), words, layers)


def _true_lines(blank: LearnedBlank) -> Layer:
    """Lines along the true fibres over the face that was guessed at."""
    height, width = face_picture(blank, "a").shape[:2]
    rise = math.tan(math.radians(blank.angle_a_deg))
    shapes = []
    for start in np.linspace(0.0, width, 9)[:-1] + width / 16:
        half = 0.45 * min(width / 8, height / max(abs(rise), 1e-6))
        ends = [(start + side * half, height / 2 - side * half * rise) for side in (-1, 1)]
        shapes.append(line(ends, "fibre"))
    return Layer("truth", say("learn.true_lines"), tuple(shapes))


def _guess() -> None:
    """Guess the angle on a face whose truth is known; points add up over the rounds."""
    st.markdown(say("learn.guess_lead"))
    asked = st.session_state.get("guess_blank")
    if asked is None:
        asked = _another()
        st.session_state["guess_blank"] = asked
    told = st.session_state.get("guess_told")
    layers = [] if told is None else [_true_lines(asked)]
    _drawn("guess", face_picture(asked, "a"), say("learn.guess_alt"), layers)
    st.session_state.setdefault("keep_guess", 0.0)
    guess = st.slider(
        say("learn.guess_angle"),
        -10.0,
        10.0,
        step=0.1,
        format="%.1f",
        key="keep_guess",
        disabled=told is not None,
    )
    if told is None:
        st.button(
            say("learn.answer"), type="primary", width="stretch", on_click=_answer, args=(guess,)
        )
    else:
        told_words = say(
            "learn.truth",
            truth=f"{asked.angle_a_deg:+.1f}",
            one_in=one_in_words(asked.angle_a_deg),
            guess=f"{told:+.1f}",
            points=points_for(told - asked.angle_a_deg),
        )
        st.success(told_words)
        st.button(say("learn.next"), type="primary", width="stretch", on_click=_next)
    score = st.session_state.get("guess_score", ())
    if score:
        st.markdown(
            say(
                "learn.score",
                points=sum(points_for(error) for error in score),
                most=3 * len(score),
                rounds=len(score),
                error=f"{sum(abs(error) for error in score) / len(score):.1f}",
            )
        )
        st.button(say("learn.score_anew"), on_click=_anew)


def _another() -> LearnedBlank:
    """A piece of wood nobody has seen; slopes are spread evenly, so that straight ones come too."""
    draw = random.SystemRandom()
    return LearnedBlank(
        spiral_deg=draw.uniform(-_STEEPEST_DEG, _STEEPEST_DEG),
        diagonal_deg=draw.uniform(-2.0, 2.0),
        ring_direction_deg=draw.uniform(-40.0, 40.0),
        seed=draw.randrange(1, 1_000_000),
    )


def _answer(guess: float) -> None:
    st.session_state["guess_told"] = guess
    error = guess - st.session_state["guess_blank"].angle_a_deg
    st.session_state["guess_score"] = (*st.session_state.get("guess_score", ()), error)


def _next() -> None:
    st.session_state["guess_blank"] = _another()
    st.session_state["guess_told"] = None
    st.session_state["keep_guess"] = 0.0


def _anew() -> None:
    st.session_state["guess_score"] = ()
    _next()
