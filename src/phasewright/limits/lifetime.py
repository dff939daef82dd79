"""How long parts last at this temperature, against the life that is wished for, and what a clean run proves."""

from __future__ import annotations

import numpy as np

from phasewright import physics
from phasewright.limits.case import Case
from phasewright.limits.electrical import RULES as ELECTRICAL
from phasewright.limits.records import Reading
from phasewright.limits.rule import Rule
from phasewright.quantity import Value, value_from_parts

__all__ = ["RULES", "clean_run", "shedding"]

ENERGY, EXPONENT = 0.7, 2.5
"""[eV] and [1] taken where the bench states none: JEP122, from memory."""
CONFIDENCE = 0.95
CAP = 15.0 * 365.25 * 86400.0
"""[s] Makers vouch for no longer life than about 15 years."""
_LAWS = {"polymer": physics.polymer_life, "electrolytic": physics.electrolytic_life}
_RMS = {rule.applies_to: rule for rule in ELECTRICAL if rule.applies_to.endswith("_capacitor_current")}


def _own_rms(case: Case, bank: str) -> Value | None:
    """Return the effective current of a bank [A]; None where it cannot be worked out."""
    rule = _RMS[f"{bank}_capacitor_current"]
    if any(case.stated(path) is None for path in rule.needs) or any(case.quantity(q) is None for q in rule.quantities):
        return None
    return rule.figure(case)


def _heating(case: Case, bank: str) -> bool:
    path = f"regulator.{bank}_capacitors"
    stated = all(case.stated(f"{path}.{key}") is not None for key in ("resistance", "thermal_resistance"))
    return stated and _own_rms(case, bank) is not None


def _capacitor_life(bank: str):
    path = f"regulator.{bank}_capacitors"

    def life(case: Case) -> Value:
        law = _LAWS[case.stated(f"{path}.kind")]
        rated = float(case.stated(f"{path}.life"))
        rated_at = float(case.stated(f"{path}.temperature_limit"))
        around = case.quantity("capacitor_surroundings")
        if around is None:
            raise KeyError("board_temperature")
        inputs = {"around": around}
        heating = _heating(case, bank)
        if heating:
            rms = _own_rms(case, bank)
            if rms is not None:
                inputs["rms"] = rms
            inputs["esr"] = case.part(f"{path}.resistance", "Ohm")
            inputs["path"] = case.part(f"{path}.thermal_resistance", "K/W")

        def hours(around, rms=0.0, esr=0.0, path=0.0):
            return np.minimum(law(rated, rated_at, around + rms**2 * esr * path), CAP)

        return case.derive(hours, "s", inputs)

    return life


def _capacitor_note(bank: str):
    def note(case: Case) -> str:
        said = [] if _heating(case, bank) else ["own heating not counted"]
        if "board_temperature" not in case.state.quantities:
            said.append("temperature of the regulator taken, as none of the board is logged")
        return "; ".join(said)

    return note


def _wears(bank: str):
    def applies(case: Case) -> str:
        kind = case.stated(f"regulator.{bank}_capacitors.kind")
        return "ceramic capacitors have no law of wear that makers state" if kind == "ceramic" else ""

    return applies


def _stage_life(case: Case) -> Value:
    rated = float(case.stated("regulator.stage.rated_life"))
    rated_at = float(case.stated("regulator.stage.rated_life_temperature"))
    energy = case.stated("regulator.stage.activation_energy_ev") or ENERGY
    hot = case.quantity("settled_regulator_temperature")
    if hot is None:
        raise KeyError("regulator_temperature")
    return case.derive(lambda hot: rated * physics.arrhenius_factor(energy, hot, rated_at), "s", {"hot": hot})


def _energy_note(case: Case) -> str:
    unstated = case.stated("regulator.stage.activation_energy_ev") is None
    return "by the sensor, the junction is hotter" + (f"; {ENERGY:g} eV assumed" if unstated else "")


def _cycle_life(case: Case) -> Value:
    borne = float(case.stated("regulator.stage.rated_cycles"))
    test = float(case.stated("regulator.stage.rated_swing"))
    exponent = case.stated("regulator.stage.cycle_exponent") or EXPONENT
    a_day = float(case.stated("board.cycles_per_day"))
    rise = case.quantity("regulator_rise")
    if rise is None:
        raise KeyError("regulator_rise")

    def seconds(rise):
        return borne * physics.coffin_manson_factor(test, np.maximum(rise, 1.0), exponent) / a_day * 86400.0

    return case.derive(seconds, "s", {"rise": rise})


def _cycle_note(case: Case) -> str:
    unstated = case.stated("regulator.stage.cycle_exponent") is None
    return "days of use; from coolant to settled at every cycle" + (f"; exponent {EXPONENT:g} assumed" if unstated
                                                                    else "")  # fmt: skip


def _wished(case: Case) -> float:
    return float(case.stated("board.service_life"))


