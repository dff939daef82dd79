"""The guide: whole, self-contained, the same every time, harmless, and all or nothing."""

import base64
import csv
import hashlib
import re
import subprocess
import sys
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import pytest
from markdown_it import MarkdownIt

from phasewright.report import guide as guide_module
from phasewright.report import guide_document, write_guide

PAYLOAD = "</script><img src=x onerror=alert(1)>{{7*7}}$x$|[a](javascript:alert(1))\u2028=1+1"


class Page(HTMLParser):
    """Collects tags, attributes and the text that a reader sees."""

    def __init__(self, text: str):
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str]]] = []
        self.shown: list[str] = []
        self.inside: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        self.inside.append(tag)

    def handle_endtag(self, tag):
        while self.inside and self.inside.pop() != tag:
            pass

    def handle_data(self, data):
        if not {"style"} & set(self.inside):
            self.shown.append(data)

    @property
    def text(self) -> str:
        return plainly(" ".join(self.shown))

    def named(self, tag: str) -> list[dict[str, str]]:
        return [attrs for name, attrs in self.tags if name == tag]


def plainly(text: str) -> str:
    return " ".join(text.replace("\u00a0", " ").replace("\u202f", " ").split())


def contents(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def rows_of(path: Path) -> list[list[str]]:
    return list(csv.reader(path.read_text(encoding="utf-8").splitlines()))


def records_of(files, name: str) -> list[dict[str, str]]:
    path = next(path for path in files.tables if path.stem == name)
    return list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))


@pytest.fixture(scope="module")
def written(analysis, tmp_path_factory):
    told = []
    files = write_guide(
        analysis, tmp_path_factory.mktemp("out") / "guide", progress=lambda f, t: told.append((f, t)), version="9.8.7"
    )
    return files, told


