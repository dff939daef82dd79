"""Would the tests notice? Small faults are put into recorder, parser and safety, one at a time, and the tests asked.

    python benchmarks/mutants.py                                 all three areas, 150 faults each
    python benchmarks/mutants.py parser --seed 7 --count 50      one area, other faults, fewer of them
    python benchmarks/mutants.py --only live/guard.py            one file

A seeded sample of all faults that can be made: comparisons swapped and shifted by one, + and -, * and /, `and` and `or`,
constants one up or down, conditions negated, statements left out, None returned. A fault is asked about with the tests of its
area that go through its line (as `benchmarks/covered.py` measured), from each file in turn, short ones first, up to BUDGET
seconds of them. It is
killed when one fails that passes again right afterwards without the fault, or when a process runs out of its time. A test
that fails without any fault, or takes longer than LONGEST alone, is set aside, named at the end, and the others go on.
Survivors are printed with what was changed. Exit 1 below GOAL.
"""

from __future__ import annotations

import argparse
import ast
import compileall
import copy
import gc
import json
import os
import random
import re
import resource
import shutil
import signal
import subprocess
import sys
import time
import types
from collections import Counter
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

import covered

GOAL = 85.0
BUDGET, MOST = 12.0, 60
"""[s], tests: asked about one fault."""
QUICK = 0.3
"""[s] Tests that take longer are asked after all others."""
LONGEST = 15.0
"""[s] one test alone, with what it sets up: a longer one is not asked, else a slow machine would count as a kill."""
BUILD = covered.ROOT / "build" / "mutants"
MARK = "PHASEWRIGHT_MUTANT"
"""Every process that a test starts carries this in its environment, so that none outlives its fault."""

EQUIVALENT: dict[tuple[str, str, str], str] = {
    ("live/journal/reading.py", "session, seq, any_head = 0, -1, False", "1  ->  2"): "what it is compared with is -1 or more",
    ("live/journal/reading.py", "heads, last = [], -1", "1  ->  2"): "a head counts as -1, and so does where it is handed to",
    ("live/recorder.py", "if wait > 0:", "wait > 0  ->  wait >= 0"): "waits for no time, and looks at the clock again",
    ("live/recorder.py", "began_ns: int = 0", "0  ->  -1"): "set as the recorder opens, before anybody reads it",
    ("live/recorder.py", "began_ns: int = 0", "0  ->  1"): "set as the recorder opens, before anybody reads it",
    ("live/recorder.py", "self.clock.sleep(max((due - now) * 1e-9, 0.0))", "0.0  ->  -1.0"): "a clock waits for no less than 0 s",
    ("live/journal/reading.py", "file.seek(max(path.stat().st_size - _LONGEST_LINE, 0))",
     "file.seek(max(path.stat().st_size - _LONGEST_LINE, 0))  ->  left out"): "reads more than it need and finds the same",
    ("logs/read/_blocktools.py", "for mark in marks[1:]:", "1  ->  0"): "a mark that is looked for twice is found as well",
    ("logs/read/_sample.py", "quality = good / total if total else 0.0", "0.0  ->  -1.0"): "there is no width without a cell",
}
"""(file, line as it stands, change) -> why no test could ever notice. Looked at one by one."""

COMPARED = {ast.Lt: (ast.LtE, ast.GtE), ast.LtE: (ast.Lt, ast.Gt), ast.Gt: (ast.GtE, ast.LtE), ast.GtE: (ast.Gt, ast.Lt),
            ast.Eq: (ast.NotEq,), ast.NotEq: (ast.Eq,), ast.Is: (ast.IsNot,), ast.IsNot: (ast.Is,), ast.In: (ast.NotIn,),
            ast.NotIn: (ast.In,)}
COUNTED = {ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.FloorDiv: ast.Mult, ast.Mod: ast.Mult,
           ast.LShift: ast.RShift, ast.RShift: ast.LShift, ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd}


@dataclass(frozen=True)
class Mutant:
    """One fault."""

    file: str
    node: int
    """Place of the node in a walk over the file's tree."""
    way: int
    """Which of the node's changes."""
    line: int
    end: int
    text: str
    """The line as it stands."""
    change: str
    inside: str
    """Qualified name of the outermost function around it; '' = it is made while the module is imported."""