def _bank(bank: str) -> Rule:
    path = f"regulator.{bank}_capacitors"
    return Rule(
        f"wished life of the {bank} capacitors", f"{bank}_capacitor_life", "s", "standard",
        f"life of the {bank} capacitors at the board's temperature and with their own heating, against the wished life",
        (f"{path}.kind", f"{path}.life", f"{path}.temperature_limit"), ("capacitor_surroundings",),
        ("board.service_life",),
        "polymer L_0 10^((T_0 - T) / 20), electrolytic L_0 2^((T_0 - T) / 10), 15 years at most",
        "data sheet NCP5314 p. 20; notes of capacitor makers",
        _capacitor_life(bank), _wished, floor=True, note=_capacitor_note(bank), applies=_wears(bank),
    )  # fmt: skip


RULES = (
    _bank("output"),
    _bank("input"),
    Rule("wished life of the power stages", "stage_life", "s", "standard",
         "life of the power stages at the regulator's settled temperature, against the wished life",
         ("regulator.stage.rated_life", "regulator.stage.rated_life_temperature"), ("settled_regulator_temperature",),
         ("board.service_life",), "L_0 exp(E_a / k (1 / T - 1 / T_0))", "JEP122 (form)",
         _stage_life, _wished, floor=True, note=_energy_note),
    Rule("wished life under load cycles", "stage_cycle_life", "s", "standard",
         "time until the joints of the stages have borne their cycles, against the wished life",
         ("regulator.stage.rated_cycles", "regulator.stage.rated_swing", "board.cycles_per_day"), ("regulator_rise",),
         ("board.service_life",), "N_0 (dT_0 / dT)^q / cycles a day", "JEP122 (form and exponents)",
         _cycle_life, _wished, floor=True, note=_cycle_note),
)  # fmt: skip


# ---- told without a ceiling -----------------------------------------------------------------------------------------


def clean_run(case: Case) -> Reading | None:
    """Return what the run proves about failures an hour; None where nothing was run."""
    duration = case.state.duration
    if not duration or duration <= 0.0:
        return None
    count = case.state.quantities.get("error_count")
    errors = max(0.0, round(count.value)) if count is not None else 0.0
    bound = float(physics.failure_rate_bound(duration, CONFIDENCE, errors)) * 3600.0
    seen = "without an error" if errors == 0.0 else f"with {errors:.0f} error{'' if errors == 1.0 else 's'}"
    watched = "" if count is not None else " that anybody noticed (error_count is not logged)"
    if errors:
        watched = ""
    sentence = (
        f"{duration / 3600.0:.2g} h {seen}{watched} rule out more than {bound:.2g} failures an hour at "
        f"{100 * CONFIDENCE:.0f} %, no less"
    )
    figure = value_from_parts(bound, "1/h", (), kind="derived")
    return Reading("failure rate ruled out", figure, sentence, "NIST/SEMATECH e-Handbook, 8.4.5.1")


def shedding(case: Case) -> Reading | None:
    """Return at how many phases the losses would be least at this load; None where part data do not say."""
    stage = "regulator.stage"
    needed = ("gate_charge", "gate_voltage", "high_side_resistance", "low_side_resistance")
    load, voltage, frequency = (case.quantity(q) for q in ("rail_current", "rail_voltage", "switching_frequency"))
    if any(case.stated(f"{stage}.{key}") is None for key in needed) or load is None or load.value <= 0.0:
        return None
    supply = case.quantity("input_voltage")
    if voltage is None or frequency is None or supply is None:
        return None
    inputs = {"load": load, "voltage": voltage, "frequency": frequency, "supply": supply,
              "gate": case.part(f"{stage}.gate_charge", "C"), "drive": case.part(f"{stage}.gate_voltage", "V"),
              "high": case.part(f"{stage}.high_side_resistance", "Ohm"),
              "low": case.part(f"{stage}.low_side_resistance", "Ohm"),
              "winding": case.part_or("regulator.inductor.resistance", "Ohm", 0.0),
              "output": case.part_or(f"{stage}.output_charge", "C", 0.0),
              "recovery": case.part_or(f"{stage}.recovery_charge", "C", 0.0),
              "core": case.part_or("regulator.inductor.core_loss", "W", 0.0),
              "rest": case.part_or(f"{stage}.quiescent_power", "W", 0.0)}  # fmt: skip

    def least(load, voltage, frequency, supply, gate, drive, high, low, winding, output, recovery, core, rest):
        duty = physics.duty_ideal(supply, voltage)
        resistance = (duty * high + (1.0 - duty) * low) / case.stages + winding
        charged = physics.output_charge_loss(output, supply, frequency) + physics.recovery_loss(
            recovery, supply, frequency
        )
        fixed = case.stages * (physics.gate_loss(gate, drive, frequency) + charged + rest) + core
        return physics.least_loss_phase_count(np.maximum(load, 0.0), fixed, resistance)

    count = case.derive(least, "1", inputs)
    whole = max(1, round(count.value))
    if whole < case.phases:
        sentence = f"at this load the phases would lose least with about {whole} of them: shedding would save power"
    else:
        sentence = f"at this load shedding phases saves nothing: they would lose least with about {whole}"
    return Reading("phase count of least loss", count, sentence, "own derivation: least of a n + r I^2 / n")