@pytest.fixture(scope="module")
def page(written):
    return Page(written[0].html.read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def hostile(make, tmp_path_factory):
    """A guide in which every foreign text is an attack."""
    bench = make.bench(name=PAYLOAD)
    bench = replace(
        bench,
        notes=PAYLOAD,
        board=replace(bench.board, name=PAYLOAD, description=PAYLOAD),
        processor=replace(bench.processor, name=PAYLOAD),
        cooling=replace(
            bench.cooling, chain=tuple(replace(p, name=PAYLOAD, source=PAYLOAD) for p in bench.cooling.chain)
        ),
        instruments=tuple(replace(i, description=PAYLOAD) for i in bench.instruments),
    )
    plans = tuple(replace(p, name=f"{PAYLOAD} {i}", reasons=(PAYLOAD,)) for i, p in enumerate(make.plans[3:6]))
    analysis = make.analysis(bench=bench, plans=plans, campaign_name=PAYLOAD, log_file=PAYLOAD, notes=(PAYLOAD,))
    cost = replace(analysis.campaign.cost, currency="=€<b>")
    steps = tuple(
        replace(
            f,
            step=replace(f.step, note=PAYLOAD, settings={**f.step.settings, "load": f"{PAYLOAD} {i}"}),
            margins=tuple(replace(m, limit=replace(m.limit, name=PAYLOAD, source=PAYLOAD)) for m in f.margins),
        )
        for i, f in enumerate(analysis.steps)
    )
    answers = tuple(replace(a, sentence=PAYLOAD) for a in analysis.answers)
    analysis = replace(
        analysis, campaign=replace(analysis.campaign, cost=cost, notes=PAYLOAD), steps=steps, answers=answers
    )
    return write_guide(analysis, tmp_path_factory.mktemp("hostile") / "guide", version=PAYLOAD)


# ---- self-contained --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("which", ["written", "hostile"])
def test_nothing_runs_and_nothing_is_fetched(which, request):
    found = request.getfixturevalue(which)
    files = found[0] if which == "written" else found
    text = files.html.read_text(encoding="utf-8")
    page = Page(text)
    allowed = {
        "html", "head", "meta", "title", "style", "body", "div", "header", "h1", "h2", "h3", "h4", "dl", "dt", "dd",
        "nav", "ol", "ul", "li", "a", "main", "section", "p", "b", "em", "span", "small", "aside", "figure", "desc",
        "figcaption", "details", "summary", "table", "caption", "thead", "tbody", "tr", "th", "td", "footer", "svg",
        "g", "path", "text", "tspan", "defs", "clippath", "use", "rect",
    }  # fmt: skip
    assert {tag for tag, _ in page.tags} <= allowed
    for tag, attrs in page.tags:
        assert not [name for name in attrs if name.startswith("on") or name in ("style", "src", "srcset", "action")], (
            tag
        )
        if "href" in attrs:
            assert re.fullmatch(r"#[\w-]+|tables/[\w-]+\.csv", attrs["href"]), attrs["href"]
    assert set(re.findall(r"url\(([^)]*)\)", text)) <= {f"#{name}" for name in re.findall(r'id="([^"]+)"', text)}
    assert not re.findall(r"(?<![\w>])(?:https?:)?//[a-z]", text.replace(PAYLOAD, ""))
    assert "@import" not in text


def test_the_policy_allows_one_style_sheet_and_nothing_else(written, page):
    policy = next(m["content"] for m in page.named("meta") if m.get("http-equiv") == "Content-Security-Policy")
    text = written[0].html.read_text(encoding="utf-8")
    style = re.search(r"<style>(.*?)</style>", text, re.DOTALL)[1]
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    assert policy == f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    assert text.count("<style") == 1


def test_payloads_are_shown_as_text(hostile):
    shown = Page(hostile.html.read_text(encoding="utf-8")).text
    wanted = plainly(PAYLOAD.replace("\u2028", "\\u2028"))
    assert shown.count(wanted) > 20
    for path in hostile.figures:
        if path.suffix == ".svg":
            root = ElementTree.fromstring(path.read_bytes())
            tags = {element.tag.rpartition("}")[2] for element in root.iter()}
            assert tags <= {
                "svg",
                "title",
                "desc",
                "style",
                "g",
                "path",
                "text",
                "tspan",
                "defs",
                "clipPath",
                "use",
                "rect",
            }
            assert not [
                k for e in root.iter() for k in e.attrib if k.startswith("on") or "href" in k and e.attrib[k][0] != "#"
            ]


def test_payloads_in_markdown_are_text(hostile):
    tokens = (
        MarkdownIt("commonmark", {"html": True}).enable("table").parse(hostile.markdown.read_text(encoding="utf-8"))
    )
    flat = [child for token in tokens for child in (token, *(token.children or ()))]
    assert not [t for t in flat if t.type in ("html_block", "html_inline", "code_inline", "fence", "code_block")]
    for token in flat:
        target = (
            (token.attrs.get("href") or token.attrs.get("src") or "") if token.type in ("link_open", "image") else ""
        )
        assert re.fullmatch(r"|(tables|figures)/[\w-]+\.(csv|svg|png)", target), target
    assert "{{" not in hostile.markdown.read_text(encoding="utf-8")


def test_payloads_in_tables_are_no_formula(hostile):
    for path in hostile.tables:
        for row in rows_of(path):
            for field in row:
                if field[:1] in "=+-@" and field:
                    float(field)


# ---- whole -----------------------------------------------------------------------------------------------------------


def test_every_step_with_verdict_and_reasons(analysis, page, written):
    markdown = plainly(written[0].markdown.read_text(encoding="utf-8").replace("\\", ""))
    for finding in analysis.steps:
        for shown in (page.text, markdown):
            assert finding.step.name in shown
            for reason in finding.reasons:
                assert reason in shown
    cards = [attrs["class"] for attrs in page.named("section") if attrs.get("class", "").startswith("step ")]
    assert cards == [f"step v-{finding.verdict}" for finding in analysis.steps]


def test_every_fingerprint(analysis, page, written):
    sums = [report.fingerprint.sha256 for report in analysis.recording.reports]
    sums += [analysis.bench.fingerprint, analysis.campaign.fingerprint]
    assert len(sums) == 4
    for digest in sums:
        assert digest in page.text and digest in written[0].markdown.read_text(encoding="utf-8")


def test_every_answer_note_repair_and_clock(analysis, page):
    for answer in analysis.answers:
        assert answer.sentence in page.text
    for note in analysis.notes:
        assert note.partition(": ")[2] in page.text
    for report in analysis.recording.reports:
        for remark in report.remarks:
            assert remark.what in page.text
    for clock in analysis.recording.clocks:
        assert clock.log in page.text and clock.status in page.text
    for finding in analysis.steps:
        for _, _, why in finding.window.discarded:
            assert why in page.text
        for item in finding.missing:
            assert item.why in page.text and item.mend in page.text


def test_every_question_has_its_chapter(page):
    anchors = [attrs.get("id") for attrs in page.named("section") if attrs.get("class") == "question"]
    assert anchors == ["answers", "bench", "hold", "heat", "waste", "first", "trust"]
    links = [attrs["href"] for attrs in page.named("a") if attrs["href"].startswith("#")]
    ids = {attrs["id"] for _, attrs in page.tags if "id" in attrs}
    assert {link[1:] for link in links} <= ids and "#trust" in links


def test_no_safety_function_and_who_comes_first(page):
    for words in ("no safety function", "Data sheets", "makers' instructions", "local rules", "qualified people"):
        assert words in page.text


def test_how_it_was_computed_names_its_sources(page):
    for words in ("JCGM 100:2008", "loss = P_input − P_package", "3 % and 1 W", "R_th = rise / loss", "above 0.9"):
        assert words in page.text


def test_version_is_what_was_passed_in(page, analysis):
    assert "Phasewright 9.8.7" in page.text
    assert "Phasewright 9.8.7" not in str(guide_document(analysis))


def test_every_figure_has_its_numbers_its_file_and_its_words(analysis, written, page):
    files, _ = written
    document = guide_document(analysis)
    tables = {path.stem for path in files.tables}
    stems = {path.stem for path in files.figures}
    assert stems == {figure.name for figure in document.figures()} and len(stems) == 9
    assert tables == {table.name for table in document.tables()}
    markdown = files.markdown.read_text(encoding="utf-8")
    tokens = MarkdownIt("commonmark").parse(markdown)
    images = {c.attrs["src"]: c.content for t in tokens for c in (t.children or ()) if c.type == "image"}
    for figure in document.figures():
        assert figure.numbers.rows and figure.numbers.name in tables
        assert plainly(figure.title) in page.text and plainly(figure.subtitle) in page.text
        assert len(images[f"figures/{figure.name}.svg"]) > 30, "alternative text"
    drawings = page.named("svg")
    assert len(drawings) == 18
    for svg in drawings:
        assert svg["role"] == "img" and len(svg["aria-labelledby"].split()) == 2


def test_tables_hold_the_very_numbers(analysis, written):
    rows = {row["step"]: row for row in records_of(written[0], "steps")}
    assert list(rows) == [finding.step.name for finding in analysis.steps]
    checked = 0
    for finding in analysis.steps:
        for name, unit in (
            ("input_power", "W"),
            ("loss", "W"),
            ("regulator_temperature", "degC"),
            ("phase_current", "A"),
        ):
            found = finding.quantities.get(name)
            cells = [rows[finding.step.name][f"{name}_{unit}{end}"] for end in ("", "_u", "_low95", "_high95")]
            if found is None:
                assert cells == [""] * 4
            else:
                assert [float(c) for c in cells] == [found.value, found.u, found.low95, found.high95]
                checked += 1
    assert checked == 32
    margins = records_of(written[0], "margins")
    assert len(margins) == sum(len(finding.margins) for finding in analysis.steps)
    assert any(float(row["margin"]) < 0.0 for row in margins), "negative numbers stay numbers"


def test_the_page_prints_the_same_numbers_as_its_tables(analysis, page):
    """Every value in the chapter's table stands in the page, rounded by its own interval."""
    for finding in analysis.steps[:4]:
        found = finding.quantities["input_power"]
        assert f"{found.value:.1f} ± {found.high95 - found.value:.1f}" in page.text


# ---- simulated -------------------------------------------------------------------------------------------------------


def test_simulated_is_said_everywhere(written, page):
    files, _ = written
    assert page.shown[0].strip() == "" and page.named("p")[0] == {"class": "banner", "role": "note"}
    assert page.text.count("Simulated data.") >= 8
    assert "**Simulated data" in files.markdown.read_text(encoding="utf-8")
    for path in files.figures:
        if path.suffix == ".svg":
            assert "Simulated data." in path.read_text(encoding="utf-8")
    for path in files.tables:
        rows = rows_of(path)
        assert rows[0][-1] == "data" and all(row[-1] == "simulated" for row in rows[1:])


def test_measured_campaigns_do_not_say_simulated(make):
    document = guide_document(make.analysis(simulated=False))
    assert document.banner == ""
    marked = make.analysis(simulated=False)
    marked = replace(marked, campaign=replace(marked.campaign, simulated=True))
    assert guide_document(marked).banner


# ---- all or nothing, and the same every time -------------------------------------------------------------------------


def test_the_same_analysis_gives_the_same_bytes(written, tmp_path):
    """Made again in a fresh process, where sets and dictionaries of text come in another order."""
    code = (
        "import sys; sys.path.insert(0, sys.argv[1]); import conftest\n"
        "from phasewright.report import write_guide\n"
        "write_guide(conftest.build(), sys.argv[2], version='9.8.7')"
    )
    again = tmp_path / "again"
    subprocess.run([sys.executable, "-W", "error", "-c", code, str(Path(__file__).parent), str(again)], check=True)
    assert contents(again) == contents(written[0].folder)


@pytest.fixture
def light_guide(monkeypatch):
    """Write guides without their drawings, which take most of the time."""
    monkeypatch.setattr("phasewright.report.document.Document.figures", lambda self: ())
    monkeypatch.setattr(guide_module, "html_text", lambda document, drawings, links: "page\n")


def test_a_failure_leaves_nothing_behind(analysis, tmp_path, monkeypatch, light_guide):
    def fail(*_):
        raise OSError("disk full")

    monkeypatch.setattr(guide_module, "csv_of", fail)
    with pytest.raises(OSError, match="disk full"):
        write_guide(analysis, tmp_path / "guide")
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "guide").mkdir()
    (tmp_path / "guide" / "index.html").write_text("older")
    with pytest.raises(OSError, match="disk full"):
        write_guide(analysis, tmp_path / "guide")
    assert contents(tmp_path) == {"guide/index.html": b"older"}