# ---- making them -----------------------------------------------------------------------------------------------------


def changes_of(node: ast.AST) -> Iterator[tuple[ast.AST, str]]:
    """Yield (what stands in the node's place, what was changed)."""
    if isinstance(node, ast.Compare):
        for index, op in enumerate(node.ops):
            for other in COMPARED[type(op)]:
                new = copy.deepcopy(node)
                new.ops[index] = other()
                yield new, f"{ast.unparse(node)}  ->  {ast.unparse(new)}"
    elif isinstance(node, ast.BinOp | ast.AugAssign) and type(node.op) in COUNTED:
        new = copy.deepcopy(node)
        new.op = COUNTED[type(node.op)]()
        yield new, f"{ast.unparse(node)}  ->  {ast.unparse(new)}"
    elif isinstance(node, ast.BoolOp):
        new = copy.deepcopy(node)
        new.op = ast.And() if isinstance(node.op, ast.Or) else ast.Or()
        yield new, f"{ast.unparse(node)}  ->  {ast.unparse(new)}"
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
        yield node.operand, f"{ast.unparse(node)}  ->  {ast.unparse(node.operand)}"
    elif isinstance(node, ast.Constant) and isinstance(node.value, bool):
        yield ast.Constant(not node.value), f"{node.value}  ->  {not node.value}"
    elif isinstance(node, ast.Constant) and isinstance(node.value, int | float):
        for step in (1, -1):
            yield ast.Constant(node.value + step), f"{node.value}  ->  {node.value + step}"
    if isinstance(node, ast.If | ast.While | ast.IfExp):
        new = copy.copy(node)
        new.test = ast.UnaryOp(ast.Not(), node.test)
        yield new, f"if {ast.unparse(node.test)}  ->  if not"
    elif isinstance(node, ast.comprehension) and node.ifs:
        new = copy.copy(node)
        new.ifs = [ast.UnaryOp(ast.Not(), node.ifs[0]), *node.ifs[1:]]
        yield new, f"if {ast.unparse(node.ifs[0])}  ->  if not"
    # What is false already is told from None by nobody; there `False -> True` is asked about.
    elif isinstance(node, ast.Return) and node.value is not None and ast.unparse(node.value) not in ("None", "False"):
        yield ast.Return(ast.Constant(None)), f"{ast.unparse(node)}  ->  return None"
    elif (isinstance(node, ast.AugAssign | ast.Raise | ast.Break | ast.Continue)
          or (isinstance(node, ast.Expr) and isinstance(node.value, ast.Call | ast.Yield | ast.YieldFrom))
          or (isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Attribute | ast.Subscript))):
        yield ast.Pass(), f"{ast.unparse(node)}  ->  left out"


def mutants_of(path: Path) -> list[Mutant]:
    """Return every fault that can be made in a file."""
    source = path.read_text(encoding="utf-8")
    lines, tree = source.splitlines(), ast.parse(source)
    inside: dict[ast.AST, str] = {}
    idle = set()

    def walk(node: ast.AST, names: tuple[str, ...], within: str) -> None:
        for field, value in ast.iter_fields(node):
            # Types say nothing at run time; what a function has by default is made while its module is imported.
            for child in value if isinstance(value, list) else [value]:
                if not isinstance(child, ast.AST):
                    continue
                # A stated equality of lengths is an assertion: nothing comes of it as long as it holds.
                if field in ("annotation", "returns") or (isinstance(child, ast.keyword) and child.arg == "strict"):
                    idle.update(ast.walk(child))
                elif isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
                    name = (*names, child.name)
                    own = isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef)
                    inside[child] = within
                    walk(child, name, within or (".".join(name) if own else ""))
                    if own and not within:
                        for part in (*child.decorator_list, child.args):
                            inside.update(dict.fromkeys(ast.walk(part), ""))
                else:
                    inside[child] = within
                    walk(child, names, within)

    walk(tree, (), "")
    place, found = path.relative_to(covered.PACKAGE).as_posix(), []
    for number, node in enumerate(ast.walk(tree)):
        if node in idle:
            continue
        for way, (_, change) in enumerate(changes_of(node)):
            at = node if hasattr(node, "lineno") else node.ifs[0]
            end = at.test.end_lineno if isinstance(at, ast.If | ast.While) else at.end_lineno
            found.append(Mutant(place, number, way, at.lineno, end, lines[at.lineno - 1].strip(), change[:200], inside[node]))
    return found


