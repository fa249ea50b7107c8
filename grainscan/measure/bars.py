"""Which two long edges and which two ends make the blank: bars tried one by one and scored.

Every pair of long nearly level edges that may bound one face is a candidate. Along the pair, each
column of the picture speaks for blank or not by the change of colour it shows at both edges; the
two ends are where that evidence begins and stops and the colours change across the whole width.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from grainscan.measure.beams import Chain
from grainscan.measure.medians import median, medians
from grainscan.measure.partners import Ends, partners, steps_along

__all__ = ["FILLED", "RIVAL", "Bar", "bar_between", "bars"]

FloatArray = npt.NDArray[np.float32]
Float64Array = npt.NDArray[np.float64]

LEAST_LENGTH = 0.3
"""Shortest blank looked for, as a share of the picture's width."""

FILLED = 0.5
"""Share of the picture's width that a blank photographed as asked for fills at least."""

USUALLY_FILLED = 0.6
"""The same of most of them; the likelihood of a shorter one falls as its square (no source)."""

LEAST_SLENDERNESS = 1.8
"""Least length of a blank in widths: the shortest tenon blank is two squares long."""

LEAST_WIDTH_PX = 4.0
THIN = 25.0
MOST_SLENDERNESS = 70.0
"""Greatest length of a blank in widths: a lath 12 mm thick and 800 mm long."""

SAME_HUE = 0.06
"""Difference of (a*, b*) / (L* + 16) below which two colours may be one in different light. Woods
lie near (0.1, 0.25), greys at 0 (common practice, no source)."""

WOOD_YELLOW = 0.1
"""b* / (L* + 16) that every common wood reaches (common practice, no source)."""

MOST_HUE = 0.08
"""The same difference beyond which two strips of wood are not of one board: earlywood and
latewood, heart and sap stay below it (common practice, no source)."""

SHADE_STEP = 0.06
"""Share of L* + 16 by which a strip must be darker to be taken for a shadow: a sixth of the light
(L* + 16 goes with its cube root)."""

GUESSED_EDGE = 0.85
"""An edge that no chain follows, but a step between two chains, counts less."""

MOST_TAPER = 1.0
"""Most difference of the widths of both ends, in mean widths: strong tilt and taper together."""

UNEVEN_SHARE = 0.08
"""Uneven change of a riven face's width, as a share of it, that is still common (common practice,
no source)."""

UNEVEN_PX = 0.7
"""What a chain's own course is uncertain by, in pixels of the small picture."""

ALONE = 0.5
"""What an edge with the same surface on both sides is worth, against one between two."""

SAME_SURFACE = 0.3
WEAKER = 0.1

LEAST_OWN = 0.7
"""Difference of neighbouring strips (L*, a*, b*) that noise and uneven light leave anyway."""

MOST_PAIRS = 30
MOST_KNOWN = 10
STRETCHES = 6
LEAST_STEP = 0.45
SAME_ENDS = 0.03
SIDE_BY_SIDE = 0.85
MIN_GROWTH_PX = 1.5
ALMOST = 0.65
SURE_SHARE = 0.8
"""Share of its greatest score that a bar beyond doubt reaches."""

RIVAL = 0.45
"""A bar with a smaller share of the best one's score is neither its wider self (ALMOST) nor another
blank beside that (`outline.LIKE_THE_BEST` of it)."""

ALIKE = 0.38
"""Parts on both sides of a step whose smaller one has more than this share are much alike."""
BAND_ROWS = 24
MARGIN_ROWS = 5
END_PX = 4
END_ROWS = 5
END_WORTH = 4.0
MOST_END = 8.0
"""An end clearer than this many scatters is simply clear; counted in columns, END_WORTH each, so
that ends decide within the stretch in which the long edges fade. Of two clear ones, that many
times the logarithm more."""

LEAN = 0.15
"""Half of what an end seen in perspective leans, in widths."""

LEAST_CROSSED = 4.0
CROSSED = 0.5
"""What crossing a change of so many scatters costs, in what it would be worth as an end: pencil
lines and stains cross faces too (common practice, no source)."""


