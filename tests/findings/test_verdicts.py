"""Every verdict reached by a recording made for it, and the reasons that go with it."""

from dataclasses import replace

import numpy as np
import pytest

from phasewright.bench import Processor, Protection, Regulator
from phasewright.findings import VERDICTS, analyze
from phasewright.logs import Settling


def judged(hand, *steps, **options):
    return [(step.verdict, " | ".join(step.reasons)) for step in hand.analyzed(*steps, **options).steps]


def one(hand, bench=None, **step):
    options = {key: step.pop(key) for key in ("keep", "log_of") if key in step}
    return judged(hand, hand.Played(**step), bench=bench, **options)[0]


def without_protection(hand):
    bench = hand.bench()
    regulator = replace(bench.regulator, protection=Protection())
    return replace(bench, regulator=regulator, processor=Processor())


def moving(extrapolated=None, u=None, remaining=8.0, channel="regulator_temperature"):
    return Settling(channel, 0.02, 0.001, 300.0, remaining, 1.0, False, "slope x time constant", extrapolated, u)


# ---- sustained ----------------------------------------------------------------------------------------------------


def test_sustained_with_the_nearest_limit_in_numbers(hand):
    verdict, reasons = one(hand)
    assert verdict == "sustained"
    assert "nearest limit" in reasons and "±" in reasons and "standard uncertainties" in reasons
    assert "settled: at most 0.4 K" in reasons


def test_sustained_by_extrapolation_says_so(hand):
    step = hand.analyzed(hand.Played(settled=False, settling=(moving(80.0, 0.8),))).steps[0]
    assert step.verdict == "sustained"
    assert any("extrapolated to a regulator temperature of" in reason for reason in step.reasons)
    settled = step.quantities["regulator_temperature_settled"]
    assert settled.kind == "extrapolated" and settled.value == 80.0
    assert settled.u == pytest.approx(np.hypot(0.8, 1.0 / np.sqrt(3.0)), rel=1e-6)
    heat = next(m for m in step.margins if m.limit.name == "over-temperature protection")
    assert heat.figure.value == 80.0 and heat.note == "extrapolated"


# ---- marginal -----------------------------------------------------------------------------------------------------


def test_marginal_when_an_interval_includes_zero(hand):
    verdict, reasons = one(hand, levels={"regulator_temperature": 109.6})
    assert verdict == "marginal"
    assert "over-temperature protection" in reasons and "a margin of" in reasons


def test_marginal_with_a_strong_reason_beyond_a_limit(hand):
    verdict, reasons = one(hand, levels={"input_power": 1000.0, "package_power": 250.0})
    assert verdict == "marginal"
    assert reasons.startswith("it ran beyond a limit: contact current") or "beyond a limit: input current" in reasons


def test_marginal_when_the_load_reports_errors(hand):
    def rising(t, level):
        return np.floor(t / 150.0)

    log_of = {name: "host" if name in hand.HOST else "meter" for name in hand.LEVELS} | {"error_count": "host"}
    step = hand.analyzed(hand.Played(levels={"error_count": 0.0}, shape={"error_count": rising}), log_of=log_of).steps[
        0
    ]
    assert step.verdict == "marginal" and step.reasons[0] == "it ran, but the load reported 2 errors"
    assert step.quantities["error_count"].value == 2.0


def test_peak_counts_against_protection_and_not_against_a_rating(hand):
    def bursts(t, level):
        return np.where((t > 100.0) & (t < 101.5), 1.45 * level, level)

    settings = {"phase_count": 6, "load": "x"}
    quiet = hand.analyzed(hand.Played(settings=settings, levels={"rail_current": 220.0})).steps[0]
    burst = hand.analyzed(
        hand.Played(settings=settings, levels={"rail_current": 220.0}, shape={"rail_current": bursts})
    ).steps[0]
    assert (quiet.verdict, burst.verdict) == ("sustained", "marginal")
    names = {(m.limit.name, m.note.partition(" ")[0]) for m in burst.margins if m.limit.applies_to == "phase_current"}
    assert ("over-current protection of a phase", "peak") in names
    assert not any(m.note.startswith("peak") for m in burst.margins if m.limit.kind == "rating")
    assert burst.peak_averaging["rail_current_peak"] == pytest.approx(1.0)


