"""The most probable parameters given prior and steady windows, with their covariance."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

import numpy as np

from phasewright.bench import Fault, NotReady
from phasewright.findings import Analysis
from phasewright.model.formula import Load, input_of, load_from_current, load_from_package, loss_at, settle
from phasewright.model.observations import Steady, take_steady
from phasewright.model.prior import prior_of
from phasewright.model.records import Belief, CoolantLaw, Fitted, Parameter, Prior, Residual

__all__ = ["fit_model", "fitted_prior"]

FORM_LOSS, FORM_POWER = 0.005, 0.1
"""[1] of the loss and [W]: what the formula itself cannot know of a power."""
FORM_RISE, FORM_TEMPERATURE = 0.01, 0.15
"""[1] of the rise and [K]: the same of a temperature, step by step."""
PHASE_SCATTER = 0.04
"""[1] Standard deviation of how far the hottest stage's own path departs from the formula, phase count by phase count:
which phases are on and how their parts differ changes with the count."""
SMALL = {"package_power": 0.1, "rail_current": 0.05, "rail_voltage": 5e-4, "input_power": 0.05}
"""Least standard uncertainty of a mean [unit of the channel]."""
FAR = 4.0
"""[1] Scores beyond are not believed: a parameter there is at its bound."""
DATA_DECIDE, PRIOR_DECIDES = 0.5, 0.9
"""[1] Posterior over prior uncertainty, below and above which data or prior decided."""


def values_at(prior: Prior, score: np.ndarray) -> dict[str, np.ndarray]:
    """Return every parameter at standard scores (..., p): name -> (...)."""
    return {item.name: item.at(score[..., k]) for k, item in enumerate(prior.beliefs)}


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
    if not steady.count:
        raise NotReady(
            Fault(
                analysis.campaign.file or "campaign.toml",
                "no step shows how much current flowed through how many phases",
                "log rail_current or package_power, and state phase_count in each step",
            )
        )
    counts = tuple(int(n) for n in sorted(set(steady.phases)))
    problem = _Problem(prior, steady, counts)
    score, covariance = search(problem.residuals, len(prior.beliefs) + len(counts))
    inputs = {analysis.bench.file or "bench.toml": analysis.bench.fingerprint,
              analysis.campaign.file or "campaign.toml": analysis.campaign.fingerprint}  # fmt: skip
    inputs |= {report.fingerprint.file: report.fingerprint.sha256 for report in analysis.recording.reports}
    return Fitted(
        bench=analysis.bench,
        prior=prior,
        score=score,
        covariance=covariance,
        parameters=_parameters(prior, score, covariance),
        residuals=problem.table(score),
        phase_counts=counts,
        step_count=int(np.count_nonzero(steady.settled)),
        ranges=_ranges(steady),
        coolant=_coolant(steady),
        notes=prior.notes,
        inputs=inputs,
    )


def fitted_prior(prior: Prior) -> Fitted:
    """Return the model of a bench on which nothing has been measured yet."""
    count = len(prior.beliefs)
    score, covariance = np.zeros(count), np.eye(count)
    notes = ("nothing has been measured on this bench yet: part data alone speak", *prior.notes)
    return Fitted(prior.bench, prior, score, covariance, _parameters(prior, score, covariance), (), (), 0, {},
                  None, notes, {prior.bench.file or "bench.toml": prior.bench.fingerprint})  # fmt: skip


class _Problem:
    """Observations of steady windows against the formula, in standard deviations."""

    def __init__(self, prior: Prior, steady: Steady, counts: tuple[int, ...]):
        self.prior, self.steady = prior, steady
        self.index = np.searchsorted(np.array(counts, dtype=float), steady.phases)
        self.size = len(prior.beliefs)
        nominal = prior.bench.board.input_voltage
        self.voltage = np.where(np.isfinite(steady.mean["input_voltage"]), steady.mean["input_voltage"], nominal)
        at_start = np.stack([item[3] for item in self.compare(np.zeros(self.size + len(counts)))])
        self.known = np.isfinite(at_start)
        """(channels, steps): observations that exist."""

    def residuals(self, score: np.ndarray) -> np.ndarray:
        """Return prior and observation residuals (..., m) at scores (..., p + counts)."""
        rows = np.stack([item[3] for item in self.compare(score)], axis=-2)
        return np.concatenate([score, rows[..., self.known]], axis=-1)

    def load(self, p: Mapping[str, np.ndarray]) -> Load:
        """Return the load of every step under the telemetry errors in `p`."""
        mean = self.steady.mean
        voltage = mean["rail_voltage"] / (1.0 + p["rail_voltage_gain"])
        model = p["rail_setpoint"] - p["load_line"] * mean["rail_current"]
        current = (mean["rail_current"] - p["rail_current_offset"]) / (1.0 + p["rail_current_gain"])
        package = (mean["package_power"] - p["package_power_offset"]) / (1.0 + p["package_power_gain"])
        by_current = load_from_current(p, current, np.where(np.isfinite(voltage), voltage, model))
        by_package = load_from_package(p, package)
        known = np.isfinite(current)
        return Load(np.where(known, by_current.current, by_package.current),
                    np.where(known, by_current.voltage, by_package.voltage),
                    np.where(known, by_current.package, by_package.package))  # fmt: skip

    def compare(self, score: np.ndarray) -> list[tuple[str, np.ndarray, np.ndarray, np.ndarray]]:
        """Return (channel, observed, fitted, residual in standard deviations) of every channel, (..., steps)."""
        p = {name: value[..., None] for name, value in values_at(self.prior, score[..., : self.size]).items()}
        excess = PHASE_SCATTER * score[..., self.size :][..., self.index]
        steady, mean, u = self.steady, self.steady.mean, self.steady.u
        load = self.load(p)
        hot = mean["hot"] - p["temperature_offset"]
        state = settle(p, steady.phases, load, mean["coolant"], excess)
        loss = loss_at(p, steady.phases, load.current, np.where(np.isfinite(hot), hot, state.temperature))
        drawn, _ = input_of(p, load, loss, self.voltage)
        rows = []
        shape = np.broadcast_shapes(drawn.shape, (steady.count,))

        def add(channel: str, observed, fitted, scatter) -> None:
            rows.append((channel, observed, fitted, np.broadcast_to((observed - fitted) / scatter, shape)))

        own = {name: np.hypot(np.nan_to_num(u[name]), least) for name, least in SMALL.items()}
        by_current = np.isfinite(mean["rail_current"])
        wobble = np.where(by_current, own["rail_current"] * load.voltage, own["package_power"])
        add("input_power", mean["input_power"],
            drawn * (1.0 + p["input_power_gain"]) + p["input_power_offset"],
            np.sqrt(own["input_power"]**2 + wobble**2 + (FORM_LOSS * loss)**2 + FORM_POWER**2))  # fmt: skip
        read = load.package * (1.0 + p["package_power_gain"]) + p["package_power_offset"]
        add("package_power", np.where(by_current, mean["package_power"], np.nan), read,
            np.hypot(own["package_power"], wobble))  # fmt: skip
        volts = (p["rail_setpoint"] - p["load_line"] * load.current) * (1.0 + p["rail_voltage_gain"])
        add("rail_voltage", mean["rail_voltage"], volts, np.hypot(own["rail_voltage"], 1e-3))
        rise = np.maximum(state.temperature - mean["coolant"], 1.0)
        heat = np.sqrt(np.nan_to_num(u["hot"])**2 + np.nan_to_num(u["coolant"])**2 + (FORM_RISE * rise)**2
                       + FORM_TEMPERATURE**2)  # fmt: skip
        add("regulator_temperature", np.where(steady.settled, mean["hot"], np.nan),
            state.temperature + p["temperature_offset"], heat)  # fmt: skip
        ratio = np.log(np.maximum(steady.peak_ratio - 1.0, 1e-3))
        # Peaks of steps scatter by a third or so, and all steps had the same kind of load.
        add("peak", ratio, np.log(p["peak_excess"]) + 0.0 * ratio, np.full(steady.count, 0.3))
        return rows

    def table(self, score: np.ndarray) -> tuple[Residual, ...]:
        """Return every observation against the fit."""
        return tuple(
            Residual(name, channel, float(o), float(f), float(abs((o - f) / r)) if r else math.nan)
            for channel, observed, fitted, row in self.compare(score)
            for name, o, f, r in zip(self.steady.steps, *np.broadcast_arrays(observed, fitted, row), strict=True)
            if math.isfinite(r) and channel != "peak"
        )


def search(residuals: Callable[[np.ndarray], np.ndarray], count: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the scores (count,) of least squares and their covariance (count, count).

    `residuals` takes scores (..., count) and returns (..., m); its first rows are the scores themselves (the prior),
    so the normal equations are never singular. Gauss-Newton steps, halved until they help, inside +-`FAR`.
    """
    score = np.zeros(count)
    table, now = _linear(residuals, score)
    for _ in range(60):
        step = -np.linalg.solve(table.T @ table, table.T @ now)
        cost = float(now @ now)
        for halving in range(12):
            tried = np.clip(score + step * 0.5**halving, -FAR, FAR)
            there = residuals(tried)
            if np.all(np.isfinite(there)) and float(there @ there) < cost:
                break
        else:
            break
        moved = float(np.abs(tried - score).max())
        score = tried
        table, now = _linear(residuals, score)
        if moved < 1e-6:
            break
    return score, np.linalg.inv(table.T @ table)


def _linear(residuals: Callable[[np.ndarray], np.ndarray], score: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the slopes (m, p) and the residuals (m,) at `score`."""
    step = 1e-4
    moved = step * np.eye(len(score))
    both = residuals(np.concatenate([score + moved, score - moved]))
    count = len(score)
    return (both[:count] - both[count:]).T / (2.0 * step), residuals(score)


def _parameters(prior: Prior, score: np.ndarray, covariance: np.ndarray) -> tuple[Parameter, ...]:
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
