"""From a blank's weighings to the date at which it will be dry enough.

The model: in air of even temperature and humidity the weight falls towards its end value as
W(t) = W_end + (W_start − W_end)·exp(−t/τ). It is the last and slowest term of the solution of
Fick's law for a piece of any shape, and so what is left of drying by diffusion once the first
part is over. It does not hold for the first days of a green piece, whose free water leaves by
another way, nor when the room changes; weighings from below fibre saturation are the ones to
give. What the interval of the date covers is the scatter of the weighings about the model, not
a change of the weather.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from grainscan.errors import InputError
from grainscan.workshop.moisture import check_moisture
from grainscan.workshop.spread import Estimate

__all__ = ["DryingFit", "Reach", "fit_drying", "reach_moisture"]

FloatArray = NDArray[np.float64]
_CONFIDENCE = 0.90
# τ is sought from a fiftieth of the time between two weighings to fifty times the whole time:
# beyond either the weighings show a step or a straight line, and no curve.
_TAU_REACH = 50.0
_TAU_STEPS = 240


@dataclass(frozen=True, slots=True)
class DryingFit:
    """A fitted drying curve; times in days after the first weighing, weights in grams.

    ``tau`` is the time in which the distance to the end shrinks to 37 %, with its 90 % interval
    from the covariance of the fit. ``dry_g``: oven-dry weight, given or from the fitted end and
    the room's equilibrium. ``scatter_g``: standard deviation of a weighing about the curve, no
    smaller than that of the scale's own rounding. ``freedom``: weighings less fitted numbers.
    """

    days: tuple[float, ...]
    weights_g: tuple[float, ...]
    start_g: float
    end_g: float
    tau: Estimate
    dry_g: float
    scatter_g: float
    freedom: int
    dry_given: bool
    room_percent: float | None

    def weight_g(self, day: float) -> float:
        return self.end_g + (self.start_g - self.end_g) * math.exp(-day / self.tau.value)

    def moisture_percent(self, day: float) -> float:
        """Moisture content on the curve, in per cent of the oven-dry weight."""
        return 100.0 * (self.weight_g(day) / self.dry_g - 1.0)


@dataclass(frozen=True, slots=True)
class Reach:
    """When a moisture content is reached, in days after the first weighing.

    ``days`` is None where it is never reached or has been reached before; ``high_days`` is None
    where the weighings do not bound the date from above. ``because`` then says why.
    """

    percent: float
    days: float | None
    low_days: float | None
    high_days: float | None
    because: str | None = None


def fit_drying(
    days: Sequence[float],
    weights_g: Sequence[float],
    *,
    dry_g: float | None = None,
    room_percent: float | None = None,
    scale_step_g: float = 0.0,
) -> DryingFit:
    """Fit the drying curve W_end + (W_start − W_end)·exp(−t/τ) by `scipy.optimize.curve_fit`.

    Parameters
    ----------
    days, weights_g
        Times of the weighings in days (any start) and weights in grams.
    dry_g
        Oven-dry weight, where it is known.
    room_percent
        Moisture content to which the air of the room brings wood (`equilibrium_moisture_percent`),
        where it is known. With ``dry_g`` it fixes the end of the curve, and three weighings are
        the fewest; with one of the two alone the end is fitted, and four are the fewest. With
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
    fewest = 3 if end_g is not None else 4
    if len(t) < fewest:
        raise InputError(f"{len(t)} weighings are too few for a curve: give at least {fewest}.")
    start, end, log_tau, log_tau_error = _fitted(t, w, end_g)
    freedom = len(t) - (2 if end_g is not None else 3)
    left = w - (end + (start - end) * np.exp(-t / math.exp(log_tau)))
    scatter = math.sqrt(float(left @ left) / freedom)
    half = _t_quantile(freedom) * log_tau_error
    dry = dry_g if dry_g is not None else end / (1.0 + (room_percent or 0.0) / 100.0)
    return DryingFit(
        days=tuple(float(x) for x in t),
        weights_g=tuple(float(x) for x in w),
        start_g=start,
        end_g=end,
        tau=Estimate(*(math.exp(x) for x in (log_tau, log_tau - half, log_tau + half))),
        dry_g=dry,
        scatter_g=max(scatter, scale_step_g / math.sqrt(12.0)),
        freedom=freedom,
        dry_given=dry_g is not None,
        room_percent=room_percent,
    )