# ---- clamped ------------------------------------------------------------------------------------------------------


def test_clamped_by_the_flag_that_is_logged(hand):
    verdict, reasons = one(hand, levels={"protection_active": 1.0})
    assert verdict == "clamped" and "a protection was active in 100 % of the window's readings" in reasons


def test_clamped_by_a_protection_that_acted_before_the_window(hand):
    def early(t, level):
        return np.where(t < 60.0, 1.0, 0.0)

    verdict, reasons = one(hand, levels={"protection_active": 1.0}, shape={"protection_active": early})
    assert verdict == "clamped" and "though not in the window" in reasons


def test_clamped_at_the_power_limit(hand):
    verdict, reasons = one(hand, levels={"package_power": 399.0, "input_power": 480.0})
    assert verdict == "clamped" and "package power reads 399.0 W, at its limit of 400 W" in reasons


def test_not_clamped_at_the_power_limit_when_the_flag_stays_at_zero(hand):
    verdict, _ = one(hand, levels={"package_power": 398.0, "input_power": 480.0, "protection_active": 0.0})
    assert verdict == "sustained"


def test_clamped_when_the_set_load_is_not_reached_beside_a_protection(hand):
    settings = {"phase_count": 4, "package_power": 300.0}
    verdict, reasons = one(hand, settings=settings, levels={"rail_current": 202.0})
    assert verdict == "clamped"
    assert "short of the 300 W that were set" in reasons and "over-current protection" in reasons


def test_load_below_plan_far_from_any_protection_is_a_doubt_and_no_clamp(hand):
    analysis = hand.analyzed(hand.Played(settings={"phase_count": 8, "package_power": 300.0}))
    assert analysis.steps[0].verdict == "sustained"
    assert any(note.startswith("doubt: ") and "short of the 300 W" in note for note in analysis.notes)


def test_clamped_when_held_flat_below_plan_and_no_threshold_is_known(hand):
    bench = without_protection(hand)
    verdict, reasons = one(hand, bench, settings={"phase_count": 8, "package_power": 300.0})
    assert verdict == "clamped" and "held flat" in reasons


def test_clamped_when_the_clock_falls(hand):
    def falling(t, level):
        return np.where(t < 120.0, level, 0.93 * level)

    verdict, reasons = one(hand, levels={"processor_clock": 5.0e9}, shape={"processor_clock": falling})
    assert verdict == "clamped" and "clock fell from 5.00 to 4.65 GHz" in reasons


def test_clamped_at_the_processor_temperature_limit(hand):
    bench = replace(hand.bench(), processor=Processor(temperature_limit=95.0))
    verdict, reasons = one(hand, bench, levels={"processor_temperature": 94.6})
    assert verdict == "clamped" and "at its limit of 95 °C" in reasons


# ---- tripped ------------------------------------------------------------------------------------------------------


def collapse(at, to=20.0):
    return lambda t, level: np.where(t < at, level, to)


@pytest.mark.parametrize("outcome", ["tripped", "crashed"])
def test_tripped_as_stated(hand, outcome):
    verdict, reasons = one(hand, outcome=outcome)
    assert verdict == "tripped" and f"seen at the bench: {outcome}" in reasons


def test_tripped_when_power_collapses_and_the_machine_falls_silent(hand):
    verdict, reasons = one(
        hand,
        shape={"input_power": collapse(150.0)},
        keep=lambda channel, t: np.ones(len(t), bool) if channel in hand.METER else (t < 170.0),
    )
    assert verdict == "tripped"
    assert "falls silent" in reasons and "input power fell from 300 to 20" in reasons


def test_tripped_when_power_collapses_before_the_stated_end(hand):
    shape = {name: collapse(150.0) for name in ("input_power", "package_power", "rail_current")}
    verdict, reasons = one(hand, shape=shape, end="400 s")
    assert verdict == "tripped" and "before the step's end" in reasons


def test_load_that_ends_early_while_the_machine_goes_on_is_a_doubt_and_no_trip(hand):
    shape = {name: collapse(390.0 - 35.0) for name in ("input_power", "package_power", "rail_current")}
    analysis = hand.analyzed(hand.Played(shape=shape))
    assert analysis.steps[0].verdict != "tripped"
    assert any("while the machine went on logging" in note for note in analysis.notes)


