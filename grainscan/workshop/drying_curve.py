"""From a blank's weighings to the date at which it will be dry enough.

The model: moisture leaves a long piece of square section by diffusion towards four faces that are
in equilibrium with the air of the room (Fick's law; the ends sealed). The share of the way still
to go is then the product of two slab solutions,

E(u) = [8/π² Σ exp(−(2n+1)²u/2)/(2n+1)²]²  (n = 0, 1, 2 …; J. Crank, *The Mathematics of
Diffusion*, 1975, eq. 4.18; from memory), with the time u in units of τ, in which the rest shrinks
to 37 % later on. At first it falls with the root of time, later as exp(−u). A blank is seldom
weighed from the very start of its drying, and where the air takes the moisture away slowly the
first part is missing altogether. So the curve fitted is

W(t) = W_end + (W_start − W_end)·E(u₀ + t/τ)/E(u₀),

with u₀ ≥ 0 to be found: 0 is pure diffusion from an even start, a large u₀ the plain exponential.
Leaving u₀ open widens the interval of the date to what the weighings really
tell: either end of the family fitted alone gives a narrow interval that the other contradicts.

What the interval covers is the scatter of the weighings about this family, not a change of the
weather and not the free water of a green piece, which leaves by another way: weighings from below
fibre saturation (30 %) are the ones to give.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from grainscan.errors import InputError
from grainscan.workshop.moisture import check_moisture

__all__ = ["DryingFit", "Reach", "fit_drying", "reach_moisture", "still_to_go"]

FloatArray = NDArray[np.float64]
_CONFIDENCE = 0.90
# τ is sought from a fiftieth of the time between two weighings to fifty times the whole time:
# beyond either the weighings show a step or a straight line, and no curve.
_TAU_REACH = 50.0
_TAU_STEPS = 160
# √u₀: at 1.5 the second term of the series is 1/9·exp(−9) of the first, the plain exponential.
_LATEST = 1.5
_SHAPES = np.linspace(0.0, _LATEST, 16)
# Below this u the early solution 1 − 2√(F/π), with F = 2u/π², is exact to 1e-20 (the next term
# is ierfc(1/√F)); above it ten terms of the series are.
_EARLY = 0.1
_TERMS = 10


@dataclass(frozen=True, slots=True)
class DryingFit:
    """A fitted drying curve; times in days after the first weighing, weights in grams.

    ``tau_days``: time in which the rest of the way shrinks to 37 % in the end. ``begun``: u₀, how
    far drying had gone before the first weighing. ``dry_g``: oven-dry weight, given or from the
    fitted end and the room. ``scatter_g``: standard deviation of a weighing about the curve, no
    smaller than that of the scale's own rounding. ``freedom``: weighings less fitted numbers.
    ``end_given``: the end is known from oven-dry weight and room, not fitted.
    """

    days: tuple[float, ...]
    weights_g: tuple[float, ...]
    start_g: float
    end_g: float
    tau_days: float
    begun: float
    dry_g: float
    scatter_g: float
    freedom: int
    dry_given: bool
    end_given: bool
    room_percent: float | None

    def weight_g(self, day: float) -> float:
        """Weight on the curve."""
        u = np.array([self.begun, self.begun + day / self.tau_days])
        first, then = still_to_go(u)
        return float(self.end_g + (self.start_g - self.end_g) * then / first)

    def moisture_percent(self, day: float) -> float:
        """Moisture content on the curve, in per cent of the oven-dry weight."""
        return 100.0 * (self.weight_g(day) / self.dry_g - 1.0)

    @property
    def level_percent(self) -> float:
        """Moisture content at which the curve levels off."""
        return 100.0 * (self.end_g / self.dry_g - 1.0)


@dataclass(frozen=True, slots=True)
class Reach:
    """When a moisture content is reached, in days after the first weighing, with 90 % interval.

    ``days`` is None where the fitted curve never reaches it or had reached it before the first
    weighing; ``low_days`` or ``high_days`` is None where the weighings do not bound the date on
    that side. ``because`` then says why.
    """

    percent: float
    days: float | None
    low_days: float | None
    high_days: float | None
    because: str | None = None


def still_to_go(u: FloatArray) -> FloatArray:
    """E(u), the share of the way still to go at the time u ≥ 0 in units of τ; any shape."""
    return np.asarray(np.exp(_log_to_go(u)))


def _log_to_go(u: FloatArray) -> FloatArray:
    # The table is fine enough in √u for linear steps of ln E to be good to 1e-7.
    root, logarithm = _table()
    last = root[-1] ** 2
    inside = np.interp(np.sqrt(np.minimum(u, last)), root, logarithm)
    return np.asarray(inside - np.maximum(u - last, 0.0))


@cache
def _table() -> tuple[FloatArray, FloatArray]:
    root = np.linspace(0.0, 5.0, 20_001)
    u = root**2
    odd = (2.0 * np.arange(_TERMS) + 1.0) ** 2
    slab = 8.0 / math.pi**2 * (np.exp(-np.outer(u, odd) / 2.0) / odd).sum(axis=1)
    early = 1.0 - 2.0 * np.sqrt(2.0 * u / math.pi**3)
    table = np.asarray(2.0 * np.log(np.where(u < _EARLY, early, slab)))
    root.setflags(write=False)
    table.setflags(write=False)
    return root, table


def fit_drying(
    days: Sequence[float],
    weights_g: Sequence[float],
    *,
    dry_g: float | None = None,
    room_percent: float | None = None,
    scale_step_g: float = 0.0,
) -> DryingFit:
    """Fit the drying curve at the head of this module by `scipy.optimize.curve_fit`.

    Parameters
    ----------
    days, weights_g
        Times of the weighings in days (any start) and weights in grams.
    dry_g
        Oven-dry weight, where it is known.
    room_percent
        Moisture content to which the air of the room brings wood (`equilibrium_moisture_percent`),
        where it is known. With ``dry_g`` it fixes the end of the curve, and four weighings are
        the fewest; with one of the two alone the end is fitted, and five are the fewest. With
        ``room_percent`` alone the oven-dry weight is W_end/(1 + room/100).
    scale_step_g
        Step of the scale. Its rounding (step/√12) is the least scatter counted with.

    Raises
    ------
    InputError
        Neither ``dry_g`` nor ``room_percent`` is given, a number is out of range, there are too
        few weighings, or they show no curve: the weight does not fall, falls in a straight line,
        or falls at one step.
    """
    t, w = _weighings(days, weights_g)
    if dry_g is None and room_percent is None:
        raise InputError(
            "The weights alone do not tell moisture: give the oven-dry weight or the air of the "
            "room (temperature and humidity)."
        )
    if not (math.isfinite(scale_step_g) and scale_step_g >= 0):
        raise InputError(f"A scale step of {scale_step_g:g} g cannot be.")
    if room_percent is not None:
        check_moisture(room_percent, "moisture content that the room leads to")
    if dry_g is not None:
        _check_dry(dry_g, w)
    end_g = None
    if dry_g is not None and room_percent is not None:
        end_g = dry_g * (1.0 + room_percent / 100.0)
    fitted = 3 if end_g is not None else 4
    if len(t) <= fitted:
        raise InputError(f"{len(t)} weighings are too few: give at least {fitted + 1}.")
    start, end, tau, root = _fitted(t, w, end_g)
    left = w - _curve(t, start, end, math.log(tau), root)
    return DryingFit(
        days=tuple(float(x) for x in t),
        weights_g=tuple(float(x) for x in w),
        start_g=start,
        end_g=end,
        tau_days=tau,
        begun=root**2,
        dry_g=dry_g if dry_g is not None else end / (1.0 + (room_percent or 0.0) / 100.0),
        scatter_g=max(
            math.sqrt(float(left @ left) / (len(t) - fitted)), scale_step_g / math.sqrt(12.0)
        ),
        freedom=len(t) - fitted,
        dry_given=dry_g is not None,
        end_given=end_g is not None,
        room_percent=room_percent,
    )


def reach_moisture(fit: DryingFit, percent: float) -> Reach:
    """The day on which the curve reaches a moisture content, with its 90 % interval.

    The interval is that of the profile: the curve is made to pass through the wanted weight on a
    trial day, all its other numbers are fitted again, and the day belongs to the interval as long
    as the sum of squares has not grown by more than scatter²·F(1, n − p) (see for example Bates
    and Watts, *Nonlinear Regression Analysis*, 1988, ch. 6). It is lopsided as it should be where
    the curve is nearly flat, and open where no late day can be ruled out.

    Raises
    ------
    InputError
        The moisture content cannot be.
    """
    check_moisture(percent, "moisture content wanted")
    if fit.moisture_percent(0.0) <= percent:
        return Reach(
            percent, None, None, None, f"It was at {percent:g} % or below at the first weighing."
        )
    if fit.end_given and percent <= fit.level_percent:
        return Reach(
            percent,
            None,
            None,
            None,
            f"It never comes to {percent:g} % here: the room holds it at "
            f"{fit.level_percent:.1f} %.",
        )
    squares = _Profile(fit, percent)
    best = _day(fit, percent)
    if best is None:
        return _never_on_the_curve(fit, percent, squares)
    squares.start_from(best)
    low = _crossing(squares, best, -1.0, fit.days[-1])
    high = _crossing(squares, best, 1.0, fit.days[-1])
    because = None
    if high is None or low is None:
        because = "The weighings do not yet bound the date: weigh again later."
    return Reach(percent, best, low, high, because)


def _never_on_the_curve(fit: DryingFit, percent: float, squares: _Profile) -> Reach:
    """The end is fitted and lies above the target; another end may fit nearly as well."""
    days = fit.days[-1] * np.geomspace(1e-2, 1e3, 61)
    possible = [squares(float(day)) <= squares.limit for day in days]
    levels = f"The fitted curve levels off at {fit.level_percent:.1f} %"
    if not any(possible):
        return Reach(percent, None, None, None, f"{levels}: it does not come to {percent:g} %.")
    first = possible.index(True)
    low = None
    if first:
        low = _root(squares, float(days[first - 1]), float(days[first]), fit.days[-1])
    return Reach(
        percent,
        None,
        low,
        None,
        f"{levels}, but the weighings do not rule out {percent:g} %: weigh again later.",
    )


def _day(fit: DryingFit, percent: float) -> float | None:
    """The day on the fitted curve, or None if it levels off above."""
    from scipy.optimize import brentq

    if percent <= fit.level_percent:
        return None
    high = fit.tau_days
    while fit.moisture_percent(high) > percent:
        high *= 2.0
    return float(brentq(lambda day: fit.moisture_percent(day) - percent, 0.0, high, rtol=1e-12))


def _weighings(days: Sequence[float], weights_g: Sequence[float]) -> tuple[FloatArray, FloatArray]:
    t, w = np.asarray(days, dtype=np.float64), np.asarray(weights_g, dtype=np.float64)
    if t.ndim != 1 or t.shape != w.shape or not len(t):
        raise InputError("Give one day for each weight.")
    if not (np.all(np.isfinite(t)) and np.all(np.isfinite(w)) and np.all(w > 0)):
        raise InputError("Days must be numbers, and weights numbers above 0.")
    order = np.argsort(t, kind="stable")
    return t[order] - t[order[0]], w[order]


def _check_dry(dry_g: float, weights: FloatArray) -> None:
    if not (math.isfinite(dry_g) and dry_g > 0):
        raise InputError(f"The oven-dry weight {dry_g:g} g cannot be: give one above 0.")
    lightest = float(np.min(weights))
    if lightest < dry_g:
        raise InputError(
            f"A weighing of {lightest:g} g is below the oven-dry weight {dry_g:g} g: check the two."
        )
    check_moisture(
        100.0 * (float(np.max(weights)) / dry_g - 1.0), "moisture content from these weights"
    )


def _curve(t: FloatArray, start: float, end: float, log_tau: float, root: float) -> FloatArray:
    logarithm = _log_to_go(np.append(0.0, t) * math.exp(-log_tau) + root**2)
    return np.asarray(end + (start - end) * np.exp(logarithm[1:] - logarithm[0]))


def _fitted(t: FloatArray, w: FloatArray, end_g: float | None) -> tuple[float, float, float, float]:
    """Start, end, τ and √u₀ of the best curve."""
    from scipy.optimize import curve_fit

    start, end, log_tau, root = _first_guess(t, w, end_g)

    def end_known(x: FloatArray, start: float, log_tau: float, root: float) -> FloatArray:
        return _curve(x, start, end, log_tau, root)

    def end_free(
        x: FloatArray, start: float, log_tau: float, root: float, end: float
    ) -> FloatArray:
        return _curve(x, start, end, log_tau, root)

    # Within a factor e of the best τ tried; the bounds keep the fit from leaving for a line.
    guess = [start, log_tau, root]
    low, high = [-np.inf, log_tau - 1.0, 0.0], [np.inf, log_tau + 1.0, _LATEST]
    scale = [float(np.ptp(w)), 1.0, 1.0]
    if end_g is None:
        guess, scale = [*guess, end], [*scale, scale[0]]
        low, high = [*low, -np.inf], [*high, np.inf]
    found = curve_fit(
        end_known if end_g is not None else end_free,
        t,
        w,
        p0=guess,
        bounds=(low, high),
        x_scale=scale,
        max_nfev=5000,
    )[0]
    last = end_g if end_g is not None else float(found[3])
    return float(found[0]), last, math.exp(found[1]), float(found[2])


def _first_guess(
    t: FloatArray, w: FloatArray, end_g: float | None
) -> tuple[float, float, float, float]:
    """The best of many τ and u₀, the rest fitted linearly; refuses what shows no curve."""
    steps = np.diff(np.unique(t))
    if not len(steps):
        raise InputError("All weighings are of one day: weigh again later.")
    log_tau = np.log(np.geomspace(steps.min() / _TAU_REACH, t[-1] * _TAU_REACH, _TAU_STEPS))
    decay = _decays(t, log_tau)
    if end_g is None:
        rest = decay - decay.mean(axis=0)
        fall = (rest * (w - w.mean())[:, None, None]).sum(axis=0) / (rest**2).sum(axis=0)
        end = w.mean() - fall * decay.mean(axis=0)
    else:
        end = np.full(decay.shape[1:], end_g)
        fall = (decay * (w - end_g)[:, None, None]).sum(axis=0) / (decay**2).sum(axis=0)
    squares = ((w[:, None, None] - end - fall * decay) ** 2).sum(axis=0)
    at_tau, at_shape = np.unravel_index(int(np.argmin(squares)), squares.shape)
    if fall[at_tau, at_shape] <= 0 or w[-1] >= w[0]:
        raise InputError("The weight does not fall: there is no drying to follow.")
    if at_tau >= _TAU_STEPS - 1:
        raise InputError(
            "The weight still falls in a straight line and does not tell where it will end: give "
            "both the oven-dry weight and the air of the room, or weigh longer."
        )
    if at_tau == 0:
        raise InputError("The weight falls at one step: weigh more often.")
    level = float(end[at_tau, at_shape])
    return (
        level + float(fall[at_tau, at_shape]),
        level,
        float(log_tau[at_tau]),
        float(_SHAPES[at_shape]),
    )


def _decays(t: FloatArray, log_tau: FloatArray) -> FloatArray:
    """E(u₀ + t/τ)/E(u₀), shape (weighings, τ, shapes)."""
    u = (t[:, None] * np.exp(-log_tau))[:, :, None] + _SHAPES**2
    return np.asarray(still_to_go(u) / still_to_go(_SHAPES**2))


class _Profile:
    """Least sum of squares of the curves that pass through the target on a given day."""

    def __init__(self, fit: DryingFit, percent: float) -> None:
        self._t = np.asarray(fit.days)
        self._w = np.asarray(fit.weights_g)
        self._left = self._leftovers(fit, percent)
        self._log_tau = math.log(fit.tau_days)
        root = math.sqrt(fit.begun)
        left = self._w - _curve(self._t, fit.start_g, fit.end_g, self._log_tau, root)
        self._least = float(left @ left)
        self._may_grow = fit.scatter_g**2 * _f_quantile(fit.freedom)
        self.limit = self._least + self._may_grow

    def start_from(self, day: float) -> None:
        """Take the sum of squares on the curve's own day as the least, so that both agree."""
        self.limit = max(self._least, self(day)) + self._may_grow

    def _leftovers(self, fit: DryingFit, percent: float) -> Callable[[FloatArray], FloatArray]:
        """From q = E(u₀ + t/τ)/E(u₀ + t*/τ) to what the best such curve leaves over.

        The curve is W_end + (W* − W_end)·q. Where W_end is free it enters linearly: its best
        value has a closed form. Weighings lie along the first axis.
        """
        target = fit.dry_g * (1.0 + percent / 100.0)
        w = self._w[:, None, None]

        def end_known(q: FloatArray) -> FloatArray:
            return np.asarray(w - fit.end_g - (target - fit.end_g) * q)

        def end_free(q: FloatArray) -> FloatArray:
            return _without(1.0 - q, w - target * q)

        def all_free(q: FloatArray) -> FloatArray:
            share = (1.0 + percent / 100.0) / (1.0 + (fit.room_percent or 0.0) / 100.0)
            return _without(1.0 + (share - 1.0) * q, w)

        if fit.end_given:
            return end_known
        return end_free if fit.dry_given else all_free

    def _squares(self, day: float, log_tau: FloatArray) -> FloatArray:
        """Sum of squares for trial τ, shape (k, u₀); one column of τ for each u₀."""
        days = np.append(self._t, day)[:, None, None]
        logarithm = _log_to_go(days * np.exp(-log_tau) + _SHAPES**2)
        # Beyond this power the curve misses the weighings by more than any number of interest.
        q = np.exp(np.minimum(logarithm[:-1] - logarithm[-1], 200.0))
        return np.asarray((self._left(q) ** 2).sum(axis=0))

    def __call__(self, day: float) -> float:
        column = np.arange(len(_SHAPES))
        trial, spacing = np.linspace(-3.0, 3.0, 41, retstep=True)
        tau = np.repeat(trial[:, None] + self._log_tau, len(_SHAPES), axis=1)
        # The best τ of each u₀: a grid drawn closer about its best point, then a parabola.
        for _ in range(5):
            at = np.argmin(self._squares(day, tau), axis=0)
            spacing /= 4.0
            tau = tau[at, column] + spacing * np.arange(-4.0, 5.0)[:, None]
        by_shape = _lowest(self._squares(day, tau))
        # And of all u₀: a parabola again, as the list is coarse.
        return float(_lowest(by_shape[:, None])[0])