def reach_moisture(fit: DryingFit, percent: float) -> Reach:
    """The day on which the curve reaches a moisture content, with its 90 % interval.

    From the fitted curve t* = τ·ln((W_start − W_end)/(W* − W_end)). The interval is that of the
    profile: the curve is made to pass through W* at a trial day, its other numbers are fitted
    again, and the day belongs to the interval as long as the sum of squares has not grown by
    more than scatter²·F(1, n − p) (see for example Bates and Watts, *Nonlinear Regression
    Analysis*, 1988, ch. 6). It is lopsided as it should be where the curve is nearly flat, and
    open where no late day can be ruled out.

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
    target = fit.dry_g * (1.0 + percent / 100.0)
    if target <= fit.end_g:
        level = 100.0 * (fit.end_g / fit.dry_g - 1.0)
        return Reach(
            percent,
            None,
            None,
            None,
            f"In this room it never comes to {percent:g} %: the curve levels off at {level:.1f} %.",
        )
    best = fit.tau.value * math.log((fit.start_g - fit.end_g) / (target - fit.end_g))
    squares = _Profile(fit, percent)
    limit = squares.at_best + fit.scatter_g**2 * _f_quantile(fit.freedom)
    low = _crossing(squares, best, limit, -1.0, fit.days[-1])
    high = _crossing(squares, best, limit, 1.0, fit.days[-1])
    because = None
    if high is None:
        because = "The weighings do not yet bound the date: weigh again later."
    return Reach(percent, best, low, high, because)


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


def _fitted(t: FloatArray, w: FloatArray, end_g: float | None) -> tuple[float, float, float, float]:
    """Start, end, ln τ and the standard error of ln τ."""
    from scipy.optimize import OptimizeWarning, curve_fit

    start, end, log_tau = _first_guess(t, w, end_g)
    if end_g is not None:

        def curve(x: FloatArray, start: float, log_tau: float) -> FloatArray:
            return np.asarray(end_g + (start - end_g) * np.exp(-x * np.exp(-log_tau)))

        guess = [start, log_tau]
    else:

        def curve(x: FloatArray, start: float, log_tau: float, end: float) -> FloatArray:  # type: ignore[misc]
            return np.asarray(end + (start - end) * np.exp(-x * np.exp(-log_tau)))

        guess = [start, log_tau, end]
    with warnings.catch_warnings():
        warnings.simplefilter("error", OptimizeWarning)
        try:
            found, covariance = curve_fit(curve, t, w, p0=guess)
        except (OptimizeWarning, RuntimeError) as error:
            raise InputError(_NO_CURVE) from error
    if end_g is None:
        end = float(found[2])
    return float(found[0]), end, float(found[1]), math.sqrt(float(covariance[1, 1]))


_NO_CURVE = (
    "The weighings do not follow one drying curve: leave out those before a change of place, "
    "or weigh longer."
)


def _first_guess(t: FloatArray, w: FloatArray, end_g: float | None) -> tuple[float, float, float]:
    """The best of many τ, the rest fitted linearly; refuses what shows no curve."""
    steps = np.diff(np.unique(t))
    if not len(steps):
        raise InputError("All weighings are of one day: weigh again later.")
    tau = np.geomspace(steps.min() / _TAU_REACH, t[-1] * _TAU_REACH, _TAU_STEPS)
    decay = np.exp(-t[:, None] / tau)
    if end_g is None:
        rest = decay - decay.mean(axis=0)
        fall = (rest * (w - w.mean())[:, None]).sum(axis=0) / (rest**2).sum(axis=0)
        end = w.mean() - fall * decay.mean(axis=0)
    else:
        end = np.full(_TAU_STEPS, end_g)
        fall = (decay * (w - end_g)[:, None]).sum(axis=0) / (decay**2).sum(axis=0)
    squares = ((w[:, None] - end - fall * decay) ** 2).sum(axis=0)
    best = int(np.argmin(squares))
    if fall[best] <= 0 or w[-1] >= w[0]:
        raise InputError("The weight does not fall: there is no drying to follow.")
    if best >= _TAU_STEPS - 1:
        raise InputError(
            "The weight still falls in a straight line and does not tell where it will end: give "
            "both the oven-dry weight and the air of the room, or weigh longer."
        )
    if best == 0:
        raise InputError("The weight falls at one step: weigh more often.")
    return float(end[best] + fall[best]), float(end[best]), math.log(float(tau[best]))


class _Profile:
    """Least sum of squares of the curves that pass through the target on a given day."""

    def __init__(self, fit: DryingFit, percent: float) -> None:
        self._t = np.asarray(fit.days)
        self._w = np.asarray(fit.weights_g)
        self._log_tau = math.log(fit.tau.value)
        self._curve = self._curves(fit, percent)
        left = self._w - (fit.end_g + (fit.start_g - fit.end_g) * np.exp(-self._t / fit.tau.value))
        self.at_best = float(left @ left)

    def _curves(self, fit: DryingFit, percent: float) -> Callable[[FloatArray], FloatArray]:
        """From q = exp((t* − t)/τ), shape (n, k), to what the best such curve leaves over.

        The curve is W_end + (W* − W_end)·q. Where W_end is free it enters linearly: its best
        value has a closed form.
        """
        target = fit.dry_g * (1.0 + percent / 100.0)
        w = self._w[:, None]

        def fixed(q: FloatArray) -> FloatArray:
            return np.asarray(w - fit.end_g - (target - fit.end_g) * q)

        def end_free(q: FloatArray) -> FloatArray:
            return _without(1.0 - q, w - target * q)

        def all_free(q: FloatArray) -> FloatArray:
            share = (1.0 + percent / 100.0) / (1.0 + (fit.room_percent or 0.0) / 100.0)
            return _without(1.0 + (share - 1.0) * q, w)

        if fit.dry_given and fit.room_percent is not None:
            return fixed
        return end_free if fit.dry_given else all_free

    def _squares(self, day: float, log_tau: FloatArray) -> FloatArray:
        # Beyond this power the curve misses the weighings by more than any number of interest.
        power = np.clip((day - self._t)[:, None] * np.exp(-log_tau), -200.0, 200.0)
        return np.asarray((self._curve(np.exp(power)) ** 2).sum(axis=0))

    def __call__(self, day: float) -> float:
        from scipy.optimize import minimize_scalar

        grid = self._log_tau + np.linspace(-3.0, 3.0, 121)
        coarse = self._squares(day, grid)
        best = int(np.argmin(coarse))
        found = minimize_scalar(
            lambda x: float(self._squares(day, np.array([x]))[0]),
            bounds=(grid[max(best - 1, 0)], grid[min(best + 1, 120)]),
            method="bounded",
            options={"xatol": 1e-7},
        )
        return min(float(found.fun), float(coarse[best]))


def _without(x: FloatArray, y: FloatArray) -> FloatArray:
    """What is left of y after its best multiple of x is taken away, column by column."""
    share = (x * y).sum(axis=0) / (x**2).sum(axis=0)
    return np.asarray(y - share * x)


def _crossing(
    squares: _Profile, best: float, limit: float, way: float, span: float
) -> float | None:
    """The day before or after the best at which the sum of squares crosses its limit."""
    from scipy.optimize import brentq

    step = 1e-3 * max(span, best)
    inner = best
    while step < 1e3 * max(span, best):
        outer = best + way * step
        if squares(outer) > limit:
            ends = sorted((inner, outer))
            return float(brentq(lambda day: squares(day) - limit, *ends, xtol=1e-6 * span))
        inner = outer
        step *= 2.0
    return None


def _t_quantile(freedom: int) -> float:
    from scipy.stats import t

    return float(t.ppf(0.5 + _CONFIDENCE / 2.0, freedom))


def _f_quantile(freedom: int) -> float:
    from scipy.stats import f

    return float(f.ppf(_CONFIDENCE, 1, freedom))