def lost_at(recording, at, until, level=0.4, silent=True, before=()):
    """Return the recording with input power at `level` between two times, and the machine's log silent there."""
    traces = {}
    for name, trace in recording.traces.items():
        gone = (trace.end_s > at) & (trace.end_s < until)
        value = trace.value.copy()
        if name == "input_power":
            value[gone] = level
            for low, high, watts in before:
                value[(trace.end_s > low) & (trace.end_s <= high)] = watts
        elif silent and trace.log == "host":
            keep = ~gone
            value = value[keep]
            trace = replace(
                trace, start_s=trace.start_s[keep], end_s=trace.end_s[keep], segments=((0, int(keep.sum())),)
            )
        traces[name] = replace(trace, value=value)
    return replace(recording, traces=traces)


def verdicts_of(hand, at=None, found_from="times", **lost):
    """Verdicts of two steps when power is lost at `at` [s] from the first step's end, until 15 s after it."""
    campaign, recording, spans, windows = hand.played([hand.Played(), hand.Played("next")])
    spans = tuple(replace(span, found_from=found_from) for span in spans)
    end = spans[0].end_s
    before = [(end + low, end + high, watts) for low, high, watts in lost.pop("before", ())]
    recording = lost_at(recording, end + at, end + 15.0, before=before, **lost)
    return [step.verdict for step in analyze(hand.bench(), campaign, recording, spans, windows).steps]


@pytest.mark.parametrize("at", [-2.0, 0.0, 2.0])
def test_tripped_when_power_goes_from_load_to_nothing_as_the_step_ends(hand, at):
    """The person wrote down the moment of the trip as the end of the step, more or less."""
    assert verdicts_of(hand, at=at, before=((-1.0, max(at, -1.0), 300.0),)) == ["tripped", "sustained"]


def test_not_tripped_when_somebody_ended_the_load_and_switched_off(hand):
    assert verdicts_of(hand, at=-2.0, before=((-9.0, -2.0, 60.0),)) == ["sustained", "sustained"]


def test_not_tripped_when_idle_takes_next_to_nothing_at_these_inputs_and_the_machine_goes_on(hand):
    assert verdicts_of(hand, at=0.0, level=6.0, silent=False) == ["sustained", "sustained"]


def test_not_tripped_when_the_log_of_a_step_ends_with_its_file(hand):
    assert verdicts_of(hand, at=0.0, level=6.0, found_from="files") == ["sustained", "sustained"]


def test_tripped_as_the_step_begins(hand):
    campaign, recording, spans, windows = hand.played(
        [hand.Played(), hand.Played("next", length=40.0), hand.Played("last")]
    )
    recording = lost_at(recording, spans[1].start_s, spans[1].end_s + 10.0)
    steps = analyze(hand.bench(), campaign, recording, spans, windows).steps
    assert [step.verdict for step in steps] == ["sustained", "tripped", "sustained"]
    assert "as the step began" in steps[1].reasons[0]


def test_no_means_are_taken_from_a_window_in_which_power_went_down(hand):
    shape = {name: collapse(250.0) for name in ("input_power", "package_power", "rail_current")}
    step = hand.analyzed(hand.Played(shape=shape, end="400 s")).steps[0]
    assert step.verdict == "tripped" and not step.window.found and not step.window.settled
    assert "input_power" not in step.quantities and step.quantities["input_power_peak"].value > 295.0
    assert any("input power fell" in why for _, _, why in step.window.discarded)


def test_means_before_a_late_trip_are_kept(hand):
    shape = {name: collapse(385.0) for name in ("input_power", "package_power", "rail_current")}
    keep = lambda channel, t: np.ones(len(t), bool) if channel in hand.METER else (t < 407.0)  # noqa: E731
    step = hand.analyzed(hand.Played(shape=shape, end="400 s", outcome="tripped"), keep=keep).steps[0]
    assert step.verdict == "tripped" and step.quantities["input_power"].value == pytest.approx(300.0, abs=1.0)


def test_pause_of_the_logger_with_power_going_on_is_no_trip(hand):
    analysis = hand.analyzed(
        hand.Played(),
        keep=lambda channel, t: np.ones(len(t), bool) if channel in hand.METER else ~((t > 100.0) & (t < 130.0)),
    )
    assert analysis.steps[0].verdict == "sustained"
    assert any("went on at 300 W" in note for note in analysis.notes)


