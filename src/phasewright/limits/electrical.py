"""Currents and voltages within the switching period, and at load steps."""

from __future__ import annotations

import numpy as np

from phasewright import physics
from phasewright.limits.case import Case
from phasewright.limits.rule import Rule
from phasewright.quantity import Part, Value, value_from_parts

__all__ = ["RULES", "course_of"]

L = "regulator.inductor.inductance"
OUT, IN = "regulator.output_capacitors", "regulator.input_capacitors"
RAIL = ("rail_current", "rail_voltage", "switching_frequency")
RIPPLE = "dI = (V_o + drops) (1 - D) / (L f), D with the drops of switches and winding"
DERIVED = "own derivation, checked by an ODE solver"
LATE = 0.7
"""Switching periods by which phases act late where no delay is stated: 0 to 1.4 brings the closed form to what the exact
switching simulation shows of regulators whose loop is tuned (tests, load steps against the simulation)."""


# ---- ingredients ------------------------------------------------------------------------------------------------------


def _duty_inputs(case: Case) -> dict[str, Value]:
    """Return what the duty hangs on; a resistance that the bench does not state drops no voltage."""
    found = {name: case.quantity(name) for name in ("rail_current", "rail_voltage", "input_voltage")}
    for name, path in (("high", "stage.high_side_resistance"), ("low", "stage.low_side_resistance"),
                       ("winding", "inductor.resistance")):  # fmt: skip
        found[name] = case.part_or(f"regulator.{path}", "Ohm", 0.0)
    return {name: value for name, value in found.items() if value is not None}


def _duty(case: Case, rail_current, rail_voltage, input_voltage, high, low, winding):
    """Return the duty [1]: drops of switches and inductor counted (MB-01), half-bridge resistances of all stages."""
    current = np.maximum(rail_current, 0.0) / case.phases
    return physics.duty_with_drops(
        input_voltage, rail_voltage, current, high / case.stages, low / case.stages, winding
    )


def _falling(case: Case, rail_current, rail_voltage, low, winding):
    """Return the voltage across an inductor while its current falls [V]."""
    return rail_voltage + np.maximum(rail_current, 0.0) / case.phases * (low / case.stages + winding)


def _with_ripple(case: Case, function, unit: str, *, own: dict[str, Value] | None = None, peak: bool = False) -> Value:
    """Return function(rail current, duty, phase ripple, frequency, **own) [unit] of this case."""
    inputs = _duty_inputs(case)
    inputs["inductance"], frequency = case.part(L, "H"), case.quantity("switching_frequency")
    if frequency is not None:
        inputs["frequency"] = frequency
    greatest = case.quantity("rail_current_peak")
    if peak and greatest is not None:
        inputs["greatest"] = greatest
    inputs |= own or {}

    def whole(rail_current, rail_voltage, input_voltage, high, low, winding, inductance, frequency,
              greatest=None, **more):  # fmt: skip
        duty = _duty(case, rail_current, rail_voltage, input_voltage, high, low, winding)
        ripple = _falling(case, rail_current, rail_voltage, low, winding) * (1.0 - duty) / (inductance * frequency)
        current = np.maximum(rail_current if greatest is None else greatest, 0.0)
        return function(current, duty, ripple, frequency, **more)

    return case.derive(whole, unit, inputs)


def _crest(case: Case, *, peak: bool, stages: float = 1.0) -> Value:
    """Return the greatest current of the fullest phase (or stage) in the switching period [A]."""
    return _with_ripple(
        case,
        lambda current, duty, ripple, frequency, sharing: (current * (1.0 + sharing) / case.phases + 0.5 * ripple) / stages,
        "A",
        own={"sharing": case.sharing()},
        peak=peak,
    )


def _winding_rms(case: Case) -> Value:
    return _with_ripple(
        case,
        lambda current, duty, ripple, frequency, sharing: physics.inductor_rms(current * (1.0 + sharing) / case.phases, ripple),
        "A",
        own={"sharing": case.sharing()},
    )


# ---- power stages ---------------------------------------------------------------------------------------------------


def _fullest_stage(case: Case) -> Value:
    inputs = {"rail_current": case.quantity("rail_current"), "sharing": case.sharing()}
    count = case.phases * case.stages
    return case.derive(lambda rail_current, sharing: np.maximum(rail_current, 0.0) * (1.0 + sharing) / count, "A",
                       inputs)  # fmt: skip


def derated(case: Case, temperature):
    """Return the continuous current [A] that the derating curve allows at a temperature [degC]."""
    curve = np.array(case.stated("regulator.stage.derating"))
    return np.interp(temperature, curve[:, 0], curve[:, 1])


