"""Offset together with the response of the slower channel: averaging time, and a first-order lag where one shows.

To first order a lag looks like a later clock; only the shape of the edges parts them. A stated averaging is believed
and checked; one that is not stated is fitted, and what the shapes leave open goes into the uncertainty of the offset.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from phasewright.logs.clocks.fit import ClockFit, Readings, fit_clock
from phasewright.logs.clocks.integral import Integral

_CLEAR = 8.0
"""A lag must make the readings likelier by this many powers of e before it is believed."""
_FINE = 0.004
"""Lags are sought to this share of the averaging."""
_HOPELESS = 60.0
_MARKED = 0.08
"""A fitted averaging that departs from the stated one by less than this share is no contradiction."""


@dataclass(frozen=True, slots=True)
class Response:
    """The fit, the lag that it holds for [s], what the response leaves open in the offset [s], and remarks."""

    fit: ClockFit
    lag: float
    open_u: float
    note: str


@dataclass(frozen=True, slots=True, eq=False)
class _Search:
    fast: Integral
    slow: Readings
    pivot: float
    fit_drift: bool

    def fit(self, offset: float, drift: float, averaging: float, *, lag: float = 0.0, free: bool = False,
            scan: float = 0.0) -> ClockFit | None:
        return fit_clock(
            self.fast.lagged(lag), self.slow, offset=offset, drift=drift, averaging=averaging, pivot=self.pivot,
            fit_drift=self.fit_drift, fit_averaging=free, scan=scan)


def fit_response(
    fast: Integral, slow: Readings, *, stated: float | None, offset: float, drift: float, pivot: float, scan: float,
    fit_drift: bool = True,
) -> Response | None:
    """Return offset and drift with the response that explains the edges best, or None when too few readings overlap.

    `stated` is the averaging time that the instrument's maker gives [s], None when it is unknown.
    """
    search = _Search(fast, slow, pivot, fit_drift)
    guess = stated if stated is not None else slow.period
    plain = search.fit(offset, drift, guess, scan=scan)
    if plain is None:
        return None
    loose = search.fit(plain.offset, plain.drift, max(plain.averaging, 0.3 * slow.period), free=True)
    if loose is None:
        return Response(plain, 0.0, 0.0, "")
    if stated is not None and not _contradicts(loose, plain, stated, slow.period, fast.period):
        return Response(plain, 0.0, 0.0, "")
    if stated is not None:
        return _against_stated(plain, loose, _fit_lag(search, plain, guess, loose.averaging), stated, fast.period)
    options = [Response(loose, 0.0, 0.1 * fast.period, "averaging fitted, as none is stated")]
    for held in (0.0, slow.period):
        # A lag whose delay is that of the fitted averaging: when it is far off, so are its neighbours.
        lag = 0.5 * (loose.averaging - held)
        trial = search.fit(loose.offset, loose.drift, held, lag=lag) if lag > 0.05 * slow.period else None
        if trial is None or trial.cost > loose.cost + _HOPELESS:
            continue
        found = _fit_lag(search, plain, held, loose.averaging)
        if found is not None:
            options.append(replace(found, note=f"averaging {found.fit.averaging:.2f} s and a lag of {found.lag:.2f} s "
                                               "fitted, as none is stated"))
    return _average(options)


def _contradicts(loose: ClockFit, plain: ClockFit, stated: float, period: float, grain: float) -> bool:
    """Whether the edges are clearly longer or shorter than the stated averaging and the fast log's grain make them."""
    off = abs(loose.averaging - stated)
    doubt = loose.averaging_u or 0.0
    return off > max(5.0 * doubt, _MARKED * max(stated, 0.5 * period), 1.5 * grain) and plain.cost - loose.cost > _CLEAR


def _fit_lag(search: _Search, plain: ClockFit, averaging: float, loose: float) -> Response | None:
    """Best lag beside a held averaging: a scan about the delay of the fitted averaging `loose` [s], then closer."""
    scale = max(search.slow.period, averaging, 0.2)
    likely = max(0.5 * (loose - averaging), 0.15 * scale)
    tried: dict[float, ClockFit] = {}

    def cost(lag: float) -> float:
        if lag not in tried:
            near = min(tried, key=lambda x: abs(x - lag)) if tried else 0.0
            base = tried[near] if tried else plain
            found = search.fit(base.offset - (lag - near), base.drift, averaging, lag=lag,
                               scan=0.0 if tried else 0.5 * scale)
            if found is None:
                return np.inf
            tried[lag] = found
        return tried[lag].cost

    grid = [0.4 * likely, likely, 2.0 * likely]
    for lag in grid:
        cost(lag)
    if not tried:
        return None
    best = min(tried, key=lambda x: tried[x].cost)
    # The likelihood is nearly a cusp, so the bracket is narrowed rather than a parabola laid through it.
    step = 0.5 * best
    while step > _FINE * scale:
        best = min((max(best - step, 0.02 * scale), best, best + step), key=cost)
        step *= 0.45
    low, high = best - 3.0 * step, best + 3.0 * step
    bend = (cost(low) + cost(high) - 2 * cost(best)) / (3.0 * step) ** 2
    spread = bend**-0.5 if np.isfinite(bend) and bend > 1e-9 else best
    rate = (tried[high].offset - tried[low].offset) / (high - low) if low in tried and high in tried else 1.0
    return Response(tried[best], best, (min(spread, best) ** 2 * rate**2 + (0.1 * search.fast.period) ** 2) ** 0.5, "")


def _against_stated(plain: ClockFit, loose: ClockFit, lagged: Response | None, stated: float, fine: float) -> Response:
    """The stated averaging does not explain the edges: a lag beside it does, or another averaging."""
    if lagged is not None and lagged.fit.cost < min(plain.cost - _CLEAR, loose.cost + 2.0):
        said = f"a first-order lag of {lagged.lag:.2f} s shows beside the stated averaging of {stated:g} s"
        return replace(lagged, note=said)
    if loose.cost < plain.cost - _CLEAR:
        return Response(loose, 0.0, 0.3 * abs(loose.averaging - stated) + 0.1 * fine,
                        f"averaging looks like {loose.averaging:.2f} s, not the stated {stated:g} s")
    return Response(plain, 0.0, 0.0, "")


def _average(options: list[Response]) -> Response:
    """The likeliest response; how far the others' offsets lie apart, weighed by their chance, is open."""
    cost = np.array([option.fit.cost for option in options])
    weight = np.exp(-np.clip(cost - cost.min(), 0.0, 50.0))
    weight /= weight.sum()
    best = options[int(np.argmin(cost))]
    apart = np.array([option.fit.offset - best.fit.offset for option in options])
    return replace(best, open_u=(best.open_u**2 + float(weight @ apart**2)) ** 0.5)
