"""Which faces to shave first: the radial ones, told by the rings on the end."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from grainscan.results import EndScan
from grainscan.workshop.keep_clear import Face

__all__ = ["FaceOrder", "face_order"]

# A face counts as radial if the rings meet its edge at more than 60°, as tangential below 30°
# (three-class scheme of architectural woodwork, as quoted in a forum answer); between is rift.
_RADIAL_DEG, _TANGENTIAL_DEG = 60.0, 30.0


@dataclass(frozen=True, slots=True)
class FaceOrder:
    """The faces to shave first, and why; empty where the ring direction does not tell."""

    first: tuple[Face, ...]
    why: str


def face_order(end: EndScan | None) -> FaceOrder:
    """Radial faces first, where the end photograph tells which they are.

    A face is radial where the rings' trace on the end stands across its edge. There the rings'
    edges and the rays run along the face as lines, so the eye follows one ring and sees at once
    where the tool leaves it; the tangential faces are then squared from it (common practice,
    no source).
    """
    if end is None or end.ring_direction_deg is None:
        return FaceOrder((), "Which faces are radial is not known without a readable end.")
    low, high = end.ring_direction_low_deg, end.ring_direction_high_deg
    directions = [end.ring_direction_deg, *(d for d in (low, high) if d is not None)]
    # Angle between the rings' trace and face A's edge, 0 to 90; face B's edge is its complement.
    angles = [_acute(direction) for direction in directions]
    why = (
        "on a radial face the rings run along as lines: follow one of them, then square the "
        "other faces from it"
    )
    if min(angles) >= _RADIAL_DEG:
        return FaceOrder(("A", "opposite A"), f"Faces A and opposite A are radial: {why}.")
    if max(angles) <= _TANGENTIAL_DEG:
        return FaceOrder(("B", "opposite B"), f"Faces B and opposite B are radial: {why}.")
    if min(angles) > _TANGENTIAL_DEG and max(angles) < _RADIAL_DEG:
        nearer = _nearer_to_radial(angles[0])
        return FaceOrder(
            nearer,
            f"The rings lie {angles[0]:.0f}° to face A, so no face is radial; {_both(nearer)} are "
            "nearer to it.",
        )
    nearer = _nearer_to_radial(angles[0])
    return FaceOrder(
        nearer,
        f"The rings lie about {angles[0]:.0f}° to face A; {_both(nearer)} are the more radial, "
        "but the ring direction is not known well enough to call them so.",
    )


def _nearer_to_radial(angle_deg: float) -> tuple[Face, ...]:
    return ("A", "opposite A") if angle_deg > 45.0 else ("B", "opposite B")


def _both(faces: Sequence[Face]) -> str:
    return f"faces {faces[0]} and {faces[1]}"


def _acute(direction_deg: float) -> float:
    folded = abs(direction_deg) % 180.0
    return min(folded, 180.0 - folded)
