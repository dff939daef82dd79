"""The guide with a model and a plan: chapters, tables, answers; and both in a terminal."""

import csv
import re
from dataclasses import replace

import pytest

from phasewright.findings import Answer
from phasewright.model import fit_model, fitted_prior, predict, prior_of
from phasewright.plan import order_steps, preflight
from phasewright.report import (
    guide_document,
    model_answers,
    model_text,
    prediction_text,
    predictions_table,
    preflight_text,
    write_guide,
)

QUESTIONS = (
    "How hot does the regulator run, and where would it settle?",
    "What gives first, and what would change that?",
    "What would another load, coolant, phase count or part do?",
)


@pytest.fixture(scope="module")
def asked(analysis):
    """The analysis with the questions of the job, as they stand before there is a model."""
    told = (
        Answer(
            QUESTIONS[0],
            "The regulator is hottest; how the heat divides between stage, plate and processor is not answered: that "
            "takes a fitted thermal model.",
            {"step": analysis.steps[5].step.name},
        ),
        Answer(
            QUESTIONS[1],
            "“I” tripped; what more cooling, another protection limit, more phases or another voltage would change is "
            "not answered, for that takes a fitted model.",
            {},
        ),
        Answer(QUESTIONS[2], "Not answered: that takes a model.", {}),
    )
    return replace(analysis, answers=(*analysis.answers, *told))


@pytest.fixture(scope="module")
def fitted(analysis):
    return fit_model(analysis, dynamic=False)


@pytest.fixture(scope="module")
def plan(analysis, fitted):
    return order_steps(analysis.bench, analysis.campaign.steps[:4], fitted=fitted)


@pytest.fixture(scope="module")
def document(asked, fitted, plan):
    return guide_document(asked, fitted=fitted, plan=plan)


def test_without_a_model_the_guide_stays_as_it_is(analysis):
    anchors = [section.anchor for section in guide_document(analysis).sections]
    assert anchors == ["answers", "bench", "hold", "heat", "waste", "first", "trust"]
    assert {figure.name for figure in guide_document(analysis).figures()}.isdisjoint(
        {"predicted", "split", "runaway", "headroom"}
    )


def test_a_model_and_a_plan_add_their_chapters(document):
    anchors = [section.anchor for section in document.sections]
    assert anchors == ["answers", "bench", "hold", "heat", "waste", "first", "if", "next", "trust"]
    named = {figure.name: figure for figure in document.figures()}
    for name in ("predicted", "split", "runaway", "headroom"):
        figure = named[name]
        assert re.search(r"\d", figure.title), f"{name}: the title says the finding in numbers"
        assert len(figure.title) < 140 and figure.description and figure.numbers.rows
        assert "%" in figure.subtitle, f"{name}: the subtitle says what the interval is"