def _derating(case: Case) -> Value:
    return case.derive(lambda temperature: derated(case, temperature), "A",
                       {"temperature": case.quantity("settled_regulator_temperature")})  # fmt: skip


def _derating_margin(case: Case) -> Value:
    inputs = {"rail_current": case.quantity("rail_current"), "sharing": case.sharing(),
              "temperature": case.quantity("settled_regulator_temperature")}  # fmt: skip
    count = case.phases * case.stages

    def left(rail_current, sharing, temperature):
        return derated(case, temperature) - np.maximum(rail_current, 0.0) * (1.0 + sharing) / count

    return case.derive(left, "A", inputs)


# ---- capacitors -----------------------------------------------------------------------------------------------------


def _input_rms(case: Case) -> Value:
    return _with_ripple(
        case,
        lambda current, duty, ripple, frequency: physics.input_capacitor_rms(current, duty, case.phases, ripple),
        "A",
    )


def _output_rms(case: Case) -> Value:
    return _with_ripple(
        case,
        lambda current, duty, ripple, frequency: physics.ripple_rms(
            ripple * physics.total_ripple_ratio(duty, case.phases)
        ),
        "A",
    )


def _output_ripple(case: Case) -> Value:
    own = {"capacitance": case.part(f"{OUT}.capacitance", "F"), "esr": case.part(f"{OUT}.resistance", "Ohm")}
    return _with_ripple(
        case,
        lambda current, duty, ripple, frequency, capacitance, esr: physics.output_ripple(
            ripple * physics.total_ripple_ratio(duty, case.phases), duty, frequency, case.phases, capacitance, esr
        ),
        "V",
        own=own,
    )


# ---- load steps -----------------------------------------------------------------------------------------------------


def _step_inputs(case: Case) -> dict[str, Value]:
    found = {
        "rail_voltage": case.quantity("rail_voltage"), "input_voltage": case.quantity("input_voltage"),
        "inductance": case.part(L, "H"), "capacitance": case.part(f"{OUT}.capacitance", "F"),
        "esr": case.part(f"{OUT}.resistance", "Ohm"), "load_line": case.part_or("regulator.load_line", "Ohm", 0.0),
        "delay": _delay(case),
    }  # fmt: skip
    return {name: value for name, value in found.items() if value is not None}


def _delay(case: Case) -> Value:
    """Return how long after a load step the phases act [s]; unstated, what a well tuned loop comes to."""
    if case.stated("regulator.response_delay") is not None:
        return case.part_or("regulator.response_delay", "s", 0.0)
    frequency = case.quantity("switching_frequency")
    if frequency is None or not frequency.value > 0.0:
        return case.part_or("regulator.response_delay", "s", 0.0)
    late = LATE / frequency.value
    return value_from_parts(late, "s", [Part("physics/response delay", late / 3**0.5, "rectangular")])


def _load(case: Case) -> tuple[float, float]:
    """Return (size [A], slew [A/s]) of the greatest load step; at once where no slew is stated."""
    slew = case.stated("processor.load_slew")
    return float(case.stated("processor.load_step")), np.inf if slew is None else float(slew)


def _slopes(case: Case, rail_voltage, input_voltage, inductance, release: bool):
    """Return (slope towards the new load, slope back) of all phases together [A/s]."""
    up = physics.total_slew(input_voltage - rail_voltage, inductance, case.phases)
    down = physics.total_slew(rail_voltage, inductance, case.phases)
    return (down, up) if release else (up, down)


def _beyond_load_line(case: Case, release: bool) -> Value:
    size, slew = _load(case)

    def beyond(rail_voltage, input_voltage, inductance, capacitance, esr, load_line, delay):
        towards, _ = _slopes(case, rail_voltage, input_voltage, inductance, release)
        return physics.load_step_excursion(size, slew, towards, capacitance, esr, delay) - load_line * size

    return case.derive(beyond, "V", _step_inputs(case))


def _settling(case: Case) -> Value:
    size, slew = _load(case)
    band = float(case.stated("regulator.tolerance_band"))

    def latest(rail_voltage, input_voltage, inductance, capacitance, esr, load_line, delay):
        times = []
        for release in (False, True):
            towards, back = _slopes(case, rail_voltage, input_voltage, inductance, release)
            times.append(physics.load_step_settling(size, slew, towards, back, capacitance, esr, delay,
                                                    load_line * size, band))  # fmt: skip
        return np.maximum(*times)

    return case.derive(latest, "s", _step_inputs(case))


