"""The most probable parameters given prior and steady windows, with their covariance."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from phasewright.bench import Fault, NotReady
from phasewright.findings import Analysis
from phasewright.model.duty import usual_duty
from phasewright.model.formula import excess_of
from phasewright.model.observations import Steady, take_steady, with_balances
from phasewright.model.prior import prior_of
from phasewright.model.record import Grid, lay_grid
from phasewright.model.records import Belief, CoolantLaw, Fitted, Parameter, Prior, Residual
from phasewright.model.steady import SteadyRows
from phasewright.model.whole import WholeRecord

__all__ = ["fit_model", "fitted_prior", "parameters_of", "values_at"]

FAR = 4.0
"""[1] Scores beyond are not believed: a parameter there is at its bound."""
MOST_ROUNDS, ENOUGH = 30, 0.01
"""Rounds of the search, and the gain in the sum of squares that is not worth another."""
DATA_DECIDE, PRIOR_DECIDES = 0.5, 0.9
"""[1] Posterior over prior uncertainty, below and above which data or prior decided."""


Progress = Callable[[float, str], None]


def _quiet(fraction: float, text: str) -> None:
    """Stand in for a progress callable that nobody gave."""


def values_at(prior: Prior, score: np.ndarray) -> dict[str, np.ndarray]:
    """Return every parameter at standard scores (..., p): name -> (...)."""
    p = {item.name: item.at(score[..., k]) for k, item in enumerate(prior.beliefs)}
    for name, share in prior.stage_shares.items():
        p[name] = share + p["inductor_share"] * (1.0 - share)
    return p


def fit_model(
    analysis: Analysis,
    *,
    prior: Prior | None = None,
    dynamic: bool = True,
    progress: Callable[[float, str], None] | None = None,
) -> Fitted:
    """Return the model of the analysis' bench after what was measured on it.

    Steady windows are held against the formula, each with its own uncertainty; gains and offsets of the instruments
    are parameters of the fit. `dynamic` also uses the whole record. `prior` stands in for what part data say.

    Raises
    ------
    NotReady
        When no step shows a load (rail current or package power) on a known number of phases.
    """
    prior = prior if prior is not None else prior_of(analysis.bench)
    steady = take_steady(analysis)
    settled = int(np.count_nonzero(steady.settled))
    progress = progress if progress is not None else _quiet
    grid = lay_grid(analysis) if dynamic else None
    if grid is not None:
        # The record holds the temperatures of the windows as well; nothing is counted twice.
        steady = with_balances(replace(steady, settled=np.zeros_like(steady.settled)), grid)
    # Steps too short for a window still warm the record; between steps alone nothing is learned of a load.
    warmed = grid is not None and any(np.any(grid.planned[a:b] >= 0) for a, b in grid.stretches)
    if not (any(steady.steps) or (warmed and steady.count)):
        raise NotReady(
            Fault(
                analysis.campaign.file or "campaign.toml",
                "no step shows how much current flowed through how many phases",
                "log rail_current or package_power, and state phase_count in each step",
            )
        )
    progress(0.2, "power balance")
    problem = _Problem(prior, steady, grid)
    score, covariance = problem.solve(progress)
    kept = slice(0, problem.kept)
    inputs = {analysis.bench.file or "bench.toml": analysis.bench.fingerprint,
              analysis.campaign.file or "campaign.toml": analysis.campaign.fingerprint}  # fmt: skip
    inputs |= {report.fingerprint.file: report.fingerprint.sha256 for report in analysis.recording.reports}
    return Fitted(
        bench=analysis.bench,
        prior=prior,
        score=score[kept],
        covariance=covariance[kept, kept],
        parameters=parameters_of(prior, score, covariance),
        residuals=problem.table(score),
        phase_counts=problem.counts,
        step_count=settled,
        ranges=_ranges(steady),
        coolant=_coolant(steady),
        usual_duty=problem.usual_duty,
        notes=prior.notes,
        inputs=inputs,
    )


def fitted_prior(prior: Prior) -> Fitted:
    """Return the model of a bench on which nothing has been measured yet."""
    count = len(prior.beliefs)
    score, covariance = np.zeros(count), np.eye(count)
    notes = ("nothing has been measured on this bench yet: part data alone speak", *prior.notes)
    return Fitted(prior.bench, prior, score, covariance, parameters_of(prior, score, covariance), (), (), 0, {},
                  None, None, notes, {prior.bench.file or "bench.toml": prior.bench.fingerprint})  # fmt: skip


class _Problem:
    """Prior, steady windows and the whole record together, in standard deviations."""

    def __init__(self, prior: Prior, steady: Steady, grid: Grid | None):
        counts = {int(n) for n in steady.phases}
        if grid is not None:
            counts |= {int(n) for first, past in grid.stretches for n in np.unique(grid.phases[first:past])}
        self.prior = prior
        self.counts = tuple(sorted(counts))
        self.usual_duty = (usual_duty(steady.mean["duty"], np.ones(steady.count)) if grid is None else
                           usual_duty(grid.duty, grid.width * (grid.planned >= 0)))  # fmt: skip
        self.rows = SteadyRows(steady, prior.bench.board.input_voltage, self.usual_duty)
        self.record = WholeRecord(grid, self.counts, self.usual_duty) if grid is not None and grid.stretches else None
        self.index = np.searchsorted(np.array(self.counts, dtype=float), steady.phases)
        self.kept = len(prior.beliefs) + len(self.counts)
        """Scores that predictions need: beliefs, and the excess of each phase count."""
        self.size = self.kept + (self.record.start_count if self.record is not None else 0)

    def split(self, score: np.ndarray) -> tuple[dict[str, np.ndarray], np.ndarray, np.ndarray]:
        """Return parameters (...), excess by phase count (..., counts) and starts (..., 2 x stretches)."""
        p = values_at(self.prior, score)
        scatter = score[..., len(self.prior.beliefs) : self.kept]
        wide = {name: np.asarray(value)[..., None] for name, value in p.items()}
        excess = excess_of(wide, np.array(self.counts, dtype=float), self.prior.bench.regulator.phase_count, scatter)
        return p, excess, score[..., self.kept :]

    def residuals(self, score: np.ndarray) -> np.ndarray:
        """Return all residuals (..., m) at scores (..., size), those of the prior first."""
        p, excess, starts = self.split(score)
        wide = {name: value[..., None] for name, value in p.items()}
        found = [score, self.rows.residuals(wide, excess[..., self.index])]
        if self.record is not None:
            found.append(self.record.residuals(p, excess, starts))
        return np.concatenate(found, axis=-1)

    def solve(self, progress: Progress) -> tuple[np.ndarray, np.ndarray]:
        """Return scores and covariance; the noise of the record is learned on the way."""
        score, covariance = search(self.residuals, np.zeros(self.size))
        if self.record is None:
            return score, covariance
        for share in (0.6, 0.9):
            progress(share, "heat in time")
            self.record.learn_noise(*self.split(score))
            score, covariance = search(self.residuals, score)
        return score, covariance

    def table(self, score: np.ndarray) -> tuple[Residual, ...]:
        """Return every observation of a step against the fit."""
        p, excess, _ = self.split(score)
        return self.rows.table({name: value[None] for name, value in p.items()}, excess[self.index])


def search(residuals: Callable[[np.ndarray], np.ndarray], start: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the scores (count,) of least squares and their covariance (count, count), searched from `start`.

    `residuals` takes scores (..., count) and returns (..., m); its first rows are the scores themselves (the prior),
    so the normal equations are never singular. Gauss-Newton steps, halved until they help, inside +-`FAR`.
    """
    score = np.clip(start, -FAR, FAR)
    now = residuals(score)
    for _ in range(MOST_ROUNDS):
        table = _slopes(residuals, score, now)
        normal = table.T @ table
        step = -np.linalg.solve(normal, table.T @ now)
        cost = float(now @ now)
        # What a linear problem would gain; a hundredth of a unit is a tenth of a standard deviation at most.
        if float(step @ normal @ step) < ENOUGH:
            break
        for halving in range(6):
            tried = np.clip(score + step * 0.5**halving, -FAR, FAR)
            there = residuals(tried)
            if np.all(np.isfinite(there)) and float(there @ there) < cost - 0.1 * ENOUGH:
                break
        else:
            break
        score, now = tried, there
    return score, np.linalg.inv(normal)


