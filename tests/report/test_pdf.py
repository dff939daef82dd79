"""The guide as PDF: the same numbers, tagged, vectors, the same bytes every time, harmless whatever the logs say."""

import csv
import io
import re
from importlib import util
from itertools import product

import pytest
from pypdf import PdfReader
from pypdf.generic import ArrayObject, DictionaryObject, IndirectObject

from phasewright.bench import NotReady
from phasewright.findings import to_json
from phasewright.report import canvas, guide_document, write_guide
from phasewright.report import pdf as pdf_module
from phasewright.report.document import Bullets, Column, Document, Layout, Paragraph, Section, Table

OPENERS = (
    "<script>alert(1)</script>", "\"><img src=x onerror=alert(1)>", "javascript:alert(1)", "](javascript:alert(1))",
    "#panic(1)", '#read("/etc/passwd")', '#eval("1+1")', "#{while true {}}", "$ sum $", "*bold* _it_ `raw`",
    "```typ #panic(2)```", "#link(\"http://x.example\")[go]", "<label> @label", "/* comment", "// comment", "= heading",
    "\\u{1F600} \\ #", "#import \"@preview/x:0.0.1\"", "#set page(width: 1pt)", "#pdf.attach(\"x\")", "] #panic(3) [",
    "{{7*7}} ${7*7}", "%PDF-1.7 /JavaScript (x)", "=cmd|' /C calc'!A0", "~ -- --- ... 'q' \"q\"",
)  # fmt: skip
CLOSERS = ("", ")", "]", "}", "$", "\"", "*", "`", "\\", "#", "-->", "</svg>", "endobj", "\u202ex", "é漢", "])}>", ")))",
           "]]]", "$$", "''")  # fmt: skip
HOSTILE = [f"{a} {number} {b}" for number, (a, b) in enumerate(product(OPENERS, CLOSERS))]
"""500 texts that would do something if they were read as markup or code."""


@pytest.fixture(scope="module")
def written(analysis, tmp_path_factory):
    return write_guide(analysis, tmp_path_factory.mktemp("pdf") / "guide", pdf=True, version="9.8.7")


@pytest.fixture(scope="module")
def reader(written):
    return PdfReader(written.pdf)


@pytest.fixture(scope="module")
def text(reader):
    return plainly(" ".join(page.extract_text() for page in reader.pages))


def plainly(text: str) -> str:
    return " ".join(re.sub(r"[\u00a0\u202f]", " ", text.replace("\u200b", "")).split())


def bare(text: str) -> str:
    """Text without any space: lines may break anywhere."""
    return re.sub(r"[\s\u200b\u00a0\u202f]", "", text)


def things(reader):
    """Every object of the file that is a dictionary."""
    for number in range(1, len(reader.xref_objStm) + sum(len(x) for x in reader.xref.values()) + 1):
        found = reader.get_object(IndirectObject(number, 0, reader))
        if isinstance(found, DictionaryObject):
            yield found


def inside(thing, depth=0):
    """The dictionary and those written into it."""
    yield thing
    for value in thing.values():
        for item in value if isinstance(value, ArrayObject) else (value,):
            if isinstance(item, DictionaryObject) and depth < 6:
                yield from inside(item, depth + 1)


def document_of(*blocks) -> Document:
    return Document("A title", "", (("Bench", "b"),), "", (Section("one", "What?", blocks),), ("end",))


# ---- what it says ----------------------------------------------------------------------------------------------------


def test_every_question_title_caution_and_fingerprint_is_there(analysis, written, reader, text):
    document = guide_document(analysis, version="9.8.7")
    squeezed = bare(text)
    wanted = [s.question for s in document.sections] + [f.title for f in document.figures()]
    wanted += [f.note for f in document.figures()] + [c.action for c in document.cautions()] + [document.banner]
    wanted += [r.fingerprint.sha256 for r in analysis.recording.reports] + list(document.colophon)
    assert len(wanted) > 30
    assert [w for w in wanted if bare(w) not in squeezed] == []


