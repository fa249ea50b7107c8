"""Sort a measured blank against a limit: keep, check or set aside, with the reasons.

**Keep**: the whole 90 % interval of the slope lies within the limit, the steepest stretch
too, every photograph the slope rests on is good, and no knot or swirl was found. **Set aside**:
the whole interval lies beyond the limit. **Check**: everything else; the reasons say what to do.
"""

from __future__ import annotations

from grainscan.judge.strength import shares
from grainscan.results import (
    BlankMeasurement,
    BlankResult,
    FaceScan,
    Limit,
    SlopeInSpace,
    SortWord,
)
from grainscan.wording import (
    angle_words,
    one_in_words,
    place_words,
    sentence,
    slope_words,
    trouble_words,
)

__all__ = ["judge_blank"]


def judge_blank(measurement: BlankMeasurement, limit: Limit) -> BlankResult:
    """Sort one blank.

    Returns
    -------
    BlankResult
        ``because`` starts with the reason that decided. ``strength`` holds the shares at the
        measured slope; it is None where there is no slope or only a lower bound of it, for a
        share computed from a lower bound would promise too much.
    """
    slope = measurement.slope
    if slope is None:
        sort: SortWord = "check"
        because = _no_slope_reasons(measurement)
    else:
        sort, because = _by_interval(slope, limit, measurement)
        sort, because = _by_photographs(sort, because, measurement, limit)
    sort, because = _by_local_trouble(sort, because, measurement)
    has_strength = slope is not None and not slope.lower_bound_only
    return BlankResult(
        measurement=measurement,
        limit=limit,
        strength=shares(slope.angle_deg) if slope is not None and has_strength else None,
        sort=sort,
        because=tuple(dict.fromkeys(sentence(reason) for reason in because)),
    )


def _by_interval(
    slope: SlopeInSpace, limit: Limit, measurement: BlankMeasurement
) -> tuple[SortWord, list[str]]:
    words = f"The slope of grain is {slope_words(slope)}"
    of_limit = f"the limit of {one_in_words(limit.angle_deg)} ({angle_words(limit.angle_deg)})"
    if slope.low_deg > limit.angle_deg:
        return "set aside", [f"{words}: the whole interval is beyond {of_limit}."]
    if slope.lower_bound_only or slope.high_deg is None:
        return "check", [_other_face(measurement), f"{words}, from one face alone."]
    if slope.high_deg > limit.angle_deg:
        return "check", [
            f"{words}: the interval straddles {of_limit}. "
            "Take sharper photographs from nearer, or test by splitting an offcut."
        ]
    steepest = slope.steepest
    surely = steepest.angle_deg if steepest.low_deg is None else steepest.low_deg
    if surely > limit.angle_deg:
        return "check", [
            f"The steepest stretch, {place_words(steepest.at)}, slopes "
            f"{one_in_words(steepest.angle_deg)} ({angle_words(steepest.angle_deg)}), beyond "
            f"{of_limit}. Look there, or cut the part clear of it.",
            f"{words} over the whole length, within the limit.",
        ]
    return "keep", [f"{words}: the whole interval is within {of_limit}."]


def _surely_deg(face: FaceScan) -> float:
    """The least slope within a face's interval, 0 where it holds zero or there is none."""
    if face.low_deg is None or face.high_deg is None:
        return 0.0
    return max(face.low_deg, -face.high_deg, 0.0)


def _by_photographs(
    sort: SortWord, because: list[str], measurement: BlankMeasurement, limit: Limit
) -> tuple[SortWord, list[str]]:
    """A photograph that is not good enough turns keep into check.

    Set aside stands where one face, read from a good photograph, is beyond the limit by itself:
    whatever the other face may show can only make the slope steeper.
    """
    poor = [
        f"Photograph of face {letter}: {note}"
        for letter, face in _faces(measurement)
        if face is not None and not face.photo_quality.ok
        for note in face.photo_quality.notes or ("not good enough; take it again.",)
    ]
    if (
        poor
        and sort == "set aside"
        and any(
            face is not None and face.photo_quality.ok and _surely_deg(face) > limit.angle_deg
            for _, face in _faces(measurement)
        )
    ):
        return sort, because + poor
    if poor:
        return "check", poor + because
    if sort == "keep" and measurement.failures:
        return "check", [*measurement.failures, *because]
    return sort, because


def _by_local_trouble(
    sort: SortWord, because: list[str], measurement: BlankMeasurement
) -> tuple[SortWord, list[str]]:
    """A knot or a swirl turns keep into check, and is said whatever the sort.

    Slope of grain is that of the wood away from them, but in pieces as small as these a local
    deviation counts unless it belongs to a knot that the grade permits (ASTM D245, §5.3, pieces
    under 4 inches nominal in width; from memory), and no grade is given here.
    """
    found = [
        f"{trouble_words(trouble, letter)}: the grain is short there. Look, or cut the part clear "
        "of it."
        for letter, face in _faces(measurement)
        if face is not None
        for trouble in face.local_trouble
    ]
    if not found:
        return sort, because
    return ("check", found + because) if sort == "keep" else (sort, because + found)


def _no_slope_reasons(measurement: BlankMeasurement) -> list[str]:
    reasons = list(measurement.failures)
    for letter, face in _faces(measurement):
        if face is not None:
            reasons += [f"Photograph of face {letter}: {n}" for n in face.photo_quality.notes]
            reasons += [f"Face {letter}: {n}" for n in face.notes]
    # A failure may sum up notes; each thing is said once.
    reasons += [n for n in measurement.notes if not any(n.rstrip(".") in r for r in reasons)]
    return reasons or ["The slope of grain cannot be told. Take photographs of face A and face B."]


def _other_face(measurement: BlankMeasurement) -> str:
    """Which photograph is wanted, for a slope that rests on one face."""
    for letter, face in _faces(measurement):
        if face is None:
            return (
                f"Take a photograph of face {letter}: one face alone cannot show the whole slope."
            )
        if face.angle_deg is None:
            return (
                f"Take the photograph of face {letter} again: its fibres cannot be read, and one "
                "face alone cannot show the whole slope."
            )
    return "One face alone cannot show the whole slope: take both faces again."


def _faces(measurement: BlankMeasurement) -> tuple[tuple[str, FaceScan | None], ...]:
    return (("A", measurement.face_a), ("B", measurement.face_b))
