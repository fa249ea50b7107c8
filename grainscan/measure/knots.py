"""Local trouble on a face: knots, and swirls whose knot lies beside or under the face.

Three kinds of evidence are looked for: fibres that part and close again, anywhere on the face
(`swirls.py`); dark spots in which the wood's lines are lost, or round which the fibres part
(`spots.py`); and the darkest place of the long edges, where the fibres may part as well
(`edge_spots.py`). Where a spot says beforehand where to look, fewer places are tried, and less of a
swirl is enough. The share of faces without any trouble on which something is flagged all the same
is shared out among the three (Bonferroni, with weights), and every finding carries its own chance.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.measure.edge_spots import dark_edge
from grainscan.measure.fibres import EDGE_SHARE, FibreAngles
from grainscan.measure.spots import DarkSpot, dark_spots
from grainscan.measure.swirls import AT_EDGES, LOBES, Swirl, likeliest_swirl
from grainscan.measure.turns import CELLS_ACROSS, LocalTurns, local_turns
from grainscan.results import LocalTrouble

__all__ = [
    "FALSE_ALARM",
    "LEAST_CHANCE",
    "away_from",
    "enough_clear",
    "find_local_trouble",
    "in_trouble",
    "look_for_trouble",
]

Float32Array = npt.NDArray[np.float32]
FloatArray = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

FALSE_ALARM = 0.07
"""Bound of the chance of flagging a face without trouble. It comes out far smaller (on rendered
straight wood about a tenth of it): places and pieces of evidence overlap, and tails are taken for
heavier than they mostly are, for the sake of wood that is wavier."""

SHARES = {"swirl": 0.45, "spot": 0.35, "edge": 0.2}
"""Shares of it for swirls looked for anywhere, dark spots, and the darkest place of the edges."""

EDGE_TELLS = math.log(0.05)
"""An edge that is darker than by this chance names a swirl beside it a knot."""

END_CELLS = CELLS_ACROSS // 2
"""The last half width at either end is left out: checks, saw marks and the outline's own error."""

SWIRL_END_CELLS = CELLS_ACROSS
"""A swirl nearer to an end than a width is not seen whole."""

BESIDE_WIDTHS = 0.75
"""A spot and a swirl this near each other are one and the same."""

SPOTS = 3
"""The darkest spots are tried; a stained face may have many."""

MOST_TROUBLES = 5

LEAST_CHANCE = 1e-6
"""No smaller chance is claimed: tails so far out were never seen."""


def find_local_trouble(grey: npt.NDArray[np.float32]) -> tuple[LocalTrouble, ...]:
    """Knots and swirls of a square-on view (M, N) float32, 0 to 255, from left to right.

    Without millimetres, which a view does not know.
    """
    return look_for_trouble(grey)[0]


def look_for_trouble(
    grey: npt.NDArray[np.float32],
) -> tuple[tuple[LocalTrouble, ...], tuple[LocalTrouble, ...]]:
    """What :func:`find_local_trouble` finds, and what is too faint for that, likeliest first."""
    turns = local_turns(grey)
    if turns is None:
        return (), ()
    count = turns.dark.shape[1]
    quiet = _away_from_ends(np.ones(count, dtype=np.bool_), END_CELLS)
    found: list[LocalTrouble] = []
    while True:
        faint = _likeliest(turns, grey, quiet)
        if not faint or faint[0].false_alarm > FALSE_ALARM or len(found) == MOST_TROUBLES:
            break
        trouble = faint[0]
        found.append(trouble)
        # What is left of one place's swirl is not another place.
        first = int(trouble.start * count) - CELLS_ACROSS
        quiet[max(0, first) : math.ceil(trouble.stop * count) + CELLS_ACROSS] = False
    beyond = tuple(t for t in faint if t.false_alarm > FALSE_ALARM)
    return tuple(sorted(found, key=lambda t: t.at)), beyond


def away_from(
    angles: FibreAngles, found: tuple[LocalTrouble, ...], *, one_width: float
) -> tuple[FibreAngles, Mask]:
    """The angles with the mean taken away from trouble, and which stations (S,) lie in it.

    ``one_width``: of the face, as a share of its length; angles are read in blocks about so long,
    so a station within half a width of trouble has a share in it. The general slope of grain is
    taken over a length that shows it, and short deviations round knots are left out (ASTM D245,
    §5.3; from memory). Where trouble leaves less than a third of the face, its mean stays as it
    was.
    """
    inside = in_trouble(angles.at, found, one_width=one_width)
    if not inside.any() or not angles.readable or not enough_clear(inside):
        return angles, inside
    means = angles.paths_deg[:, ~inside].mean(axis=1)
    sigma = float(np.hypot(means.std(), angles.common_sigma_deg))
    clear = dataclasses.replace(angles, mean_deg=float(means.mean()), mean_sigma_deg=sigma)
    return clear, inside


def in_trouble(at: FloatArray, found: tuple[LocalTrouble, ...], *, one_width: float) -> Mask:
    """Which places (S,) along a face lie in trouble or no more than half a width from it."""
    inside = np.zeros(len(at), dtype=np.bool_)
    for trouble in found:
        inside |= np.maximum(trouble.start - at, at - trouble.stop) <= one_width / 2.0
    return inside


def enough_clear(inside: Mask) -> bool:
    """Whether trouble leaves enough of a face, a third of its stations (S,), to tell its mean."""
    return bool(3 * (~inside).sum() >= len(inside))


