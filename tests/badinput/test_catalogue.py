"""Every row of the catalogue that is about log files has its case."""

import ast
import json
import re
from collections import Counter
from pathlib import Path

HERE = Path(__file__).parent
ROWS = json.loads((HERE / "catalogue.json").read_text(encoding="utf-8"))


def test_the_catalogue_is_whole():
    # Counts as stated beside the catalogue.
    assert len(ROWS) == 182
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


def test_every_row_about_reading_files_has_a_case():
    found = set()
    for path in HERE.glob("test_*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FunctionDef) and (match := re.match(r"test_([A-Z]\d\d)_", node.name)):
                found.add(match[1])
    wanted = {row["id"] for row in ROWS if row["id"][0] in "ESNT"}
    # JSON with duplicate keys (S40) is no log: a file that is JSON is refused as such.
    assert wanted - found == set()