def mutated(mutant: Mutant, source: str) -> ast.Module:
    """Return the tree of a file with the fault in it."""
    tree = ast.parse(source)
    nodes = list(ast.walk(tree))
    old = nodes[mutant.node]
    new = list(changes_of(old))[mutant.way][0]
    for part in ast.walk(new):
        if hasattr(old, "lineno") and "lineno" in part._attributes and not hasattr(part, "lineno"):
            ast.copy_location(part, old)
    for parent in nodes:
        for field, value in ast.iter_fields(parent):
            if value is old:
                setattr(parent, field, new)
            elif isinstance(value, list) and any(item is old for item in value):
                value[:] = [new if item is old else item for item in value]
    return ast.fix_missing_locations(tree)


# ---- asking the tests ------------------------------------------------------------------------------------------------


def tests_by_line(name: str) -> tuple[dict[str, dict[int, set[str]]], dict[str, float]]:
    """Return (file -> line -> tests that go through it, test -> its time [s]) as measured for an area."""
    from coverage import CoverageData

    data = CoverageData(str(covered.BUILD / name / "all"))
    data.read()
    own = set(covered.tests_of(covered.AREAS[name]))

    def belongs(test: str) -> bool:
        file = test.partition("::")[0]
        return file in own or any(parent.as_posix() in own for parent in Path(file).parents)

    found = {}
    for path in covered.files_of(covered.AREAS[name]):
        by_line = data.contexts_by_lineno(str(path)) if str(path) in data.measured_files() else {}
        found[path.relative_to(covered.PACKAGE).as_posix()] = {
            abs(line): {test for item in tests if belongs(test := item.rpartition("|")[2])} for line, tests in by_line.items()}
    return found, json.loads((covered.BUILD / f"{name}.times.json").read_text(encoding="utf-8"))


def names_of(mutant: Mutant, lines: list[str]) -> set[int]:
    """Return the lines of the file that say a name which the statement with the fault binds."""
    for node in ast.parse("\n".join(lines)).body:
        if node.lineno <= mutant.line <= node.end_lineno:
            bound = {item.id for item in ast.walk(node) if isinstance(item, ast.Name) and isinstance(item.ctx, ast.Store)}
            bound |= {node.name} if hasattr(node, "name") else set()
            return {place for place, text in enumerate(lines, 1) if bound & set(re.findall(r"\w+", text))}
    return set()


def chosen(mutant: Mutant, reach: dict[str, dict[int, set[str]]], times: dict[str, float]) -> list[str]:
    """Return the tests that may be asked, in the order in which they are."""
    lines = reach.get(mutant.file, {})

    def through(places) -> list[str]:
        # From each file of tests in turn, for those of one file look at much the same.
        found = sorted(set().union(*(lines.get(place, set()) for place in places)),
                       key=lambda item: (times.get(item, 0.0), item))
        turn = Counter()
        turns = {}
        for item in found:
            file = item.partition("::")[0]
            turns[item] = turn[file]
            turn[file] += 1
        return sorted(found, key=lambda item: (times.get(item, 0.0) > QUICK, turns[item]))

    if mutant.inside:
        return through(range(mutant.line, mutant.end + 1))[:2 * MOST]
    # What is made at import is gone through by everything; it shows where its name is used.
    source = (covered.PACKAGE / mutant.file).read_text(encoding="utf-8").splitlines()
    named = through(names_of(mutant, source))
    return [*named, *(item for item in through(lines) if item not in set(named))][:2 * MOST]