def _step_current(case: Case, each_phase: bool) -> Value:
    """Return the greatest current of all phases (or of the fullest one) after the greatest load step [A]."""
    size, slew = _load(case)
    inputs = _step_inputs(case) | {"rail_current": case.quantity("rail_current"), "sharing": case.sharing()}

    def greatest(rail_voltage, input_voltage, inductance, capacitance, esr, load_line, delay, rail_current, sharing):
        up, down = _slopes(case, rail_voltage, input_voltage, inductance, False)
        lent = physics.load_step_charge(size, slew, up, delay)
        owed = np.maximum(lent - capacitance * load_line * size, 0.0)
        return np.maximum(rail_current, size) + physics.recovery_current(owed, up, down), sharing

    if not each_phase:
        return case.derive(lambda **given: greatest(**given)[0], "A", inputs)
    frequency = case.quantity("switching_frequency")
    if frequency is not None:
        inputs["frequency"] = frequency

    def of_phase(frequency, **given):
        total, sharing = greatest(**given)
        ripple = physics.phase_ripple(given["input_voltage"], given["rail_voltage"], given["inductance"], frequency)
        return total * (1.0 + sharing) / case.phases + 0.5 * ripple

    return case.derive(of_phase, "A", inputs)


def course_of(case: Case, times: np.ndarray, release: bool = False) -> np.ndarray:
    """Return the deviation [V] from the voltage before a load step at `times` [s]; a drop is positive, a rise too."""
    size, slew = _load(case)
    given = {name: value.value for name, value in _step_inputs(case).items()}
    towards, back = _slopes(case, given["rail_voltage"], given["input_voltage"], given["inductance"], release)
    return physics.load_step_deviation(times, size, slew, towards, back, given["capacitance"], given["esr"],
                                       given["delay"], given["load_line"] * size)  # fmt: skip


def _sharing_note(case: Case) -> str:
    return "" if case.bench.regulator.sharing_error is not None else "sharing error assumed: 0 to 20 %"


def _step_note(case: Case) -> str:
    said = [] if case.stated("processor.load_slew") is not None else ["load taken to change at once"]
    if case.stated("regulator.response_delay") is None:
        known = case.quantity("switching_frequency")
        said.append("phases taken to act at once" if known is None else
                    f"phases taken to act {LATE:g} periods late, known to as much")  # fmt: skip
    if case.stated("regulator.load_line") is None:
        said.append("no load line counted")
    return "; ".join(said)


def _threshold(case: Case, key: str) -> float:
    """Return a protection threshold as set in the step, else on the bench."""
    found = case.state.settings.get(f"protection_{key}", case.stated(f"regulator.protection.{key}"))
    return float(found)


_STEP_NEEDS = ("processor.load_step", L, f"{OUT}.capacitance", f"{OUT}.resistance")
_STEP = ("rail_voltage",)
_STEP_FORMULA = "dV = max of r i(t) + q(t) / C, less R_LL dI; phases at full slope m = N V_L / L after t_d"

