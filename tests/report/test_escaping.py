"""Foreign text runs nowhere: rows C11 to C17 of the catalogue of bad inputs, through every text the guide writes."""

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st
from markdown_it import MarkdownIt

from phasewright.quantity import Value
from phasewright.report.document import Column, Table
from phasewright.report.escaping import clean, csv_text, markdown_text, paragraphs, slug
from phasewright.report.tables import csv_of

PAYLOADS = [
    "=1+1",
    "+1",
    "-1+cmd",
    "@SUM(A1)",
    "\tx",
    "\rx",
    "\0x",
    "＝1",
    "<img src=x onerror=alert(1)>",
    "</script><script>alert(1)</script>",
    "</title></style><svg onload=alert(1)>",
    "[click](javascript:alert(1))",
    "![x](https://example.org/x.png)",
    "<javascript:alert(1)>",
    "https://example.org/track",
    "www.example.org",
    "user@example.org",
    "line one\nline two [12:00] fake entry",
    "{0.__class__} %s%n ${x} {{7*7}} {% raw %}",
    "$x$ $$y$$ `z` *a* _b_ ~~c~~ | d # e",
    "# heading",
    "1. list",
    "- list",
    "> quote",
    "``` code",
    "&lt;b&gt; &amp; &#60;",
    "\u2028after \u202eevil\u202c \u2066x\u2069",
    "\ud800 lone",
    "a\\b\\\\c",
    "\"quoted\", 'single'",
    "\x1b[31mred",
]


@pytest.mark.parametrize("payload", PAYLOADS, ids=ascii)
def test_clean_text_is_one_printable_line(payload):
    shown = clean(payload)
    assert all(ch.isprintable() or ch in "\u00a0\u202f" for ch in shown)
    assert not set(shown) & set("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u2028\n\r\t\0")
    shown.encode("utf-8")


@pytest.mark.parametrize("payload", PAYLOADS, ids=ascii)
def test_markdown_shows_the_text_and_nothing_else(payload):
    """Read back with a general Markdown reader, tables and all links allowed: one paragraph of text, the same text."""
    reader = MarkdownIt("commonmark", {"html": True}).enable(["table", "strikethrough"])
    tokens = reader.parse(markdown_text(payload))
    assert [token.type for token in tokens] == ["paragraph_open", "inline", "paragraph_close"]
    kinds = {child.type for child in tokens[1].children}
    assert kinds <= {"text", "text_special"}, kinds
    assert "".join(child.content for child in tokens[1].children) == clean(payload).strip(" ")


@pytest.mark.parametrize("payload", PAYLOADS, ids=ascii)
def test_markdown_cell_stays_one_cell(payload):
    reader = MarkdownIt("commonmark").enable("table")
    tokens = reader.parse(f"| a | b |\n| --- | --- |\n| {markdown_text(payload)} | end |\n")
    cells = [tokens[i + 1].content for i, token in enumerate(tokens) if token.type == "td_open"]
    assert len(cells) == 2 and cells[1] == "end"


def test_template_braces_and_bare_links_are_parted_in_the_source():
    """Engines that read {{ }} or link bare addresses before Markdown does find neither."""
    assert "{{" not in markdown_text("{{7*7}}") and "{%" not in markdown_text("{% raw %}")
    assert markdown_text("https://example.org") == "https\\://example.org"
    assert markdown_text("www.example.org") == "www\\.example.org"
    assert markdown_text("javascript:alert(1)") == "javascript\\:alert(1)"


@given(st.text(max_size=60))
def test_any_text_is_written_safely(text):
    assert all(ch.isprintable() or ch in "\u00a0\u202f" for ch in clean(text))
    assert "<" not in markdown_text(text) and "\n" not in markdown_text(text)
    assert not csv_text(text).startswith(("=", "+", "-", "@", "\t", "\r", "\0"))


@pytest.mark.parametrize("payload", ["=1+1", "+1", "-1+cmd", "@SUM(A1)", "\tx", "\rx", "\0x", "  =1", "-1.5", "＝1"])
def test_formula_cells_get_a_quote(payload):
    """A text field that looks like a number is text, too."""
    assert csv_text(payload).startswith("'")


@pytest.mark.parametrize("text", ["8 phases, 350 W", "a=b", "3-phase", "'quoted", "", "µΩ"])
def test_plain_text_stays_as_it_is(text):
    assert csv_text(text) == text


@given(st.floats(allow_nan=True, allow_infinity=True), st.floats(allow_nan=True, allow_infinity=True))
def test_numbers_come_back_bit_for_bit(number, other):
    """K13: bare numbers, negative ones too; what is not finite is an empty field, never a word."""
    value = Value(number, "A", abs(other), number, other)
    table = Table("t", "t", (Column("x", "X", "A", "value"), Column("y", "Y", "s", "number")), ((value, other),))
    head, row = list(csv.reader(io.StringIO(csv_of(table, simulated=False))))
    assert head == ["x_A", "x_A_u", "x_A_low95", "x_A_high95", "x_kind", "y_s"]
    for text, expected in zip(row, (number, abs(other), number, other, None, other), strict=True):
        if expected is None:
            continue
        if expected != expected or expected in (float("inf"), float("-inf")):
            assert text == ""
        else:
            assert not text.startswith("'") and float(text) == expected


def test_simulated_is_said_in_every_row():
    table = Table("t", "t", (Column("x", "X"),), (("a",), ("b",)))
    rows = list(csv.reader(io.StringIO(csv_of(table, simulated=True))))
    assert rows == [["x", "data"], ["a", "simulated"], ["b", "simulated"]]


def test_notes_keep_their_paragraphs():
    assert paragraphs("one\ntwo\n\n<b>three</b>\r\n") == ["one two", "<b>three</b>"]
    assert paragraphs("") == []


def test_slugs_are_harmless_names():
    assert slug("../../etc/passwd") == "etc-passwd"
    assert slug("EPS 1 µΩ <x>") == "eps-1-x"
    assert slug("") == "x"