def test_pages_are_numbered_and_the_contents_are_right(analysis, reader):
    pages = [plainly(page.extract_text()) for page in reader.pages]
    for number, page in enumerate(pages, start=1):
        assert f"{number} / {len(pages)}" in page
        assert "Simulated data" in page
    for section in guide_document(analysis, version="9.8.7").sections[2:]:
        listed = re.search(re.escape(section.question) + r"\s*(\d+)(?!\d)", pages[0])
        assert listed, section.question
        assert section.question in pages[int(listed[1]) - 1]
        assert int(listed[1]) == 1 or section.question not in pages[int(listed[1]) - 2]


def test_the_printed_numbers_are_those_of_the_json(analysis, text):
    table = text[text.index("What was found, step by step") :]
    checked = 0
    for step in to_json(analysis)["steps"]:
        row = re.search(
            re.escape(step["name"]) + r" \d+ \d+ W ([\d.]+) ± ([\d.]+) ([\d.]+) ± ([\d.]+) ([\d.]+) ± ([\d.]+)", table
        )
        if step["verdict"] == "tripped":
            continue
        for index, name in enumerate(("input_power", "package_power", "loss")):
            told = step["quantities"][name]
            value, half = row[2 * index + 1], row[2 * index + 2]
            for shown, exact in ((value, told["value"]), (half, 0.5 * (told["high95"] - told["low95"]))):
                last = 10.0 ** -len(shown.partition(".")[2])
                assert abs(float(shown) - exact) <= 0.5001 * last
                checked += 1
    assert checked >= 40


def test_the_attached_tables_are_those_beside_the_guide(written, reader):
    attached = {name: contents[0] for name, contents in reader.attachments.items()}
    beside = {path.name: path.read_bytes() for path in written.tables}
    assert attached == beside
    assert len(list(csv.reader(io.StringIO(attached["steps.csv"].decode())))) == 10


# ---- how it is made --------------------------------------------------------------------------------------------------


def test_it_is_tagged_and_every_figure_has_its_text(analysis, reader):
    root = reader.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"] and root["/Lang"] == "en" and root["/ViewerPreferences"]["/DisplayDocTitle"]
    assert reader.metadata.title == analysis.campaign.name
    assert "pdfuaid:part>1<" in reader.xmp_metadata.stream.get_data().decode()
    elements = [item for thing in things(reader) for item in [thing] if item.get("/Type") == "/StructElem" or "/S" in item]
    kinds = [str(item.get("/S")) for item in elements]
    drawn = [item for item in elements if item.get("/S") == "/Figure" and "/Alt" in item]
    told = {bare(str(item["/Alt"])) for item in drawn}
    figures = guide_document(analysis, version="9.8.7").figures()
    assert told == {bare(f"{figure.title}. {figure.description}") for figure in figures}
    for kind in ("/H1", "/H2", "/Table", "/TH", "/TD", "/P", "/TOC", "/Caption"):
        assert kind in kinds, kind


def test_figures_are_vectors(reader):
    pictures = [thing for thing in things(reader) if thing.get("/Subtype") == "/Image"]
    assert pictures == []


def test_the_same_analysis_gives_the_same_bytes_without_a_date(analysis, written):
    document = guide_document(analysis, version="9.8.7")
    plates = [canvas.draw_plate(f, Layout(max(pdf_module.PRINT, f.least)), f"{f.name}-p-") for f in document.figures()]
    again = pdf_module.pdf_of(document, {p.figure.name: (p.printed(), p.width, p.height) for p in plates})
    assert again == written.pdf.read_bytes()
    meta = PdfReader(io.BytesIO(again)).metadata
    assert "/CreationDate" not in meta and "/ModDate" not in meta


