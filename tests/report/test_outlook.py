"""What the guide asks of the model: it says what the model says, and its searches find what they claim."""

from dataclasses import replace

import numpy as np
import pytest

from phasewright.model import fit_model, predict
from phasewright.report.curves import draw_panels
from phasewright.report.document import Layout
from phasewright.report.explained import compared, drawn_cases
from phasewright.report.foresight import _headroom_curves
from phasewright.report.outlook import coolants_of, outlook_of
from phasewright.report.split import split_of

LEVEL, ONE_SIDED = 0.95, 1.6449


def fitted_to(analysis):
    return fit_model(analysis, dynamic=False)


@pytest.fixture(scope="module")
def outlook(analysis):
    return outlook_of(analysis, fitted_to(analysis))


@pytest.fixture(scope="module")
def warm(make):
    """A bench on which only heat ends a load: no over-current threshold, no current ratings."""
    bench = make.bench()
    regulator = replace(
        bench.regulator,
        protection=replace(bench.regulator.protection, phase_current=None),
        stage=replace(bench.regulator.stage, current_rating=None, peak_current_rating=None),
        inductor=replace(bench.regulator.inductor, saturation_current=None, current_rating=None),
    )
    board = replace(bench.board, connectors=())
    analysis = replace(make.analysis(bench=bench), bench=replace(bench, regulator=regulator, board=board))
    # The settings of single steps set thresholds again; they are no part of this bench.
    analysis = replace(
        analysis,
        steps=tuple(
            replace(
                f, step=replace(f.step, settings={k: v for k, v in f.step.settings.items() if k[:10] != "protection"})
            )
            for f in analysis.steps
        ),
    )
    return outlook_of(analysis, fitted_to(analysis))


def test_fewest_phases_hold_and_one_fewer_does_not(outlook):
    assert len(outlook.fewest) == len(outlook.coolants) * 3
    for item in outlook.fewest:
        assert item.prediction.probability >= LEVEL
        settings = {"phase_count": item.count - 1, **item.case.load, "coolant_temperature": item.coolant}
        assert predict(outlook.fitted, settings).probability < LEVEL


@pytest.mark.parametrize("which", ["outlook", "warm"])
def test_a_ceiling_holds_and_a_little_more_does_not(which, request):
    found = request.getfixturevalue(which)
    assert len(found.ceilings) >= 2 * len(found.coolants)
    for item in found.ceilings[:: max(1, len(found.ceilings) // 12)]:
        assert kept(item.prediction)
        setting = item.prediction.setting
        if item.ends == "load line":
            # V I has its greatest value V0 / 2 x V0 / (2 R) on a load line V = V0 - R I (algebra).
            carried = item.prediction.quantities["rail_power"].value
            at = {name: found.fitted.parameter(name).value for name in ("rail_setpoint", "load_line")}
            assert 0.95 < carried / (at["rail_setpoint"] ** 2 / (4.0 * at["load_line"])) <= 1.0
            continue
        with np.errstate(invalid="ignore"):  # a load that the load line cannot carry is NaN, and not kept
            more = predict(found.fitted, replace(setting, package_power=1.05 * setting.package_power), refuse=False)
        assert not kept(more)


def kept(prediction) -> bool:
    """Every limit of the regulator is kept with 95 %, one by one; the processor's own power is not asked for."""
    margins = [m for m in prediction.margins if m.limit.applies_to != "package_power"]
    return all(m.margin.u is not None and m.margin.value - ONE_SIDED * m.margin.u > 0.0 for m in margins)


def test_colder_coolant_and_more_phases_bear_more_where_heat_ends_it(warm):
    at = {(c.coolant, c.count): c.prediction.quantities["package_power"].value for c in warm.ceilings}
    warmest, coldest = max(warm.coolants), min(warm.coolants)
    few = min(c.count for c in warm.ceilings)
    assert all("temperature" in c.ends for c in warm.ceilings if c.count == few)
    assert at[coldest, few] > 1.05 * at[warmest, few]
    assert at[warmest, few + 1] > at[warmest, few]
    assert len(_headroom_curves(warm, "package_power")) == len(warm.coolants), "lines that differ stay apart"


def test_lines_that_lie_on_each_other_share_a_label(outlook):
    curves = _headroom_curves(outlook, "package_power")
    assert len(curves) == 1
    assert "25 to 45" in curves[0].label


def test_coolants_are_round_and_below_their_limit(make):
    analysis = make.analysis()
    limit = analysis.bench.cooling.coolant_limit
    coolants = coolants_of(analysis)
    assert coolants and all(c % 5.0 == 0.0 and c < limit for c in coolants)
    tight = replace(
        analysis, bench=replace(analysis.bench, cooling=replace(analysis.bench.cooling, coolant_limit=40.0))
    )
    assert max(coolants_of(tight)) < 40.0


def test_the_parts_of_the_loss_make_up_the_whole(outlook):
    for _, prediction in outlook.steps:
        found = split_of(outlook.fitted, prediction)
        parts = found.regulator.value + found.cables.value + found.others.value
        assert parts == pytest.approx(found.whole.value, abs=1e-6)


def test_every_measured_step_is_compared_at_its_own_load_and_coolant(outlook, analysis):
    rows = compared(outlook)
    assert {row[0].step.name for row in rows} == {
        f.step.name for f in analysis.steps if "regulator_rise" in f.quantities
    }
    for finding, prediction in outlook.steps:
        assert prediction.setting.coolant_temperature == finding.quantities["coolant_temperature"].value
        assert prediction.setting.phase_count == finding.step.settings["phase_count"]


def test_measured_and_predicted_never_share_a_mark(outlook):
    from phasewright.report.canvas import drawing
    from phasewright.report.explained import _compared_panels

    panels = _compared_panels(outlook)
    with drawing():
        page = draw_panels(panels, Layout(920.0), len(drawn_cases(outlook)))
    for axes, panel in zip(page.axes, panels, strict=True):
        drawn = [line for line in axes.lines if line.get_marker() not in ("", "None", None)]
        assert len(drawn) == len(panel.dots), "only what was measured has a mark"
        assert len(axes.collections) == len(panel.curves), "only what is predicted has a band"


def test_rises_are_compared_as_the_sensors_read_them(outlook):
    """By how much the thermometers read apart is in what was read, so it is in what is predicted beside it."""
    apart = outlook.fitted.parameter("temperature_offset").value
    for (_, _, said), (_, prediction) in zip(compared(outlook), outlook.steps, strict=True):
        own = prediction.quantities["regulator_rise"]
        assert said.value == pytest.approx(own.value + apart, abs=1e-9)
        assert said.low95 < said.value < said.high95


def test_a_gain_that_heat_contradicts_is_told_where_trust_is_asked_for(outlook, analysis):
    from phasewright.model import gain_check, model_json
    from phasewright.report.answering import model_answers

    checks = gain_check(outlook.fitted)
    (told,) = [a for a in model_answers(analysis, outlook.fitted, outlook=outlook) if "trusted" in a.question]
    for item in checks:
        flagged = item.outcome in ("reads high", "reads low")
        assert (item.sentence in told.sentence) is flagged
        assert (f"gain of {item.channel}" in told.numbers) is (flagged or item.outcome == "agrees")
    assert [row["outcome"] for row in model_json(outlook.fitted)["gains"]] == [item.outcome for item in checks]