class Bench:
    """A plugin of pytest: once everything is collected, one process for each fault is split off and asked."""

    def __init__(self, order: dict):
        self.order = order
        self.aside: dict[str, str] = {}
        self.took: dict[str, float] = {}
        """Test -> [s] it took alone without a fault."""
        self.told = Path(order["told"])
        """The test that a split-off process is at."""

    def pytest_runtestloop(self, session) -> bool:
        """Ask about every fault in the order."""
        items = {item.nodeid: item for item in session.items}
        gc.collect()
        gc.freeze()
        for entry in self.order["mutants"]:
            mutant = Mutant(**entry["mutant"])
            tests = self.sound([items[name] for name in entry["tests"] if name in items])
            outcome = self.ask(mutant, tests) if mutant.inside else "afresh"
            with open(self.order["results"], "a", encoding="utf-8") as file:
                file.write(json.dumps({**entry["mutant"], "outcome": outcome, "tests": len(tests),
                                       "asked": [item.nodeid for item in tests if item.nodeid not in self.aside]}) + "\n")
        Path(self.order["aside"]).write_text(json.dumps(self.aside), encoding="utf-8")
        return True

    def sound(self, tests: list) -> list:
        """Return the tests to be asked about one fault: those that pass without it, up to BUDGET and MOST."""
        picked, spent = [], 0.0
        for item in tests:
            if item.nodeid in self.aside:
                continue
            if item.nodeid not in self.took:
                started = time.monotonic()
                outcome = self.process(None, None, [item], LONGEST)
                self.took[item.nodeid] = time.monotonic() - started
                if outcome != "survived":
                    self.aside[item.nodeid] = f"longer than {LONGEST:g} s" if outcome == "timeout" else "fails without a fault"
                    continue
            spent += self.took[item.nodeid]
            if picked and spent > self.order["budget"]:
                break
            picked.append(item)
            if len(picked) >= MOST:
                break
        return picked

    def ask(self, mutant: Mutant, tests: list) -> str:
        """Return what becomes of a fault; a test that fails without it as well is set aside and the others asked again."""
        path = Path(self.order["package"]) / mutant.file
        true = covered.PACKAGE / mutant.file
        tree = mutated(mutant, true.read_text(encoding="utf-8"))
        while tests:
            seconds = 10.0 + 3.0 * sum(self.took[item.nodeid] for item in tests)
            path.write_text(ast.unparse(tree), encoding="utf-8")
            try:
                outcome = self.process(mutant, tree, tests, seconds)
            finally:
                shutil.copy2(true, path)
            if outcome != "killed":
                return outcome
            by = [item for item in tests if item.nodeid == self.told.read_text(encoding="utf-8")]
            if not by or self.process(None, None, by, 10.0 + 3.0 * self.took[by[0].nodeid]) == "survived":
                return outcome
            self.aside[by[0].nodeid] = "fails without a fault now and then"
            tests = [item for item in tests if item is not by[0]]
        return "survived"

    def process(self, mutant: Mutant | None, tree: ast.Module | None, tests: list, seconds: float) -> str:
        """Run tests in a process that is split off, with or without a fault."""
        self.told.write_text("", encoding="utf-8")
        try:
            child = os.fork()
            if not child:
                self.run(mutant, tree, tests, seconds)
            return wait_for(child, seconds)
        finally:
            sweep()

    def run(self, mutant: Mutant | None, tree: ast.Module | None, tests: list, seconds: float) -> None:
        """In the process that was split off: put the fault in and run the tests; never returns."""
        from _pytest.runner import runtestprotocol

        code = 70
        try:
            os.setsid()
            quiet = os.open(os.devnull, os.O_RDWR)
            for handle in (0, 1, 2):
                os.dup2(quiet, handle)
            limit = int(seconds)
            resource.setrlimit(resource.RLIMIT_CPU, (limit, limit))
            resource.setrlimit(resource.RLIMIT_AS, (4 << 30, 4 << 30))
            os.environ[MARK] = "1"
            if mutant is not None and not put_in(mutant, tree, Path(self.order["package"]) / mutant.file):
                os._exit(71)
            for item, after in zip(tests, [*tests[1:], None], strict=True):
                self.told.write_text(item.nodeid, encoding="utf-8")
                if any(report.failed for report in runtestprotocol(item, nextitem=after, log=False)):
                    os._exit(1)
            code = 0
        except BaseException:
            code = 1
        finally:
            os._exit(code)