RULES = (
    Rule("power stage derating", "fullest_stage_current", "A", "rating",
         "mean current of the fullest power stage against its derating curve at the regulator's settled temperature",
         (), ("rail_current", "settled_regulator_temperature"), ("regulator.stage.derating",),
         "I (1 + s) / (N k) <= I_rated(T), straight between the points of the curve",
         "charge balance; derating curve of the stage's data sheet",
         _fullest_stage, _derating, _derating_margin, note=_sharing_note),
    Rule("power stage absolute maximum with ripple", "stage_current_crest", "A", "absolute_maximum",
         "crest of the fullest power stage (peak load, sharing error, half the ripple) against its absolute maximum",
         (L,), RAIL, ("regulator.stage.peak_current_rating",), f"(I_peak (1 + s) / N + dI / 2) / k; {RIPPLE}",
         "data sheets SLUS660H p. 43 and SLUS930B p. 52, Eq. 37-39",
         lambda case: _crest(case, peak=True, stages=case.stages),
         lambda case: float(case.stated("regulator.stage.peak_current_rating")), note=_sharing_note),
    Rule("inductor saturation with ripple", "phase_current_crest", "A", "physics",
         "crest of the fullest phase against the inductor's saturation current",
         (L,), RAIL, ("regulator.inductor.saturation_current",), f"I_peak (1 + s) / N + dI / 2; {RIPPLE}",
         "data sheet SLUS930B p. 52, Eq. 39",
         lambda case: _crest(case, peak=True),
         lambda case: float(case.stated("regulator.inductor.saturation_current")), note=_sharing_note),
    Rule("inductor rating with ripple", "phase_current_rms", "A", "rating",
         "effective current of the fullest inductor against its continuous rating",
         (L,), RAIL, ("regulator.inductor.current_rating",), "sqrt(I_phase^2 + dI^2 / 12)",
         "data sheet SLUS930B p. 52, Eq. 38",
         _winding_rms, lambda case: float(case.stated("regulator.inductor.current_rating")), note=_sharing_note),
    Rule("over-current protection of a phase with ripple", "phase_current_crest", "A", "protection",
         "crest of the fullest phase against the over-current threshold of a phase",
         (L,), RAIL, ("regulator.protection.phase_current",), f"I_peak (1 + s) / N + dI / 2; {RIPPLE}",
         "data sheet SLUS930B p. 52, Eq. 39; a threshold that acts on the mean leaves half the ripple more",
         lambda case: _crest(case, peak=True),
         lambda case: _threshold(case, "phase_current"), note=_sharing_note),
    Rule("over-current protection of a phase at a load step", "load_step_phase_current", "A", "protection",
         "greatest current of the fullest phase after the greatest load step against the threshold of a phase",
         _STEP_NEEDS, ("rail_current", "rail_voltage", "switching_frequency"), ("regulator.protection.phase_current",),
         "(max(I, dI) + x) (1 + s) / N + ripple / 2, x = sqrt(2 Q m1 m2 / (m1 + m2)) what recharging takes",
         DERIVED, lambda case: _step_current(case, True),
         lambda case: _threshold(case, "phase_current"), note=_step_note),
    Rule("over-current protection of the regulator at a load step", "load_step_current", "A", "protection",
         "greatest current of all phases after the greatest load step against the threshold of the regulator",
         _STEP_NEEDS, ("rail_current", "rail_voltage"), ("regulator.protection.total_current",),
         "max(I, dI) + x, x = sqrt(2 Q m1 m2 / (m1 + m2)) what recharging takes", DERIVED,
         lambda case: _step_current(case, False),
         lambda case: _threshold(case, "total_current"), note=_step_note),
    Rule("output ripple limit", "output_ripple", "V", "standard",
         "output ripple, peak to peak, with cancellation for any phase count and duty",
         (L, f"{OUT}.capacitance", f"{OUT}.resistance"), RAIL, ("regulator.ripple_limit",),
         "K dI through C and its resistance, K = N (D - m/N) ((m+1)/N - D) / (D (1 - D)), m = floor(N D)",
         "data sheet SLUS660H p. 50, Eq. 57; checked by the sum of shifted waveforms",
         _output_ripple, lambda case: float(case.stated("regulator.ripple_limit"))),
    Rule("input capacitor ripple rating", "input_capacitor_current", "A", "rating",
         "effective current of the input capacitor bank against its ripple rating",
         (L,), RAIL, (f"{IN}.current_rating",),
         "sqrt(K1 I^2 + K2 dI^2), K1 = (N D - m)(m + 1 - N D) / N^2",
         "data sheets ISL6366 p. 38, Eq. 49-51, and ADP3180 p. 17, Eq. 34",
         _input_rms, lambda case: float(case.stated(f"{IN}.current_rating"))),
    Rule("output capacitor ripple rating", "output_capacitor_current", "A", "rating",
         "effective ripple current of the output capacitor bank against its rating",
         (L,), RAIL, (f"{OUT}.current_rating",), "K dI / sqrt(12)", "data sheets ADP2102 p. 21 and SLUS660H p. 50, Eq. 57",
         _output_rms, lambda case: float(case.stated(f"{OUT}.current_rating"))),
    Rule("tolerance band at a load step", "droop", "V", "standard",
         "how far the rail drops below its load line when the greatest load step comes, against the band",
         _STEP_NEEDS, _STEP, ("regulator.tolerance_band",), _STEP_FORMULA, DERIVED,
         lambda case: _beyond_load_line(case, False),
         lambda case: float(case.stated("regulator.tolerance_band")), note=_step_note),
    Rule("tolerance band at a release", "overshoot", "V", "standard",
         "how far the rail rises above its load line when the greatest load lets go, against the band",
         _STEP_NEEDS, _STEP, ("regulator.tolerance_band",), _STEP_FORMULA, DERIVED,
         lambda case: _beyond_load_line(case, True),
         lambda case: float(case.stated("regulator.tolerance_band")), note=_step_note),
    Rule("settling time after a load step", "settling_time", "s", "standard",
         "time until the rail is back within its band, step or release, whichever is later",
         (*_STEP_NEEDS, "regulator.tolerance_band"), _STEP, ("regulator.settling_time",),
         "last t with v(t) = R_LL dI + band, charge given back at full slope", DERIVED,
         _settling, lambda case: float(case.stated("regulator.settling_time")), note=_step_note),
)  # fmt: skip
