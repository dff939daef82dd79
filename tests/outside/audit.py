"""K18 of the project's list with general tools: known flaws of packages, security linter, secrets, list of components.

`make audit` runs it from an environment of its own (`requirements.lock.txt` beside this file). Each tool ends in one
line; exit 1 where one finds something, exit 3 where one could not ask its database from this machine (which is told, and
is no pass).

Usage: python tests/outside/audit.py FOLDER-OF-THE-TOOLS
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
LOCKS = ("requirements.lock.txt", "requirements-dev.lock.txt", "tests/outside/requirements.lock.txt")
LOOKED_AT = {
    # What a linter or a search for secrets shows, was looked at, and is none; the reason stands beside it.
    ("B608", "src/phasewright/app/library/asking.py"): "only our own column names and question marks are put into queries",
    ("B314", "src/phasewright/report/canvas.py"): "the drawing library's own output is parsed, nothing foreign",
    ("B704", "src/phasewright/report/html.py"): "our own style sheet, drawings and slots; every foreign text is escaped",
    ("Base64 High Entropy String", "src/phasewright/logs/_names.py"): "a list of words",
    ("Secret Keyword", "docs/reference/web-security.md"): "the name of a test",
    ("Hex High Entropy String", "tests/web/test_guard.py"): "the published fingerprint of a script that is shipped",
}


def ran(tools: Path, name: str, *words: str) -> subprocess.CompletedProcess[str]:
    """Run one tool in the project's folder."""
    return subprocess.run([str(tools / name), *words], capture_output=True, text=True, cwd=ROOT, check=False, timeout=900)


def flaws(tools: Path) -> int:
    """Ask for known flaws of every package that is held."""
    code = 0
    for lock in LOCKS:
        done = ran(tools, "pip-audit", "-r", lock, "--disable-pip", "--require-hashes", "--progress-spinner", "off", "-f", "json")
        try:
            told = json.loads(done.stdout)["dependencies"]
        except (ValueError, KeyError):
            print(f"known flaws, {lock}: NOT ASKED, {(done.stderr.strip().splitlines() or ['no answer'])[-1][:200]}")
            code = max(code, 3)
            continue
        unasked = [item["name"] for item in told if "skip_reason" in item]
        found = [(item["name"], item["version"], flaw["id"]) for item in told for flaw in item.get("vulns", ())]
        print(f"known flaws, {lock}: {len(told) - len(unasked)} packages asked for, {len(found)} flaws {found or ''}"
              + (f", {len(unasked)} NOT ASKED: the database does not answer for them from here" if unasked else ""))
        code = 1 if found else max(code, 3 if unasked else 0)
    return code


def linted(tools: Path) -> int:
    """Run the security linter over what is shipped: nothing of medium grade or above but what was looked at."""
    done = ran(tools, "bandit", "-r", "src", "-q", "-f", "json", "--severity-level", "medium")
    told = json.loads(done.stdout)["results"]
    left = [item for item in told if (item["test_id"], item["filename"]) not in LOOKED_AT]
    for item in left:
        print(f"  {item['filename']}:{item['line_number']} {item['test_id']} {item['issue_text']}")
    print(f"security linter: {len(left)} findings of medium grade or above ({len(told) - len(left)} looked at before)")
    return 1 if left else 0


def secrets(tools: Path) -> int:
    """Look for secrets in every file that is kept, lock files and the accessibility checker's script aside."""
    listed = subprocess.run(["git", "ls-files"], capture_output=True, text=True, cwd=ROOT, check=True).stdout.split("\n")
    files = [name for name in listed if name and not name.endswith((".lock.txt", "axe.min.js", ".csv"))]
    found, shown = 0, 0
    for start in range(0, len(files), 200):
        told = json.loads(ran(tools, "detect-secrets", "scan", "--no-verify", *files[start : start + 200]).stdout)["results"]
        for name, items in told.items():
            for item in items:
                if (item["type"], name) in LOOKED_AT:
                    shown += 1
                    continue
                found += 1
                print(f"  {name}:{item['line_number']} {item['type']}")
    print(f"secrets: {found} in {len(files)} files ({shown} looked at before)")
    return 1 if found else 0


def components(tools: Path) -> int:
    """Write the list of components of what is shipped, each with its fingerprints."""
    (ROOT / "build").mkdir(exist_ok=True)
    place = ROOT / "build" / "components.cdx.json"
    done = ran(tools, "cyclonedx-py", "requirements", "requirements.lock.txt", "--pyproject", "pyproject.toml",
               "--output-reproducible", "-o", str(place))  # fmt: skip
    if done.returncode != 0:
        print(f"components: {done.stderr[-400:]}")
        return 1
    told = json.loads(place.read_text("utf-8"))["components"]
    bare = [item["name"] for item in told if not any(ref.get("hashes") for ref in item.get("externalReferences", ()))
            and not item.get("hashes")]  # fmt: skip
    print(f"components: {len(told)} in build/components.cdx.json, {len(bare)} without a fingerprint")
    return 1 if bare else 0


def main() -> int:
    """Run all of them; 1 weighs more than 3."""
    tools = Path(sys.argv[1])
    codes = [check(tools) for check in (linted, secrets, components, flaws)]
    return 1 if 1 in codes else max(codes)


if __name__ == "__main__":
    sys.exit(main())