def test_no_text_leaves_the_page(reader):
    places = []
    for page in reader.pages:
        width, height = float(page.mediabox.width), float(page.mediabox.height)

        def see(text, cm, tm, font, size, width=width, height=height):
            if text.strip():
                x, y = cm[0] * tm[4] + cm[2] * tm[5] + cm[4], cm[1] * tm[4] + cm[3] * tm[5] + cm[5]
                places.append((50.0 <= x <= width - 50.0) and (25.0 <= y <= height - 25.0))

        page.extract_text(visitor_text=see)
    assert len(places) > 500 and all(places)


def test_a_guide_without_pdf_leaves_no_old_one_behind(make, tmp_path):
    (tmp_path / "guide").mkdir()
    (tmp_path / "guide" / "guide.pdf").write_bytes(b"an older guide")
    (tmp_path / "guide" / "mine.pdf").write_bytes(b"a person's own")
    made = write_guide(make.analysis(plans=make.plans[:1]), tmp_path / "guide")
    assert made.pdf is None and not (tmp_path / "guide" / "guide.pdf").exists()
    assert (tmp_path / "guide" / "mine.pdf").read_bytes() == b"a person's own"


def test_without_typst_the_mend_is_told_and_nothing_is_written(analysis, tmp_path, monkeypatch):
    monkeypatch.setattr(pdf_module, "find_spec", lambda name: None if name == "typst" else util.find_spec(name))
    with pytest.raises(NotReady, match=r"typst is not installed.*pip install 'phasewright\[pdf\]'"):
        write_guide(analysis, tmp_path / "guide", pdf=True)
    assert not (tmp_path / "guide").exists()


# ---- what it does not do ---------------------------------------------------------------------------------------------


def test_500_hostile_texts_are_shown_and_none_is_read_as_markup():
    assert len(HOSTILE) == 500
    columns = (Column("a", HOSTILE[4]), Column("b", "B"))
    blocks = (
        *(Paragraph(text) for text in HOSTILE[:250]),
        Bullets(tuple(HOSTILE[250:400])),
        Table("t", HOSTILE[5], columns, tuple((text, text) for text in HOSTILE[400:]), HOSTILE[6]),
    )
    made = pdf_module.pdf_of(document_of(*blocks), {})
    reader = PdfReader(io.BytesIO(made))
    shown = bare(" ".join(page.extract_text() for page in reader.pages))
    for text in HOSTILE:
        if "\u202e" in text or "漢" in text:  # set from right to left, or in a font that need not be there
            text = text.split(" \u202e")[0].split(" é")[0]
        for part in text.split(" "):  # a cell may be narrower than the text, and its neighbour stand between
            assert bare(part).replace("'", "") in shown.replace("'", "").replace("-\n", ""), text
    for thing in things(reader):
        for item in inside(thing):
            assert not {"/JS", "/URI", "/OpenAction", "/Launch", "/AA"} & set(item)
            assert item.get("/S") not in ("/JavaScript", "/URI", "/Launch", "/SubmitForm", "/GoToR", "/Named")


def test_words_that_no_line_holds_are_broken(tmp_path):
    word = "x" * 390
    made = pdf_module.pdf_of(
        document_of(Paragraph(word), Table("t", "T", (Column("a", "A"), Column("b", "B")), ((word, "b"),))), {}
    )
    page = PdfReader(io.BytesIO(made)).pages[0]
    lines = [line for line in page.extract_text().splitlines() if line.startswith("xxx")]
    assert len(lines) > 8 and max(map(len, lines)) < 130


def test_a_table_too_wide_for_the_page_is_parted_and_keeps_its_first_column():
    columns = (Column("step", "Step"), *(Column(f"c{i}", f"Quantity number {i}", "W", "number") for i in range(24)))
    rows = tuple((f"step {r}", *(1e6 + 1000.0 * r + i for i in range(24))) for r in range(3))
    made = pdf_module.pdf_of(document_of(Table("t", "Wide", columns, rows)), {})
    text = plainly(" ".join(page.extract_text() for page in PdfReader(io.BytesIO(made)).pages))
    assert text.count("step 2") > 1
    for row in range(3):
        for index in range(24):
            assert f"{1_000_000 + 1000 * row + index:,}".replace(",", " ") in text