def test_load_that_comes_and_goes_is_no_trip(hand):
    def periodic(t, level):
        return np.where((t % 60.0) < 40.0, level, 0.2 * level)

    verdict, _ = one(hand, shape={"input_power": periodic}, end="400 s")
    assert verdict != "tripped"


def test_record_against_the_stated_outcome_is_unknown(hand):
    shape = {"input_power": collapse(150.0), "package_power": collapse(150.0), "rail_current": collapse(150.0)}
    verdict, reasons = one(hand, shape=shape, end="400 s", outcome="ran")
    assert verdict == "unknown" and "stated to have run, but the record says" in reasons


# ---- unsettled ----------------------------------------------------------------------------------------------------


def test_unsettled_with_what_is_still_to_come(hand):
    verdict, reasons = one(hand, settled=False, settling=(moving(),))
    assert verdict == "unsettled" and "up to 8 K to come" in reasons


def test_unsettled_when_one_channel_of_several_cannot_be_extrapolated(hand):
    both = (moving(80.0, 0.8), moving(channel="coolant_temperature"))
    verdict, reasons = one(hand, settled=False, settling=both)
    assert verdict == "unsettled" and "coolant temperature" in reasons


def test_unsettled_when_the_extrapolation_does_not_decide(hand):
    verdict, reasons = one(hand, settled=False, settling=(moving(109.0, 2.0),))
    assert verdict == "unsettled" and "the extrapolation does not decide it" in reasons


def test_extrapolation_beyond_a_limit_decides(hand):
    verdict, reasons = one(hand, settled=False, settling=(moving(121.0, 1.5),))
    assert verdict == "marginal" and "beyond a limit" in reasons


def test_unsettled_without_a_window(hand):
    verdict, reasons = one(hand, found=False, settled=False)
    assert verdict == "unsettled" and reasons


# ---- unknown ------------------------------------------------------------------------------------------------------


def test_unknown_without_regulator_temperature_names_the_line_to_add(hand):
    verdict, reasons = one(hand, levels={"regulator_temperature": None})
    assert verdict == "unknown" and "regulator_temperature" in reasons


def test_unknown_without_any_power(hand):
    levels = {name: None for name in ("input_power", "package_power", "rail_current", "rail_voltage")}
    verdict, reasons = one(hand, levels=levels)
    assert verdict == "unknown" and "input_power" in reasons


def test_unknown_when_the_accuracy_behind_a_margin_is_not_stated(hand):
    bench = hand.bench()
    host = replace(bench.instruments[1], accuracy={k: v for k, v in hand.HOST.items() if k != "regulator_temperature"})
    verdict, reasons = one(hand, replace(bench, instruments=(bench.instruments[0], host)))
    assert verdict == "unknown" and "[instrument.accuracy.regulator_temperature]" in reasons


def test_unknown_without_any_limit(hand):
    bench = replace(
        hand.bench(),
        regulator=Regulator("r", 12),
        processor=Processor(),
        board=replace(hand.bench().board, connectors=()),
    )
    verdict, reasons = one(hand, bench)
    assert verdict == "unknown" and "no limit is stated" in reasons


def test_unknown_when_nothing_tells_of_protections_and_known_once_the_outcome_is_stated(hand):
    bench = without_protection(hand)
    assert one(hand, bench)[0] == "unknown"
    assert one(hand, bench, outcome="ran")[0] == "sustained"
    assert one(hand, bench, settings={"phase_count": 8, "package_power": 250.0})[0] == "sustained"
    assert one(hand, bench, levels={"protection_active": 0.0})[0] == "sustained"


def test_unknown_when_no_log_reaches_the_step(hand):
    verdict, reasons = one(hand, keep=lambda channel, t: t < 10.0)
    assert verdict == "unknown" and "no log has a reading" in reasons


def test_every_word_is_one_of_the_six(hand):
    words = {verdict for verdict, _ in judged(hand, hand.Played("a"), hand.Played("b", outcome="clamped"))}
    assert words <= set(VERDICTS) and words == {"sustained", "clamped"}
