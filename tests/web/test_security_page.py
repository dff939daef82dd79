"""The reference page on security: every test that it names is there, every check and every item is on it."""

import re
from pathlib import Path

PROJECT = Path(__file__).parents[2]
PAGE = (PROJECT / "docs" / "reference" / "web-security.md").read_text("utf-8")
FIRST = (
    "1.2.1 1.2.2 1.2.3 1.2.4 1.2.5 1.3.1 1.3.2 1.5.1 2.1.1 2.2.1 2.2.2 2.3.1 3.2.1 3.2.2 3.3.1 3.4.1 3.4.2 3.5.1 3.5.2 3.5.3 "
    "4.1.1 4.4.1 5.2.1 5.2.2 5.3.1 5.3.2 13.4.1 14.2.1 14.3.1 15.1.1 15.2.1 15.3.1"
).split()
"""Level 1 in chapters V1 to V5 and V13 to V15: OWASP ASVS 5.0.0, table of requirements (English CSV)."""
HIGHER = ("1.2.10 3.4.3 3.4.4 3.4.5 3.4.6 4.4.2 5.2.3 5.4.1 5.4.2 13.4.2 15.1.2 16.4.1 16.5.1 16.5.2 16.5.3 16.5.4").split()


def test_every_test_that_is_named_is_there():
    named = re.findall(r"`(test_\w+)::(test_\w+)`", PAGE)
    assert len(named) > 35
    for file, name in named:
        texts = [path.read_text("utf-8") for path in (PROJECT / "tests").glob(f"*/{file}.py")]
        assert any(f"def {name}(" in text for text in texts), f"{file}::{name}"


def test_every_check_has_its_row_and_its_measurement():
    rows = dict(re.findall(r"^\| (K\d\d) [^|]*\|[^|]*\| ([^|]*) \|$", PAGE, re.MULTILINE))
    assert list(rows) == [f"K{number:02d}" for number in range(1, 21)]
    assert not [name for name, measured in rows.items() if "@" in measured or len(measured) < 8]


def test_every_item_of_the_standard_is_answered():
    items = re.findall(r"^\| (\d+\.\d+\.\d+) [^|]*\| (\d) \| (\w+) \| ([^|]+) \|$", PAGE, re.MULTILINE)
    assert [name for name, level, *_ in items if level == "1"] == FIRST
    assert [name for name, level, *_ in items if level != "1"] == HIGHER
    assert [here for _, level, here, _ in items if level == "1"].count("pass") == 27
    assert [name for name, _, here, _ in items if here == "exception"] == ["1.3.1", "1.5.1", "3.3.1", "3.4.1", "4.4.1"]
    assert {here for _, _, here, _ in items} == {"pass", "exception"} and "27 pass, 5 exceptions" in PAGE
