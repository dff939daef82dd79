"""The chapter What would be enough?: the same numbers as the search gives a program, in HTML, Markdown and PDF."""

import csv
import io
import re
from dataclasses import replace
from importlib.resources import files

import pytest
from pypdf import PdfReader

from phasewright.app import jobs
from phasewright.design import design_json
from phasewright.report import canvas, design_section, guide_document
from phasewright.report.document import Document, Figure, Layout, Table
from phasewright.report.html import html_text
from phasewright.report.markdown import markdown_of
from phasewright.report.pdf import PRINT, pdf_of

KEPT = {
    "stage": ("stage 90 quick", "stage 80"), "inductor": ("inductor 150 nH low", "inductor 180 nH"),
    "capacitor": ("ceramic 22 uF array", "electrolytic 470 uF"), "controller": ("controller 8",),
    "cooler": ("plate, bare", "plate, soft pad"), "connector": ("input 2 x 4",),
}  # fmt: skip


def small_catalogue(folder):
    """Write the shipped example, cut down to a few parts, two phase counts and one frequency."""
    templates = files("phasewright.design") / "templates"
    blocks = re.split(r"(?m)^(?=\[\[)", (templates / "catalogue.toml").read_text("utf-8"))
    some = [
        block for block in blocks[1:]
        if re.search(r'name = "([^"]+)"', block)[1] in KEPT.get(re.match(r"\[\[(\w+)\]\]", block)[1], ())
    ]  # fmt: skip
    assert len(some) == 10
    (folder / "catalogue.toml").write_text("".join([blocks[0], *some]), encoding="utf-8")
    need = (templates / "requirement.toml").read_text("utf-8")
    need = need.replace("phase_count = [4, 14]", "phase_count = [7, 8]")
    need = re.sub(r"(?m)^switching_frequency.*$", 'switching_frequency = ["400 kHz"]', need)
    (folder / "requirement.toml").write_text(need, encoding="utf-8")


@pytest.fixture(scope="module")
def design(tmp_path_factory):
    folder = tmp_path_factory.mktemp("design")
    small_catalogue(folder)
    return jobs.design(folder, draws=2000)


@pytest.fixture(scope="module")
def told(design):
    return design_json(design)


@pytest.fixture(scope="module")
def section(design):
    return design_section(design)


def table(section, name) -> Table:
    found = {b.name: b for b in section.blocks if isinstance(b, Table)}
    found |= {b.numbers.name: b.numbers for b in section.blocks if isinstance(b, Figure)}
    return found[name]


def column(table, name) -> list:
    index = [item.name for item in table.columns].index(name)
    return [row[index] for row in table.rows]


def test_the_parts_add_up_to_the_cost_that_a_program_is_told(section, told):
    parts = table(section, "design-parts")
    costs = [float(text) for text in column(parts, "cost")]
    assert costs[-1] == pytest.approx(told["chosen"]["cost"], abs=0.005)
    assert sum(costs[:-1]) == pytest.approx(costs[-1], abs=0.04)
    for price, count, cost in zip(column(parts, "each"), column(parts, "count"), costs, strict=True):
        assert price is None or float(price) * count == pytest.approx(cost, abs=0.005 * count)


def test_every_neighbour_stands_with_its_reason(section, told):
    neighbours = table(section, "design-neighbours")
    assert len(neighbours.rows) == len(told["neighbours"]) > 3
    for why, cost, item in zip(column(neighbours, "why"), column(neighbours, "cost"), told["neighbours"], strict=True):
        assert why == "; ".join(item["fails"]) and float(cost) == pytest.approx(item["cost"], abs=0.005)
    assert any("fails in" in why for why in column(neighbours, "why"))
    assert any("more over its life" in why for why in column(neighbours, "why"))


def test_what_money_buys_and_what_would_change_the_choice_are_all_told(section, told):
    if told["purchases"]:
        bought = table(section, "design-purchases")
        assert [float(x) for x in column(bought, "more")] == [pytest.approx(p["cost"], abs=0.005) for p in told["purchases"]]
    changes = table(section, "design-sensitivities")
    assert len(changes.rows) == len(told["sensitivities"]) > 5
    shown = [item["changes"] for item in told["sensitivities"]]
    assert [then != "the choice stays" for then in column(changes, "then")] == shown


def test_cooling_against_phases_is_drawn_from_the_trades(section, told):
    trades = table(section, "design-trades")
    assert column(trades, "held") == [item["held"] for item in told["trades"]]
    for text, item in zip(column(trades, "total_cost"), told["trades"], strict=True):
        assert (text is None) == (item["member"] is None)
        assert text is None or float(text) == pytest.approx(item["member"]["total_cost"], abs=0.005)


def test_the_front_stands_behind_its_figure(section, told):
    front = table(section, "front")
    assert [row for row in column(front, "cost")] == [item["cost"] for item in told["front"]]


def test_the_chapter_stands_in_all_three_forms_of_the_guide(make, design, told):
    analysis = make.analysis(plans=make.plans[:1])
    document = guide_document(analysis, design=design)
    assert [s.question for s in document.sections][-2:] == ["What would be enough?", "Can it be trusted?"]
    plates = [canvas.draw_plate(f, Layout(max(PRINT, f.least)), f"{f.name}-p-") for f in document.figures()]
    made = pdf_of(document, {p.figure.name: (p.printed(), p.width, p.height) for p in plates})
    pdf = re.sub(r"[\s\u200b]", "", " ".join(page.extract_text() for page in PdfReader(io.BytesIO(made)).pages))
    html = html_text(document, {p.figure.name: (p.inline(), p.inline()) for p in plates})
    markdown = markdown_of(document)
    cost = f"{told['chosen']['cost']:.2f}"
    for text in (pdf, html, markdown):
        assert cost in text.replace("\\", "") and told["chosen"]["choice"]["stage"].replace(" ", "") in text.replace(" ", "")
    assert "Whatwouldbeenough?" in pdf and "Inventedpartsandprices" in pdf
    assert "![" in markdown and "(figures/front.svg)" in markdown and "(figures/design-trades.svg)" in markdown
    attached = PdfReader(io.BytesIO(made)).attachments["front.csv"][0].decode("utf-8")
    rows = list(csv.DictReader(io.StringIO(attached)))
    assert [float(row["cost"]) for row in rows] == [item["cost"] for item in told["front"]]


def test_hostile_names_of_parts_are_shown_and_no_more(design):
    payload = "<script>alert(1)</script>#panic(1)[x](javascript:alert(1))"
    chosen = design.verdict.chosen
    hostile = replace(chosen, choice=replace(chosen.choice, stage=payload, cooler=payload))
    members = tuple(replace(m, choice=replace(m.choice, stage=payload, cooler=payload)) for m in design.front.members)
    verdict = replace(design.verdict, chosen=hostile, sentence=f"{payload} would be enough.")
    bad = replace(design, verdict=verdict, front=replace(design.front, members=members))
    document = Document("A title", "", (), "", (design_section(bad),), ())
    plates = [canvas.draw_plate(f, Layout(PRINT), f"{f.name}-p-") for f in document.figures()]
    html = html_text(document, {p.figure.name: (p.inline(), p.inline()) for p in plates})
    made = pdf_of(document, {p.figure.name: (p.printed(), p.width, p.height) for p in plates})
    assert "<script>alert" not in html and "&lt;script&gt;alert" in html
    assert "](javascript:" not in markdown_of(document)
    shown = re.sub(r"[\s\u200b]", "", " ".join(page.extract_text() for page in PdfReader(io.BytesIO(made)).pages))
    assert "<script>alert(1)</script>#panic(1)" in shown