def put_in(mutant: Mutant, tree: ast.Module, path: Path) -> bool:
    """Put the fault into the function that is already imported; False when it is in none."""
    if not mutant.inside:
        return False

    def codes(code: types.CodeType) -> Iterator[types.CodeType]:
        yield code
        for item in code.co_consts:
            if isinstance(item, types.CodeType):
                yield from codes(item)

    new = {(item.co_qualname, item.co_firstlineno): item for item in codes(compile(tree, str(path), "exec", dont_inherit=True))
           if item.co_qualname == mutant.inside}
    gc.unfreeze()
    swapped = False
    for thing in gc.get_objects():
        if isinstance(thing, types.FunctionType) and thing.__code__.co_filename == str(path):
            code = new.get((thing.__code__.co_qualname, thing.__code__.co_firstlineno))
            if code is not None:
                try:
                    thing.__code__ = code
                except ValueError:
                    return False
                swapped = True
    return swapped


def wait_for(child: int, seconds: float) -> str:
    """Wait for a process and say how the fault fared."""
    until = time.monotonic() + seconds
    while True:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            break
        if time.monotonic() > until:
            os.killpg(child, signal.SIGKILL)
            os.waitpid(child, 0)
            return "timeout"
        time.sleep(0.005)
    if os.WIFSIGNALED(status):
        return "timeout" if os.WTERMSIG(status) in (signal.SIGXCPU, signal.SIGKILL) else "killed"
    return {0: "survived", 71: "afresh"}.get(os.WEXITSTATUS(status), "killed")


def sweep() -> None:
    """End what the tests of a fault have left behind: processes that carry the mark, and they alone."""
    for path in Path("/proc").glob("[0-9]*/environ"):
        try:
            if f"{MARK}=1".encode() in path.read_bytes().split(b"\0") and int(path.parent.name) != os.getpid():
                os.kill(int(path.parent.name), signal.SIGKILL)
        except OSError:
            continue


def pytest_configure(config) -> None:
    """Take an order, when there is one."""
    if "PHASEWRIGHT_ORDER" in os.environ:
        from hypothesis import HealthCheck, Phase, settings

        # Whether an example fails is asked, not which is the smallest.
        settings.register_profile("mutants", phases=(Phase.explicit, Phase.generate), database=None, derandomize=True,
                                  suppress_health_check=list(HealthCheck))
        settings.load_profile("mutants")
        config.pluginmanager.register(Bench(json.loads(Path(os.environ["PHASEWRIGHT_ORDER"]).read_text(encoding="utf-8"))))


def pytest_collection_modifyitems(items: list) -> None:
    """Keep only the tests that are named."""
    if "PHASEWRIGHT_NAMED" in os.environ:
        named = json.loads(Path(os.environ["PHASEWRIGHT_NAMED"]).read_text(encoding="utf-8"))
        items[:] = [item for item in items if item.nodeid in set(named)]