def _lowest(values: FloatArray) -> FloatArray:
    """Least value of each column, by a parabola through its lowest point and the neighbours."""
    column = np.arange(values.shape[1])
    at = np.clip(np.argmin(values, axis=0), 1, len(values) - 2)
    before, middle, after = (values[at + step, column] for step in (-1, 0, 1))
    bend = before + after - 2.0 * middle
    lowest = values.min(axis=0)
    dip = (after - before) ** 2 / (8.0 * np.where(bend > 0.0, bend, 1.0))
    inner = (bend > 0.0) & (np.abs(after - before) < 2.0 * bend)
    return np.asarray(np.where(inner, np.minimum(lowest, middle - dip), lowest))


def _without(x: FloatArray, y: FloatArray) -> FloatArray:
    """What is left of y after its best multiple of x is taken away, along the first axis."""
    share = (x * y).sum(axis=0) / (x**2).sum(axis=0)
    return np.asarray(y - share * x)


def _crossing(squares: _Profile, best: float, way: float, span: float) -> float | None:
    """The day before or after the best at which the sum of squares crosses its limit."""
    step = 1e-2 * max(span, best)
    inner = best
    while step < 1e3 * max(span, best):
        outer = max(best + way * step, 0.0)
        if squares(outer) > squares.limit:
            return _root(squares, inner, outer, span)
        if outer == 0.0:
            return None
        inner = outer
        step *= 2.0
    return None


def _root(squares: _Profile, inside: float, outside: float, span: float) -> float:
    from scipy.optimize import brentq

    low, high = sorted((inside, outside))
    return float(brentq(lambda day: squares(day) - squares.limit, low, high, xtol=1e-4 * span))


def _f_quantile(freedom: int) -> float:
    from scipy.stats import f

    return float(f.ppf(_CONFIDENCE, 1, freedom))