def test_every_table_of_the_new_chapters_is_a_file(asked, fitted, plan, tmp_path):
    files = write_guide(asked, tmp_path / "guide", fitted=fitted, plan=plan)
    stems = {path.stem for path in files.tables}
    assert {"measured-against-predicted", "parameters", "loss-split", "headroom", "fewest-phases", "preflight"} <= stems
    assert {"predicted.svg", "predicted.png", "headroom.svg", "split.png"} <= {path.name for path in files.figures}
    with (tmp_path / "guide" / "tables" / "preflight.csv").open(encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == len(plan.steps)
    for row, item in zip(rows, plan.steps, strict=True):
        temperature = item.forecast.quantities["regulator_temperature"]
        assert float(row["regulator_temperature_degC_low95"]) == temperature.low95
        assert float(row["phase_current_A"]) == item.forecast.quantities["phase_current"].value
        assert row["go"] == item.forecast.verdict
    page = files.html.read_text(encoding="utf-8")
    assert "What if?" in page and "What next?" in page


def test_answers_that_a_model_can_give_are_given(asked, fitted):
    said = {answer.question: answer for answer in model_answers(asked, fitted)}
    assert len(said) == len(asked.answers)
    for question in QUESTIONS:
        answer = said[question]
        assert "not answered" not in answer.sentence.lower()
        assert answer.sentence.endswith(".") and answer.sentence.count(". ") == 0, "one sentence"
        assert "±" in answer.sentence and answer.numbers
    for answer in asked.answers:
        if answer.question.startswith(("Which", "What is wasted")):
            assert said[answer.question] == answer, "the others stay as they are"
        if answer.question.startswith("Can"):
            assert said[answer.question].sentence.startswith(answer.sentence.removesuffix(".")), "what heat says is added"
            assert "gain is off by" in said[answer.question].sentence


def test_the_parts_of_the_rise_make_up_the_rise(asked, fitted):
    numbers = next(a for a in model_answers(asked, fitted) if a.question == QUESTIONS[0]).numbers
    parts = sum(numbers[f"rise by the {part}"].value for part in ("stage", "plate", "package"))
    assert parts == pytest.approx(numbers["predicted regulator_rise"].value)


def test_readiness_alone_is_enough(analysis, fitted):
    readiness = preflight(analysis.bench, analysis.campaign.steps[:2], fitted=fitted)
    section = next(s for s in guide_document(analysis, plan=readiness).sections if s.anchor == "next")
    assert any(getattr(block, "name", "") == "preflight" for block in section.blocks)
    assert "Start marker" not in preflight_text(readiness)


def widest(text: str) -> int:
    return max(len(line) for line in text.splitlines())


def test_prediction_in_a_terminal(fitted):
    prediction = predict(fitted, {"phase_count": 8, "package_power": 350.0, "coolant_temperature": 35.0})
    text = prediction_text(prediction)
    assert widest(text) <= 80 and "\u202f" not in text
    assert f"Verdict: {prediction.verdict}" in text and "95 % interval" in text
    assert "8 phases, 350 W at the package, coolant 35 °C" in text
    low, high = prediction.intervals["regulator_temperature"]
    row = next(line for line in text.splitlines() if line.startswith("Regulator temperature / °C"))
    assert [float(n) for n in re.findall(r"\d+\.\d+", row)][-2:] == pytest.approx([low, high], abs=0.06)
    for unit in ("/ °C", "/ K", "/ W", "/ A", "/ %"):
        assert unit in text
    assert prediction.margins[0].limit.name[:30] in text


def test_predictions_in_one_table(fitted):
    found = [predict(fitted, {"phase_count": n, "package_power": 350.0}) for n in (6, 8, 10, 14)]
    text = predictions_table(found)
    assert widest(text) <= 80
    rows = [line for line in text.splitlines() if re.match(r"\s*\d+\s+350 W", line)]
    assert [int(row.split()[0]) for row in rows] == [6, 8, 10, 14]
    assert all(item.verdict in row for item, row in zip(found, rows, strict=True))
    assert len({row.index("±") for row in rows}) == 1, "columns line up"
    assert predictions_table([]).startswith("Nothing")


def test_heat_that_runs_away_is_said(fitted):
    prediction = predict(fitted, {"phase_count": 1, "rail_current": 900.0, "coolant_temperature": 45.0}, refuse=False)
    assert prediction.quantities["loop_gain"].value > 1.0
    row = next(line for line in prediction_text(prediction).splitlines() if line.startswith("Regulator temperature"))
    assert "runs away" in row and not re.search(r"\d", row)
    assert widest(prediction_text(prediction)) <= 80
    assert "runs away" in predictions_table([prediction]) and widest(predictions_table([prediction])) <= 80


def test_model_in_a_terminal(fitted, analysis):
    text = model_text(fitted)
    assert widest(text) <= 80 and "(simulated)" in text
    for parameter in fitted.parameters:
        assert parameter.decided_by in ("data", "both", "prior")
    rows = [line for line in text.splitlines() if line.endswith((" data", " both", " prior"))]
    assert len(rows) == len(fitted.parameters)
    bare = model_text(fitted_prior(prior_of(analysis.bench)))
    assert "part data alone speak" in bare and widest(bare) <= 80


def test_plan_in_a_terminal(plan):
    text = preflight_text(plan)
    assert widest(text) <= 80 and "\u202f" not in text
    lines = text.splitlines()
    for number, item in enumerate(plan.steps, start=1):
        row = next(line for line in lines if line.strip().startswith(f"{number} ") and item.name[:12] in line)
        assert item.forecast.verdict.replace("go with care", "care") in row
    assert plan.next_sentence[:30] in text
    assert "stage / °C" in text and "/ A" in text and "/ min" in text
