"""The blank in hand: its photographs, what is known of it, what was put right by hand.

It lives in the visitor's own session and goes with him from page to page.
"""

from __future__ import annotations

import dataclasses
import hashlib
from dataclasses import dataclass

import streamlit as st

from grainscan.by_hand import ByHand
from grainscan.results import BlankRecord
from grainscan.scan import Side
from grainscan.shown.page.texts import say

__all__ = ["SIDES", "Hand", "Photograph", "hand", "put_in_hand", "set_by_hand", "undo"]

SIDES: tuple[Side, ...] = ("face_a", "face_b", "end")
_MOST_UNDO = 50


@dataclass(frozen=True, slots=True)
class Photograph:
    """An uploaded photograph: its own name, its bytes and their SHA-256."""

    name: str
    content: bytes
    sha256: str

    @classmethod
    def of(cls, name: str, content: bytes) -> Photograph:
        return cls(name, content, hashlib.sha256(content).hexdigest())


@dataclass(frozen=True, slots=True)
class Hand:
    """The blank in hand; a side without a photograph is None.

    ``skipped``: sides of which there is no photograph, as the visitor says. ``code``: under which
    the stock book has it, if it came from there or was kept.
    """

    record: BlankRecord = dataclasses.field(default_factory=lambda: BlankRecord(blank="blank"))
    face_a: Photograph | None = None
    face_b: Photograph | None = None
    end: Photograph | None = None
    by_hand: ByHand = dataclasses.field(default_factory=ByHand)
    problems: tuple[str, ...] = ()
    skipped: tuple[Side, ...] = ()
    code: str | None = None

    def side(self, side: Side) -> Photograph | None:
        found: Photograph | None = getattr(self, side)
        return found

    @property
    def empty(self) -> bool:
        return not any(self.side(side) for side in SIDES)

    @property
    def twice(self) -> tuple[str, ...]:
        """A line where one photograph was given for two sides: it can show only one of them."""
        known: dict[str, Side] = {}
        for side in SIDES:
            photograph = self.side(side)
            if photograph is None:
                continue
            if photograph.sha256 in known:
                first, second = say(f"scan.{known[photograph.sha256]}"), say(f"scan.{side}")
                return (say("scan.same_twice", first=first, second=second),)
            known[photograph.sha256] = side
        return ()

    @property
    def complete(self) -> bool:
        """Every side was photographed or left out on purpose."""
        return not self.empty and all(self.side(s) or s in self.skipped for s in SIDES)


def hand() -> Hand:
    """The blank in this visitor's hand; an empty one at first."""
    found: Hand = st.session_state.setdefault("hand", Hand())
    return found


def put_in_hand(new: Hand) -> None:
    """Take another blank, or more of the same, into the hand; undoing begins anew."""
    st.session_state["hand"] = new
    st.session_state["undo"] = ()


def set_by_hand(by_hand: ByHand) -> None:
    """Correct the blank in hand; the state before can be brought back."""
    before = hand()
    st.session_state["undo"] = (*st.session_state.get("undo", ()), before.by_hand)[-_MOST_UNDO:]
    st.session_state["hand"] = dataclasses.replace(before, by_hand=by_hand)


def undo() -> None:
    """Take the last correction back."""
    earlier = st.session_state.get("undo", ())
    if earlier:
        st.session_state["undo"] = earlier[:-1]
        st.session_state["hand"] = dataclasses.replace(hand(), by_hand=earlier[-1])