def _slopes(residuals: Callable[[np.ndarray], np.ndarray], score: np.ndarray, now: np.ndarray) -> np.ndarray:
    """Return the slopes (m, p) of the residuals, which are `now` (m,) at `score` (p,)."""
    step = 1e-5
    return (residuals(score + step * np.eye(len(score))) - now).T / step


def parameters_of(prior: Prior, score: np.ndarray, covariance: np.ndarray) -> tuple[Parameter, ...]:
    return tuple(_parameter(item, float(score[k]), math.sqrt(max(float(covariance[k, k]), 0.0)))
                 for k, item in enumerate(prior.beliefs))  # fmt: skip


def _parameter(item: Belief, score: float, spread: float) -> Parameter:
    u = abs(float(item.at(score + spread)) - float(item.at(score - spread))) / 2.0
    before = abs(float(item.at(1.0)) - float(item.at(-1.0))) / 2.0
    decided = "data" if spread < DATA_DECIDE else "prior" if spread > PRIOR_DECIDES else "both"
    return Parameter(item.name, item.symbol, item.unit, float(item.at(score)), u, float(item.at(0.0)), before, decided,
                     abs(score) >= 0.999 * FAR, item.basis)  # fmt: skip


def _ranges(steady: Steady) -> dict[str, tuple[float, float]]:
    found = {}
    for key, values in (("phase_count", steady.phases), ("rail_current", steady.mean["rail_current"]),
                        ("package_power", steady.mean["package_power"]),
                        ("regulator_temperature", steady.mean["hot"]),
                        ("coolant_temperature", steady.mean["coolant"])):  # fmt: skip
        known = values[np.isfinite(values)]
        if known.size:
            found[key] = (float(known.min()), float(known.max()))
    return found


def _coolant(steady: Steady) -> CoolantLaw | None:
    """Return coolant temperature against input power over the settled steps."""
    coolant, power = steady.mean["coolant"], steady.mean["input_power"]
    power = np.where(np.isfinite(power), power, steady.mean["package_power"])
    known = np.isfinite(coolant) & np.isfinite(power)
    if not known.any():
        return None
    t, w = coolant[known], power[known]
    middle, spread = float(w.mean()), float(np.ptp(w))
    # Powers that hardly differ cannot show a slope; their scatter then says how far the coolant wanders.
    slope = float(np.polyfit(w - middle, t, 1)[0]) if spread > 0.1 * middle else 0.0
    left = t - t.mean() - slope * (w - middle)
    free = max(len(t) - (2 if slope else 1), 1)
    return CoolantLaw(float(t.mean()), slope, middle, math.sqrt(float(left @ left) / free + 1.0))