CUT_ROWS = 6
CUT_LEAST = 1.5
CUT_SURE = 3.0
"""Change of colour at the weaker end of a strip, in scatters along it, below which the ends do not
cut the strip, and above which they do: the greatest of a few columns of texture reaches the one as
often as not, the other once in a few dozen times (from trials with known outlines)."""

CUT_WHOLE = 0.7
"""What a strip that is cut shows at least of the whole end's clearness (from trials with known
outlines)."""

UNCUT = 0.5
"""What a bar is worth that the ends do not cut along one long edge (from trials with known
outlines)."""


@dataclass(frozen=True, slots=True)
class Followed:
    """A chain's row in every column of the picture, and how far each column speaks for it."""

    chain: Chain
    rows: Float64Array
    speaks: Float64Array


@dataclass(frozen=True, slots=True)
class Bar:
    """A candidate: its edges, its ends (columns of the small picture), and what speaks for it.

    ``edge_share``: share of the columns between the ends that show the edge, top and bottom.
    ``end_clear``: clearness of both ends, in scatters. ``stops``: how surely the long edges stop
    there. ``apart``: how far what lies outside each long edge is another surface, 0 to 1.
    ``step``: what is left of a single step of lightness across the inside, 0 to 1.
    ``shade``: how like a shadow the inside is, 0 to 1. ``score``: all of it together, in columns.
    ``hue`` (2,): (a*, b*) / (L* + 16) of its inside.
    """

    top: Followed
    bottom: Followed
    left: float
    right: float
    width: float
    edge_share: tuple[float, float]
    end_clear: tuple[float, float]
    stops: tuple[float, float]
    step: float
    shade: float
    apart: tuple[float, float]
    score: float
    hue: FloatArray

    @property
    def long_edges(self) -> tuple[Followed, Followed]:
        """The top and the bottom edge."""
        return self.top, self.bottom

    def edges(self, at: Float64Array) -> tuple[Float64Array, Float64Array]:
        """Rows of the face's top and bottom edge at columns ``at``."""
        return self.top.chain.heights(at), self.bottom.chain.heights(at)


def bars(
    lab: FloatArray, change: FloatArray, found: list[Chain], *, patience: int = 1
) -> list[Bar]:
    """Candidates for the blank in a small smoothed picture (M, N, C), best first.

    ``patience``: so many times as many pairs and known edges are tried.
    """
    at = np.arange(lab.shape[1], dtype=np.float64)
    followed = [_followed(change, chain, at) for chain in found]
    # Chains come strongest first: of pairs as promising, those of stronger edges are tried.
    pairs = [
        (_promise(upper, lower) * (1.0 - WEAKER * max(i, k) / len(followed)), upper, lower)
        for i, upper in enumerate(followed)
        for k, lower in enumerate(followed)
        if upper is not lower and _may_pair(upper, lower, lab.shape)
    ]
    most = patience * MOST_PAIRS
    made = _best_bars(lab, change, pairs, most)
    if not made or not _clear(made[0]) or made[0].right - made[0].left < FILLED * lab.shape[1]:
        # One edge may be too weak for the chains: looked for along those of the likeliest bars.
        long = [f for f in followed if np.ptp(f.chain.x) > LEAST_LENGTH * lab.shape[1]]
        strong = sorted(long, key=lambda f: -f.chain.strength)[: patience * MOST_KNOWN]
        step = steps_along(lab)
        known = _known(made, step, patience * MOST_KNOWN) + [(f, None) for f in strong]
        made += _best_bars(lab, change, _with_partners(change, known, at, lab.shape), most)
        made.sort(key=lambda bar: -_worth(bar, lab.shape[1]))
        if made:
            best = made[0]
            ends = Ends(best.left, best.right, step)
            near = [partners(change, edge.chain, ends) for edge in best.long_edges]
            followed += [_followed(change, chain, at) for chains in near for chain in chains]
    return [_widest(lab, change, made[0], followed), *made] if made else []


def bar_between(
    lab: FloatArray, change: FloatArray, top: Float64Array, bottom: Float64Array
) -> Bar | None:
    """The bar between two courses of points (K, 2) in the small picture; None if it is none."""
    at = np.arange(lab.shape[1], dtype=np.float64)
    upper, lower = (_followed(change, _chain_along(change, edge), at) for edge in (top, bottom))
    return _bar(lab, change, upper, lower) if _may_pair(upper, lower, lab.shape) else None