def ask_all(name: str, sample: list[Mutant], budget: float = BUDGET) -> tuple[list[dict], dict[str, str]]:
    """Return (what became of every fault of a sample, test set aside -> why)."""
    place = BUILD / name
    shutil.rmtree(place, ignore_errors=True)
    shutil.copytree(covered.PACKAGE.parent, place / "src", ignore=shutil.ignore_patterns("__pycache__"))
    # Compiled beforehand for the processes that tests start; a file with a fault is newer than its compiled one.
    compileall.compile_dir(place / "src", quiet=2)
    reach, times = tests_by_line(name)
    picked = [(mutant, chosen(mutant, reach, times)) for mutant in sample]
    files = sorted({test.partition("::")[0] for _, tests in picked for test in tests})
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([str(place / "src"), str(covered.ROOT / "benchmarks")]),
                   "OPENBLAS_NUM_THREADS": "1", "PYTHONDONTWRITEBYTECODE": "1"}
    command = [sys.executable, "-m", "pytest", "-q", "-s", "-x", "-p", "mutants", "-p", "no:cacheprovider",
               f"--basetemp={place / 'tmp'}"]

    def passes(tests: list[str]) -> int | None:
        """Return the exit code of the tests in a new process; None = out of time."""
        (place / "named.json").write_text(json.dumps(tests), encoding="utf-8")
        try:
            return subprocess.run(
                [*command, *sorted({test.partition("::")[0] for test in tests})], cwd=covered.ROOT,
                env={**environment, "PHASEWRIGHT_NAMED": str(place / "named.json"), MARK: "1"},
                timeout=60.0 + 4.0 * BUDGET, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL).returncode
        except subprocess.TimeoutExpired:
            return None
        finally:
            sweep()

    def afresh(mutant: Mutant, tests: list[str]) -> str:
        path, true = place / "src" / "phasewright" / mutant.file, covered.PACKAGE / mutant.file
        path.write_text(ast.unparse(mutated(mutant, true.read_text(encoding="utf-8"))), encoding="utf-8")
        try:
            code = passes(tests)
        finally:
            shutil.copy2(true, path)
        if not code:
            return "timeout" if code is None else "survived"
        return "survived" if passes(tests) else "killed"

    order = {"package": str(place / "src" / "phasewright"), "results": str(place / "results.jsonl"),
             "aside": str(place / "aside.json"), "told": str(place / "told"), "budget": budget,
             "mutants": [{"mutant": asdict(mutant), "tests": tests} for mutant, tests in picked if tests]}
    (place / "order.json").write_text(json.dumps(order), encoding="utf-8")
    subprocess.run([*command, *files], cwd=covered.ROOT, env={**environment, "PHASEWRIGHT_ORDER": str(place / "order.json")},
                   check=True, stdout=subprocess.DEVNULL)
    told = [json.loads(line) for line in (place / "results.jsonl").read_text(encoding="utf-8").splitlines()]
    known = {(item["file"], item["node"], item["way"]): item for item in told}
    results = []
    for mutant, _ in picked:
        item = known.get((mutant.file, mutant.node, mutant.way)) or {**asdict(mutant), "outcome": "survived", "tests": 0}
        if item["outcome"] == "afresh":
            item["outcome"] = afresh(mutant, item["asked"]) if item["asked"] else "survived"
        results.append(item)
    return results, json.loads((place / "aside.json").read_text(encoding="utf-8"))


def main() -> int:
    """Ask about a sample of each area, print the survivors and the score."""
    words = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    words.add_argument("areas", nargs="*")
    words.add_argument("--seed", type=int, default=1)
    words.add_argument("--count", type=int, default=150)
    words.add_argument("--budget", type=float, default=BUDGET, help="[s] of tests asked about one fault")
    words.add_argument("--only", default="", help="a file, or the beginning of its path")
    given = words.parse_args()
    low = []
    for name in given.areas or covered.AREAS:
        if not (covered.BUILD / name / "all").exists():
            covered.measure(name, covered.tests_of(covered.AREAS[name]))
        every = [item for path in covered.files_of(covered.AREAS[name]) for item in mutants_of(path)
                 if item.file.startswith(given.only)]
        fair = [item for item in every if (item.file, item.text, item.change) not in EQUIVALENT]
        sample = random.Random(given.seed).sample(fair, min(given.count, len(fair)))
        results, aside = ask_all(name, sorted(sample, key=lambda item: (item.file, item.line)), given.budget)
        counts = {what: sum(item["outcome"] == what for item in results) for what in ("killed", "timeout", "survived")}
        score = 100.0 * (counts["killed"] + counts["timeout"]) / max(len(results), 1)
        for item in results:
            if item["outcome"] == "survived":
                print(f"  {item['file']}:{item['line']}  {item['change']}   [{item['tests']} tests]   | {item['text'][:90]}")
        for test, why in sorted(aside.items()):
            print(f"  set aside: {test}: {why}")
        print(f"{name}: {counts['killed']} killed and {counts['timeout']} out of time of {len(results)} faults "
              f"({len(every)} can be made, {len(every) - len(fair)} of them change nothing): {score:.1f} %; goal {GOAL:g} %",
              flush=True)
        if score < GOAL:
            low.append(name)
    return 1 if low else 0


if __name__ == "__main__":
    sys.exit(main())