def test_an_older_guide_is_replaced_and_foreign_files_stay(analysis, tmp_path, light_guide):
    folder = tmp_path / "guide"
    (folder / "figures").mkdir(parents=True)
    (folder / "figures" / "stale.svg").write_text("stale")
    (folder / "photos").mkdir()
    (folder / "photos" / "bench.jpg").write_bytes(b"jpeg")
    (folder / "remarks.txt").write_text("mine")
    write_guide(analysis, folder)
    found = contents(folder)
    assert found["photos/bench.jpg"] == b"jpeg" and found["remarks.txt"] == b"mine"
    assert "figures/stale.svg" not in found and "index.html" in found
    assert [path.name for path in tmp_path.iterdir()] == ["guide"]


def test_a_file_in_the_way_is_refused(analysis, tmp_path):
    (tmp_path / "guide").write_text("a file")
    with pytest.raises(NotADirectoryError, match="is a file"):
        write_guide(analysis, tmp_path / "guide")


def test_progress_rises_to_one(written):
    _, told = written
    fractions = [fraction for fraction, _ in told]
    assert fractions == sorted(fractions) and fractions[0] == 0.0 and fractions[-1] == 1.0
    assert len(told) > 8 and all(text for _, text in told)


# ---- thin analyses ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("what", ["no steps", "no quantities", "no traces", "one clock", "no phase counts"])
def test_what_is_missing_is_said_and_nothing_breaks(make, analysis, tmp_path, what):
    thin = {
        "no steps": lambda: replace(analysis, steps=(), comparisons=(), answers=()),
        "no quantities": lambda: replace(
            analysis, comparisons=(), steps=tuple(replace(f, quantities={}, margins=()) for f in analysis.steps)
        ),
        "no traces": lambda: replace(analysis, recording=replace(analysis.recording, traces={})),
        "one clock": lambda: replace(
            analysis, recording=replace(analysis.recording, clocks=analysis.recording.clocks[:1])
        ),
        "no phase counts": lambda: replace(
            analysis,
            steps=tuple(
                replace(
                    f,
                    step=replace(f.step, settings={}),
                    quantities={k: v for k, v in f.quantities.items() if k != "phase_count"},
                )
                for f in analysis.steps
            ),
        ),
    }[what]()
    from phasewright.report import Layout
    from phasewright.report.canvas import draw_plate

    document = guide_document(thin)
    assert [section.anchor for section in document.sections][:3] == ["answers", "bench", "hold"]
    for figure in document.figures():
        assert "<" in draw_plate(figure, Layout(350.0), "x-").inside or figure.name == "verdicts"