def _likeliest(turns: LocalTurns, grey: Float32Array, quiet: Mask) -> list[LocalTrouble]:
    """All that may be trouble, likeliest first."""
    made = []
    for finding in _chances(turns, grey, quiet):
        chance = min(1.0, max(finding.chance, LEAST_CHANCE))
        made.append(_described(finding.swirl, finding.spot, chance, turns))
    return sorted(made, key=lambda t: t.false_alarm)


@dataclass(frozen=True, slots=True)
class _Finding:
    """What may be trouble, the kind of evidence it rests on, and its share of the false alarms."""

    kind: str
    chance: float
    swirl: Swirl | None
    spot: DarkSpot | None


def _chances(turns: LocalTurns, grey: Float32Array, quiet: Mask) -> list[_Finding]:
    spots = dark_spots(turns, quiet)
    turn = (turns.quiet.copy(), turns.every.copy())
    for spot in spots:
        if spot.is_stain:
            # Its outline goes round it, but no fibres do.
            for values in turn:
                values[spot.rim] = 0.0
    spots = spots[:SPOTS]
    edge = dark_edge(grey, quiet)
    edges = () if edge is None else (edge,)
    found = []
    away = _away_from_ends(quiet, SWIRL_END_CELLS)
    anywhere = likeliest_swirl(turn, away, quiet, rows=AT_EDGES)
    if anywhere is not None:
        chance = _chance(anywhere[0].log_chance, anywhere[1]) / SHARES["swirl"]
        telling = tuple(e for e in edges if (e.log_chance or 0.0) < EDGE_TELLS)
        found.append(_Finding("swirl", chance, anywhere[0], _near(anywhere[0], spots + telling)))
    for kind, those in (("spot", spots), ("edge", edges)):
        for spot in those:
            swirl = _swirl_round(spot, turn, quiet)
            parted = 1.0 if swirl is None else _chance(swirl[0].log_chance, swirl[1])
            lost = spot.log_chance
            here = parted if lost is None else _together(math.exp(lost), parted)
            chance = here * len(those) / SHARES[kind]
            found.append(_Finding(kind, chance, swirl and swirl[0], spot))
    return found


def _away_from_ends(columns: Mask, cells: int) -> Mask:
    kept = columns.copy()
    kept[:cells] = kept[-cells:] = False
    return kept


def _chance(log_chance: float, places: float) -> float:
    """Chance that at least one of so many places shows as much."""
    return -math.expm1(-places * math.exp(log_chance))


def _together(first: float, second: float) -> float:
    """One chance for two independent pieces of evidence: that their product is as small.

    Fisher, *Statistical Methods for Research Workers*, 1932, §21.1.
    """
    product = max(first * second, 1e-24)
    return product * (1.0 - math.log(product))


def _near(swirl: Swirl, spots: tuple[DarkSpot, ...]) -> DarkSpot | None:
    for spot in spots:
        if abs(spot.column - swirl.column) <= BESIDE_WIDTHS * CELLS_ACROSS:
            return spot
    return None


def _swirl_round(
    spot: DarkSpot, turn: tuple[FloatArray, ...], quiet: Mask
) -> tuple[Swirl, float] | None:
    here = _away_from_ends(quiet, SWIRL_END_CELLS)
    here &= np.abs(np.arange(len(quiet)) - spot.column) <= CELLS_ACROSS / 4
    # A large knot hides what is near its middle; its swirl begins at its outline.
    clear = math.ceil((spot.columns[1] - spot.columns[0]) / 2.0) + 1
    wider = tuple((clear, lobe) for lobe in (4, 6)) if clear > LOBES[-1][0] else ()
    return likeliest_swirl(turn, here, quiet, LOBES + wider)


def _described(
    swirl: Swirl | None, spot: DarkSpot | None, chance: float, turns: LocalTurns
) -> LocalTrouble:
    count = turns.dark.shape[1]
    span = 1.0 - 2.0 * EDGE_SHARE
    if spot is not None:
        column, row, radius = spot.column, spot.row, spot.radius
        start, stop = float(spot.columns[0]), float(spot.columns[1])
    else:
        assert swirl is not None
        column, row = swirl.column, _parting_row(swirl, turns)
        # The fibres are steepest about a radius before and after the middle.
        radius = swirl.half_gap + swirl.lobe / 2.0
        start, stop = column - radius, column + radius
    if swirl is not None:
        reach = swirl.half_gap + swirl.lobe
        start, stop = min(start, swirl.column - reach), max(stop, swirl.column + reach)
    return LocalTrouble(
        what="swirl" if spot is None else "knot",
        at=column / count,
        start=max(0.0, start / count),
        stop=min(1.0, stop / count),
        offset=float(np.clip((0.5 - row / CELLS_ACROSS) * span, -0.5, 0.5)),
        radius=radius / CELLS_ACROSS * span,
        false_alarm=chance,
    )


def _parting_row(swirl: Swirl, turns: LocalTurns) -> float:
    """The row the fibres part at: lines above it climb and then fall, those below the reverse."""
    if swirl.middle is not None:
        return swirl.middle
    column = int(swirl.column)
    turn = (turns.quiet + turns.every) / 2.0
    before = turn[:, max(0, column - swirl.half_gap - swirl.lobe) : column - swirl.half_gap]
    after = turn[:, column + swirl.half_gap : column + swirl.half_gap + swirl.lobe]
    climbs = before.mean(axis=1) - after.mean(axis=1)
    total = np.concatenate([[0.0], np.cumsum(climbs)])
    # The split that gives most to "climb above it, fall below it".
    gain = 2.0 * total - total[-1]
    return float(np.argmax(gain))