def _chain_along(change: FloatArray, points: Float64Array) -> Chain:
    columns, rows = np.round(points).astype(int).T
    size = change.shape
    mean = change[np.clip(rows, 0, size[0] - 1), np.clip(columns, 0, size[1] - 1)].mean(axis=0)
    return Chain(points[:, 0], points[:, 1], np.asarray(mean, dtype=np.float32), 0.0)


_Pair = tuple[float, Followed, Followed]
_Known = tuple[Followed, Ends | None]


def _known(made: list[Bar], step_along: FloatArray, most_known: int) -> list[_Known]:
    """The long edges of the best bars, each once, and the ends of the best bar each belongs to.

    Those of the best bars that fill the picture come in any case: a tool on the bench may make many
    a clear bar.
    """
    filling = [bar for bar in made if bar.right - bar.left > FILLED * len(bar.top.rows)]
    known: list[_Known] = []
    for some, most in ((filling, most_known // 2), (made, most_known)):
        for bar in some:
            for edge in bar.long_edges:
                if len(known) < most and all(edge is not other for other, _ in known):
                    known.append((edge, Ends(bar.left, bar.right, step_along)))
    return known


def _with_partners(
    change: FloatArray, known: list[_Known], at: Float64Array, shape: tuple[int, ...]
) -> list[_Pair]:
    pairs = []
    for one, ends in known:
        for chain in partners(change, one.chain, ends):
            other = _followed(change, chain, at)
            below = chain.y[0] > one.rows[int(chain.x[0])]
            upper, lower = (one, other) if below else (other, one)
            if _may_pair(upper, lower, shape):
                pairs.append((_promise(upper, lower), upper, lower))
    return pairs


def _best_bars(lab: FloatArray, change: FloatArray, pairs: list[_Pair], most: int) -> list[Bar]:
    """The bars of the ``most`` promising pairs, best first."""
    made: list[Bar] = []
    best = 0.0
    for _, upper, lower in sorted(pairs, key=lambda pair: -pair[0])[:most]:
        bar = _bar(lab, change, upper, lower, least=RIVAL * best)
        if bar is not None:
            made.append(bar)
            best = max(best, bar.score)
    return sorted(made, key=lambda bar: -_worth(bar, lab.shape[1]))


def _worth(bar: Bar, columns: int) -> float:
    """The bar's score, less where it does not fill the picture, or runs out of it, as a blank
    photographed as asked for does not: a tool's handle may stand out better than the blank.
    """
    inside = bar.left > END_PX and bar.right < columns - 1 - END_PX
    fills = (bar.right - bar.left) / columns if inside else LEAST_LENGTH
    return bar.score * min(1.0, fills / USUALLY_FILLED) ** 2


def _clear(bar: Bar) -> bool:
    """Whether both edges and both ends of a bar are beyond doubt."""
    return (
        bar.score > SURE_SHARE * 2.0 * (bar.right - bar.left)
        and min(bar.edge_share) > 0.9
        and min(bar.end_clear) > MOST_END
        and min(bar.stops) > 0.5
    )


def _widest(lab: FloatArray, change: FloatArray, best: Bar, followed: list[Followed]) -> Bar:
    """The best bar grown to the widest that has its ends, is much as clear, and is one stuff.

    Stripes of rings run along the inside of a face and pair up as clearly as its edges, and so
    do both edges of a side face.
    """
    length = best.right - best.left
    at = np.linspace(best.left, best.right, 9)[1:-1]
    chosen = best
    for _ in range(3):
        top, bottom = chosen.edges(at)
        pairs: list[tuple[Followed, Followed]] = []
        for edge in followed:
            if _covers(edge.chain, best):
                rows = edge.chain.heights(at)
                if np.median(rows - top) < -MIN_GROWTH_PX:
                    pairs += [(edge, chosen.bottom), (edge, chosen.top)]
                if np.median(rows - bottom) > MIN_GROWTH_PX:
                    pairs += [(chosen.top, edge), (chosen.bottom, edge)]
        least = ALMOST * best.score
        wider = [
            _bar(lab, change, *pair, least=least) for pair in pairs if _may_pair(*pair, lab.shape)
        ]
        good = [
            bar
            for bar in wider
            if bar is not None
            and bar.width > 1.08 * chosen.width
            and max(abs(bar.left - best.left), abs(bar.right - best.right)) < SAME_ENDS * length
            and bar.score > ALMOST * best.score
            and bar.step < LEAST_STEP
            and min(bar.end_clear) > 0.4 * min(MOST_END, *best.end_clear)
            and _one_stuff(lab, chosen, bar)
        ]
        if not good:
            break
        chosen = max(good, key=lambda bar: bar.width)
    return chosen


def _covers(chain: Chain, bar: Bar) -> bool:
    shared = min(chain.x[-1], bar.right) - max(chain.x[0], bar.left)
    return bool(shared > 0.6 * (bar.right - bar.left))


def _one_stuff(lab: FloatArray, part: Bar, whole: Bar) -> bool:
    """Whether what a wider bar adds is like the part, not like what lies outside both."""
    at = np.linspace(whole.left, whole.right, 40)[2:-2]
    part_edges, edges = part.edges(at), whole.edges(at)
    shared = np.minimum(part_edges[1], edges[1]) - np.maximum(part_edges[0], edges[0])
    if np.median(shared) < 0.3 * part.width:
        # They lie side by side: a face and its side face, which show the same ends as clearly.
        return whole.score > SIDE_BY_SIDE * part.score
    margin = np.clip(0.15 * (edges[1] - edges[0]), 2.0, 6.0)
    lines = {
        "inside": (part_edges[0], part_edges[1]),
        "above": (edges[0], part_edges[0]),
        "below": (part_edges[1], edges[1]),
        "over": (edges[0] - margin - 1.5, edges[0] - 1.5),
        "under": (edges[1] + 1.5, edges[1] + margin + 1.5),
    }
    colour = {name: _strip_colour(lab, at, *rows) for name, rows in lines.items()}
    for added, outside in (("above", "over"), ("below", "under")):
        thickness = float(np.median(lines[added][1] - lines[added][0]))
        if thickness < 2.5:
            continue
        unlike = float(np.linalg.norm(_hue(colour[added]) - _hue(colour["inside"])))
        if unlike > MOST_HUE:
            return False
        to_part = np.linalg.norm(colour[added] - colour["inside"])
        to_outside = np.linalg.norm(colour[added] - colour[outside])
        if to_part > to_outside:
            return False
    return True


def _strip_colour(
    lab: FloatArray, at: Float64Array, top: Float64Array, bottom: Float64Array
) -> FloatArray:
    """Median colour between two courses of rows."""
    share = np.linspace(0.1, 0.9, 7)[:, None]
    rows = np.round(top + share * (bottom - top)).astype(int)
    index = np.clip(rows, 0, len(lab) - 1), np.clip(np.round(at).astype(int), 0, lab.shape[1] - 1)
    colours = lab[index[0], index[1][None, :]]
    return medians(colours.reshape(-1, lab.shape[2])[:, :3], 0)


def _promise(upper: Followed, lower: Followed) -> float:
    """Summed evidence of both long edges alone, less where they do not stop inside the picture."""
    both = upper.speaks + lower.speaks
    left, right = _between(both, np.zeros_like(both)) or (0, 0)
    stops = _stop(both, left, right)
    return float(both[left : right + 1].sum()) * (0.3 + 0.7 * stops[0]) * (0.3 + 0.7 * stops[1])


def _stop(both: Float64Array, left: int, right: int) -> tuple[float, float]:
    """How surely the long edges stop at both ends, 0 to 1: nothing like them goes on beyond."""
    reach = max(8, round(0.06 * (right - left)))
    beyond = both[max(0, left - reach) : left], both[right + 1 : right + 1 + reach]
    # Cut short by the border: what lies beyond is unknown.
    found = [0.0 if len(b) < 4 else float(np.clip(-np.mean(b), 0.0, 1.0)) for b in beyond]
    return found[0], found[1]


def _followed(change: FloatArray, chain: Chain, at: Float64Array) -> Followed:
    """How far each column speaks for an edge: log odds, from -1 to 1."""
    rows = chain.heights(at)
    direction = chain.change / max(float(np.linalg.norm(chain.change)), 1e-9)
    offsets = np.concatenate([np.arange(-2, 3), np.arange(-40, -7, 4), np.arange(8, 41, 4)])
    lines = _along(change, rows, offsets) @ direction
    here = np.asarray(lines[:5].max(axis=0), dtype=np.float64)
    # The same look at other heights tells what the bench and the wood show by themselves.
    others = lines[5:]
    level, scatter = median(others), 1.4826 * median(np.abs(others)) + 1e-3
    inside = (at >= chain.x[0]) & (at <= chain.x[-1])
    strong = max(median(here[inside]), level + 1.5 * scatter)
    spread = max(scatter, 0.35 * (strong - level))
    odds = ((here - level) ** 2 - (here - strong) ** 2) / (2.0 * spread**2)
    # Stronger than the edge's own middle strength is there all the more.
    odds = np.where(here > strong, 1.0, np.clip(odds, -1.0, 1.0))
    odds[(rows < 0) | (rows > len(change) - 1)] = -1.0
    return Followed(chain, rows, _smoothed(odds, 7))


def _step_as_edge(
    change: FloatArray, upper: Followed, lower: Followed, share: float, ends: tuple[int, int]
) -> Followed:
    """The step found at a share of the width between two edges, as an edge of its own."""
    left, right = ends
    at = np.arange(len(upper.rows), dtype=np.float64)
    rows = upper.rows + share * (lower.rows - upper.rows)
    offsets = np.arange(-3, 4)
    inside = slice(left, right + 1)
    means = _along(change, rows, offsets)[:, inside].mean(axis=1)
    best = int(np.argmax(np.abs(means[:, 0])))
    nodes = np.linspace(left, right, 13)
    chain = Chain(nodes, np.interp(nodes, at, rows + offsets[best]), means[best], 0.0)
    return _followed(change, chain, at)


def _along(picture: FloatArray, rows: Float64Array, offsets: npt.NDArray[np.int_]) -> FloatArray:
    """The picture at whole offsets from a curve: (offsets, columns, C)."""
    index = np.clip(np.round(rows)[None, :].astype(int) + offsets[:, None], 0, len(picture) - 1)
    return picture[index, np.arange(picture.shape[1])[None, :]]


def _highest(lines: FloatArray) -> Float64Array:
    return np.asarray(lines.max(axis=0), dtype=np.float64)


def _smoothed(values: Float64Array, width: int) -> Float64Array:
    from scipy.ndimage import uniform_filter1d

    return np.asarray(uniform_filter1d(values, width, mode="nearest"), dtype=np.float64)


def _may_pair(upper: Followed, lower: Followed, shape: tuple[int, ...]) -> bool:
    a, b = upper.chain, lower.chain
    left, right = max(a.x[0], b.x[0]), min(a.x[-1], b.x[-1])
    both = max(a.x[-1], b.x[-1]) - min(a.x[0], b.x[0])
    if both < LEAST_LENGTH * shape[1] or right - left < 0.3 * both:
        return False
    gap = (lower.rows - upper.rows)[int(left) : int(right) + 1]
    middle = median(gap)
    if middle < LEAST_WIDTH_PX or both < LEAST_SLENDERNESS * middle:
        return False
    return bool(gap.min() > 0.25 * middle and abs(gap[-1] - gap[0]) < MOST_TAPER * middle)


def _bar(
    lab: FloatArray,
    change: FloatArray,
    upper: Followed,
    lower: Followed,
    *,
    whole: bool = True,
    least: float = 0.0,
) -> Bar | None:
    """The bar between two edges, or what is left of a ``whole`` one without its side face.

    None if it is none, or cannot reach the score ``least``.
    """
    gap = lower.rows - upper.rows
    if median(gap) < LEAST_WIDTH_PX:
        return None
    band = _band(lab, upper.rows, lower.rows)
    ends = _end_clearness(band[MARGIN_ROWS + 2 : -MARGIN_ROWS - 2], upper, lower)
    both = np.where(gap < 2.0, -2.0, upper.speaks + lower.speaks)
    found = _between(both, ends)
    if found is None:
        return None
    left, right = found
    inside = slice(left, right + 1)
    width, length = median(gap[inside]), right - left
    if (
        width < LEAST_WIDTH_PX
        or length < max(LEAST_LENGTH * lab.shape[1], LEAST_SLENDERNESS * width)
        or length > MOST_SLENDERNESS * width
    ):
        return None
    step, row, lighter_below = _inner_step(band, left, right)
    if whole and step >= LEAST_STEP:
        share = (row - MARGIN_ROWS) / BAND_ROWS
        edge = _step_as_edge(change, upper, lower, share, found)
        # The larger part is the face; of two much alike, the lighter.
        below = share < 0.5 if not ALIKE <= share <= 1.0 - ALIKE else lighter_below
        parts = (edge, lower) if below else (upper, edge)
        part = _bar(lab, change, *parts, whole=False)
        # A step with the same wood on both sides is a ring's edge, no arris.
        if part is None or min(part.apart) > SAME_SURFACE:
            return part
    end_clear = (float(ends[left]), float(ends[right]))
    stops = _stop(both, left, right)
    score = float(both[inside].sum()) * _parallel(gap[inside], width)
    # Few blanks are thinner than this; side faces, shadows' rims and ring stripes are.
    score *= min(1.0, THIN * width / length) ** 0.5
    for stop, clear in zip(stops, end_clear, strict=True):
        score *= 0.25 + 0.5 * min(clear / MOST_END, 1.0) + 0.25 * stop
    # What follows only takes from it.
    if whole and score < least:
        return None
    colour = medians(band[MARGIN_ROWS + 2 : -MARGIN_ROWS - 2, inside], (0, 1))
    shade = _shade(lab, colour, upper.rows, lower.rows, left, right)
    score *= 1.0 - 0.8 * shade
    # Steel beside wood is no rival; in a picture without colours none gains by this.
    score *= 0.4 + 0.6 * float(np.clip(_hue(colour)[1] / WOOD_YELLOW, 0.0, 1.0))
    for rows in (slice(0, CUT_ROWS), slice(BAND_ROWS - CUT_ROWS, BAND_ROWS)):
        strip = band[MARGIN_ROWS:-MARGIN_ROWS][rows].mean(axis=0)
        score *= UNCUT + (1.0 - UNCUT) * _cut(strip, left, right, LEAN * width, min(end_clear))
    apart = _apart(band[:, inside])
    score *= (ALONE + (1.0 - ALONE) * apart[0]) * (ALONE + (1.0 - ALONE) * apart[1])
    return Bar(
        top=upper,
        bottom=lower,
        left=float(left) - 0.5,
        right=float(right) + 0.5,
        width=width,
        edge_share=(
            float(np.mean(upper.speaks[inside] > 0)),
            float(np.mean(lower.speaks[inside] > 0)),
        ),
        end_clear=end_clear,
        stops=stops,
        step=step,
        shade=shade,
        apart=apart,
        score=score if whole else GUESSED_EDGE * score,
        hue=_hue(colour),
    )


def _parallel(gap: Float64Array, width: float) -> float:
    """How like one face's the distance of both edges is, 0 to 1: both follow one bent axis, so that
    taper and perspective let it change evenly, and little else.
    """
    x = np.linspace(-1.0, 1.0, len(gap))
    slope = float(gap @ x / (x @ x))
    off = float(np.sqrt(np.mean((gap - gap.mean() - slope * x) ** 2)))
    return float(1.0 / (1.0 + (off / (UNEVEN_SHARE * width + UNEVEN_PX)) ** 2))


def _apart(band: FloatArray) -> tuple[float, float]:
    """How far the surfaces outside the top and the bottom edge differ from the inside, 0 to 1.

    Colour and texture direction a little outside each edge against a little inside it, in units of
    how neighbouring strips inside differ by themselves. A pencil line or a check has the same wood
    on both sides, a ring's edge wood that differs no more than the rings of the face do.
    """
    parts = np.stack([part.mean(axis=1) for part in np.array_split(band, STRETCHES, axis=1)])
    depth = MARGIN_ROWS - 1
    rows = MARGIN_ROWS + 1 + depth * np.arange((BAND_ROWS - 2) // depth)
    strips = np.stack([parts[:, r : r + depth].mean(axis=1) for r in rows])
    own = np.mean(np.diff(strips, axis=0) ** 2, axis=(0, 1)) + LEAST_OWN**2
    shares = []
    for outside, inside in ((parts[:, :depth], strips[0]), (parts[:, -depth:], strips[-1])):
        step = (outside.mean(axis=1) - inside).mean(axis=0)
        ratio = float(np.mean(step**2 / own))
        shares.append(ratio / (1.0 + ratio))
    return shares[0], shares[1]


def _band(lab: FloatArray, top: Float64Array, bottom: Float64Array) -> FloatArray:
    """The bar and a margin above and below it, each column from edge to edge: (rows, N, C)."""
    import cv2

    share = (np.arange(BAND_ROWS + 2 * MARGIN_ROWS) - MARGIN_ROWS + 0.5) / BAND_ROWS
    y = top[None, :] + share[:, None] * (bottom - top)[None, :]
    x = np.broadcast_to(np.arange(lab.shape[1], dtype=np.float64), y.shape)
    return np.asarray(
        cv2.remap(
            lab,
            x.astype(np.float32),
            y.astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        ),
        dtype=np.float32,
    )


def _end_clearness(inside: FloatArray, upper: Followed, lower: Followed) -> Float64Array:
    """Change of colour along the length in every column, in its own scatter inside the bar.

    The mean over the width counts, along three leans of the end (an end seen in perspective
    leans), so that one ring or a stain in part of the width is no end.
    """
    columns = inside.shape[1]
    gap = median(lower.rows - upper.rows)
    groups = np.stack([part.mean(axis=0) for part in np.array_split(inside, END_ROWS)])
    step = _steps_along(groups)
    clear = np.zeros(columns)
    left = int(max(upper.chain.x[0], lower.chain.x[0])) + 10
    right = int(min(upper.chain.x[-1], lower.chain.x[-1])) - 10
    middle = slice(left, max(right, left + 5))
    places = (np.arange(END_ROWS) + 0.5) / END_ROWS - 0.5
    band = np.arange(END_ROWS)[:, None]
    for lean in (-2.0 * LEAN, 0.0, 2.0 * LEAN):
        shifts = np.round(places * lean * gap).astype(int)
        turned = step[band, (np.arange(columns) - shifts[:, None]) % columns].mean(axis=0)
        scatter = 1.4826 * medians(np.abs(turned[middle]), 0) + 0.15
        clear = np.maximum(clear, np.sqrt(np.mean((turned / scatter) ** 2, axis=1)))
    return clear


def _steps_along(colours: FloatArray) -> FloatArray:
    """Means over END_PX columns just after each column less those just before, (..., N, C)."""
    columns = colours.shape[-2]
    before = colours[..., :1, :].repeat(END_PX + 1, -2)
    after = colours[..., -1:, :].repeat(END_PX, -2)
    sums = np.cumsum(np.concatenate([before, colours, after], axis=-2), axis=-2)
    mean = (sums[..., END_PX:, :] - sums[..., :-END_PX, :]) / END_PX
    step = mean[..., END_PX:, :] - mean[..., :-END_PX, :]
    return np.asarray(step[..., :columns, :], dtype=np.float32)


def _cut(strip: FloatArray, left: int, right: int, reach: float, whole: float) -> float:
    """How surely both ends cut a strip along the length, (N, C) a column's mean colour, 0 to 1.

    The ends cut all rings of the face and none of the bench's, which run on. The weaker end counts:
    a shadow or a tool of the bench may end beside one of them. ``reach``: how far off ``left`` and
    ``right`` the ends may lie in this strip, beside END_PX. ``whole``: how clear the weaker end is
    over the whole width: where it is faint, no strip of it can be clear.
    """
    step = _steps_along(strip)
    near = END_PX + round(reach)
    scatter = 1.4826 * medians(np.abs(step[left + near : right - near]), 0) + 0.15
    # Cut off by the border there is no end to be seen.
    inside = [end for end in (left, right) if END_PX <= end < len(strip) - END_PX]
    ends = [step[max(0, end - near) : end + near + 1] / scatter for end in inside]
    clear = [float(np.sqrt(np.mean(end**2, axis=1).max())) for end in ends]
    sure = min(CUT_SURE, CUT_WHOLE * whole)
    if not clear or sure <= CUT_LEAST:
        return 1.0
    return float(np.clip((min(clear) - CUT_LEAST) / (sure - CUT_LEAST), 0.0, 1.0))


def _between(speaks: Float64Array, ends: Float64Array) -> tuple[int, int] | None:
    """Columns of the ends: the stretch of greatest summed evidence, ends included.

    A change of colour across the whole width inside the stretch speaks against it: going on over
    the blank's own end would leave one there, and a bench of crosswise boards shows one after
    another.
    """
    from scipy.ndimage import maximum_filter1d

    more = np.log(np.maximum(ends / MOST_END, 1.0))
    worth = END_WORTH * (np.minimum(ends, MOST_END) + MOST_END * more)
    peaks = (ends >= maximum_filter1d(ends, 2 * END_PX + 1)) & (ends > LEAST_CROSSED)
    crossed = np.where(peaks, CROSSED * worth, 0.0)
    before = np.concatenate([[0.0], np.cumsum(speaks - crossed)])
    # A border of the picture is no end: it has no worth of its own.
    worth[[0, -1]] = 0.0
    # What is an end is not crossed.
    worth += crossed
    start = worth - before[:-1]
    best_start = np.maximum.accumulate(start)
    total = before[1:] + worth + best_start
    right = int(np.argmax(total))
    left = int(np.argmax(start[: right + 1]))
    return (left, right) if right > left else None


def _inner_step(band: FloatArray, left: int, right: int) -> tuple[float, int, bool]:
    """How far one step of lightness explains the differences across the inside, 0 to 1, the row
    of the band after the step, and whether it is lighter below.

    Stripes of rings go up and down again; a stain is no step along the whole length.
    """
    first = MARGIN_ROWS + 1
    inner = band[first : -MARGIN_ROWS - 1, left : right + 1, 0]
    parts = [medians(part, 1) for part in np.array_split(inner, STRETCHES, axis=1)]
    profile = np.mean(parts, axis=0)
    total = float(np.sum((profile - profile.mean()) ** 2))
    rows = len(profile)
    places = np.arange(2, rows - 1)
    sums = np.cumsum(profile)[places - 1]
    differ = (profile.sum() - sums) / (rows - places) - sums / places
    between = places * (rows - places) / rows * differ**2
    best = int(np.argmax(between))
    row, height = int(places[best]), float(differ[best])
    # A slow gradient of light is explained by a step to three quarters; that much is free.
    share = max(0.0, float(between[best]) / max(total, 1e-6) - 0.75) / 0.25
    same = np.mean([(p[row:].mean() - p[:row].mean()) / height > 0.4 for p in parts])
    seen = float(np.clip((abs(height) - 2.0) / 6.0, 0.0, 1.0))
    return share * seen * float(same >= 0.8), row + first, height > 0


def _shade(
    lab: FloatArray,
    inner: FloatArray,
    top: Float64Array,
    bottom: Float64Array,
    left: int,
    right: int,
) -> float:
    """How far the inside is a shadow, 0 to 1: darker than what lies on both sides, of its hue.

    ``inner``: median colour of the inside.

    Shade takes light of all colours alike, so that a* and b* shrink with L* + 16 (CIELAB's cube
    roots); wood darker than what it lies on has a hue of its own.
    """
    at = np.arange(left, right + 1, 3, dtype=np.float64)
    top, bottom = top[left : right + 1 : 3], bottom[left : right + 1 : 3]
    width = median(bottom - top)
    least = np.inf
    for edge, outwards in ((top, -1.0), (bottom, 1.0)):
        # A shadow has a soft rim, and its other half may be a bar of its own.
        away = [edge + outwards * max(4.0, share * width) for share in (0.3, 0.8, 1.3)]
        beside = [_strip_colour(lab, at, rows - 2.0, rows + 2.0) for rows in away]
        alike = [np.exp(-((np.linalg.norm(_hue(inner) - _hue(c)) / SAME_HUE) ** 2)) for c in beside]
        lighter = max(
            (c[0] - inner[0]) / (c[0] + 16.0) * a for c, a in zip(beside, alike, strict=True)
        )
        least = min(least, float(lighter))
        if least <= SHADE_STEP:
            return 0.0
    return float(np.clip((least - SHADE_STEP) / SHADE_STEP, 0.0, 1.0))


def _hue(lab: FloatArray) -> FloatArray:
    return np.asarray(lab[1:3] / (lab[0] + 16.0))
