"""Every row of the catalogue has its case, or waits for recording, which comes with live instruments."""

import ast
import json
import re
from collections import Counter
from pathlib import Path

HERE = Path(__file__).parent
ROWS = json.loads((HERE / "catalogue.json").read_text(encoding="utf-8"))
LIVE = json.loads((HERE / "live.json").read_text(encoding="utf-8"))


def rows_with_a_case():
    found = set()
    for path in HERE.glob("test_*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FunctionDef) and (match := re.match(r"test_([A-Z]\d\d)_", node.name)):
                found.add(match[1])
    return found


def test_the_catalogue_is_whole():
    # Counts as stated beside the catalogue.
    assert len(ROWS) == len({row["id"] for row in ROWS}) == 182
    assert Counter(row["do"] for row in ROWS) == {"note": 55, "repair": 48, "refuse": 60, "alarm": 19}
    assert Counter(row["id"][0] for row in ROWS) == {
        "E": 19,
        "S": 40,
        "N": 18,
        "T": 26,
        "P": 28,
        "C": 17,
        "F": 18,
        "L": 16,
    }


def test_no_row_is_without_a_case():
    every, cases = {row["id"] for row in ROWS}, rows_with_a_case()
    assert cases <= every
    assert every - cases - set(LIVE) == set()


def test_only_rows_about_recording_wait_for_it():
    assert set(LIVE) <= {row["id"] for row in ROWS}
    assert {row["id"] for row in ROWS if row["do"] == "alarm"} <= set(LIVE)
    # Of the rows about files none but those of the recorder; every transport is one.
    assert {name for name in LIVE if name[0] != "L"} == {"F08", "F11", "F12", "F17", "F18"}
    assert sum(name[0] == "L" for name in LIVE) == 16


def test_the_how_to_states_the_counts():
    text = (HERE.parents[1] / "docs/how-to/read-messy-logs.md").read_text(encoding="utf-8")
    names = {
        "E": "encoding", "S": "structure", "N": "numbers", "T": "time", "P": "physics and sensors",
        "C": "configuration", "F": "files and system",
    }  # fmt: skip
    for letter, name in names.items():
        count = Counter(row["do"] for row in ROWS if row["id"][0] == letter and row["id"] not in LIVE)
        assert f"| {name} | {count['note']} | {count['repair']} | {count['refuse']} |" in text