def test_the_simulated_bench_gives_a_whole_guide(tmp_path):
    """The real path: logs as the virtual bench writes them, read, aligned, analysed, told."""
    from phasewright import findings, logs
    from phasewright.bench import read_bench, read_campaign
    from phasewright.live import demo_scenario, make_campaign

    make_campaign(tmp_path, demo_scenario(), 3)
    bench, campaign = read_bench(tmp_path / "bench.toml"), read_campaign(tmp_path)
    opened = {entry.name: logs.open_log(tmp_path, entry, bench.instrument(entry.instrument)) for entry in campaign.logs}
    recording = logs.align(opened, bench, campaign)
    spans = logs.find_steps(recording, campaign)
    steps = {step.name: step for step in campaign.steps}
    windows = tuple(logs.find_window(recording, span, steps[span.name], bench, campaign) for span in spans)
    analysis = findings.analyze(bench, campaign, recording, spans, windows)
    document = guide_document(analysis)
    assert document.banner
    assert {figure.name for figure in document.figures()} >= {"bench", "verdicts", "heat", "waste", "margins", "traces"}
    cards = [b for s in document.sections for b in s.blocks if type(b).__name__ == "StepCard"]
    assert len(cards) == len(campaign.steps)
    assert {c.name for c in document.cautions()} >= {"hot", "current"}
