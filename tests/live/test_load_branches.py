"""The keeper of a load beside its usual way: loads that will not end, children left behind, recorders that are gone."""

import importlib.util
import json
import os
import queue
import signal
import subprocess
import sys
import time
import types

import pytest

from phasewright.live import load as load_module
from phasewright.live.load import KEEPER, LoadEnd, ProgramLoad

CHATTY = "import sys; print('o' * 30000); print('e' * 30000, file=sys.stderr); sys.exit(7)"
STUBBORN = """
import signal, time
signal.signal(signal.SIGTERM, lambda *_: open('asked', 'w').close())
open('up', 'w').close()
while True:
    time.sleep(0.05)
"""
PARENT = """
import subprocess, sys
child = subprocess.Popen([sys.executable, '-c', 'import time; time.sleep(100)'])
open('pid', 'w').write(str(child.pid))
"""


@pytest.fixture
def keep(tmp_path):
    """Start the keeper as the recorder does, but for the isolation of its interpreter, so that what it does is measured."""
    made = []

    def start(*command):
        made.append(subprocess.Popen([sys.executable, str(KEEPER), *command], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
                                     text=True, cwd=tmp_path))
        return made[-1]

    yield start
    for process in made:
        process.kill()
        process.wait()
        process.stdin.close()
        process.stdout.close()


def said(process):
    return json.loads(process.stdout.readline())


def wait_for(what, seconds=15.0):
    until = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < until, "it never happened"
        time.sleep(0.01)


def is_alive(pid):
    try:
        os.kill(pid, 0)
        with open(f"/proc/{pid}/stat") as file:
            return ") Z" not in file.read()
    except (ProcessLookupError, FileNotFoundError):
        return False


def test_how_a_load_ended_is_told_with_the_last_of_what_it_said(keep):
    process = keep(sys.executable, "-c", CHATTY)
    assert list(said(process)) == ["started"]
    told = said(process)
    assert told == {"ended": 7, "out": "o" * 19_999 + "\n", "err": "e" * 19_999 + "\n"}
    assert process.wait(10.0) == 0


def test_a_load_that_cannot_be_started_is_told_and_nothing_is_kept(keep):
    process = keep("no-such-load-here")
    assert said(process) == {"failed": "No such file or directory"}
    assert process.wait(10.0) == 1


def test_only_the_word_stop_or_the_end_of_words_ends_a_load(keep):
    process = keep(sys.executable, "-c", "import time; time.sleep(100)")
    pid = said(process)["started"]
    process.stdin.write("go on\n\nstop it\nnot stop\nst")
    process.stdin.flush()
    time.sleep(0.3)
    assert process.poll() is None and is_alive(pid)
    process.stdin.write("ill\nstop\n")
    process.stdin.flush()
    assert said(process)["ended"] == -signal.SIGTERM
    assert not is_alive(pid) and process.wait(10.0) == 0


def test_a_load_is_asked_first_and_killed_when_it_will_not_go(keep, tmp_path):
    """The goal: off for good within 2 s (reliability goals, S3)."""
    process = keep(sys.executable, "-c", STUBBORN)
    said(process)
    wait_for((tmp_path / "up").exists)
    began = time.monotonic()
    process.stdin.close()
    assert said(process)["ended"] == -signal.SIGKILL
    assert 0.4 < time.monotonic() - began
    assert (tmp_path / "asked").exists()
    assert process.wait(10.0) == 0


def test_what_a_load_started_does_not_outlive_it(keep, tmp_path):
    process = keep(sys.executable, "-c", PARENT)
    said(process)
    assert said(process)["ended"] == 0
    child = int((tmp_path / "pid").read_text())
    wait_for(lambda: not is_alive(child))
    assert process.wait(10.0) == 0


def test_a_load_ends_with_a_recorder_that_is_gone_altogether(keep):
    process = keep(sys.executable, "-c", "import time; time.sleep(100)")
    pid = said(process)["started"]
    process.stdout.close()  # nobody listens any more: what it has to say must not stop it
    process.stdin.close()
    assert process.wait(10.0) == 0
    assert not is_alive(pid)


@pytest.fixture
def keeper():
    spec = importlib.util.spec_from_file_location("keeper_under_test", KEEPER)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("error", [ProcessLookupError, PermissionError])
def test_a_group_that_is_no_more_is_left_alone(keeper, monkeypatch, error):
    """kill(2): ESRCH where there is none; some systems give EPERM for processes that nobody has waited for."""
    asked = []

    def gone(group, number):
        asked.append((group, number))
        raise error

    monkeypatch.setattr(keeper.os, "killpg", gone)
    keeper.end(types.SimpleNamespace(pid=4711, wait=lambda seconds: pytest.fail("nothing is there to be waited for")))
    assert asked == [(4711, signal.SIGTERM)]


def test_on_windows_the_process_is_killed_and_its_group_is_its_own(keeper, monkeypatch):
    """CREATE_NEW_PROCESS_GROUP is 0x200, BELOW_NORMAL_PRIORITY_CLASS 0x4000 (Windows process creation flags)."""
    done, given = [], {}

    class Popen:
        pid, stdout, stderr = 12, open(os.devnull, "rb"), open(os.devnull, "rb")

        def __init__(self, command, **options):
            given.update(options, command=command)

        def wait(self):
            return 5

        def kill(self):
            done.append("killed")

    names = types.SimpleNamespace(name="nt", read=lambda handle, most: b"", strerror=os.strerror)
    monkeypatch.setattr(keeper, "os", names)
    monkeypatch.setattr(keeper.subprocess, "Popen", Popen)
    monkeypatch.setattr(sys, "argv", ["keeper", "burn", "-t"])
    told = []
    monkeypatch.setattr(keeper, "say", lambda **what: told.append(what))
    assert keeper.main() == 0
    Popen.stdout.close()
    Popen.stderr.close()
    assert given["creationflags"] == 0x200 | 0x4000 and "start_new_session" not in given and given["command"] == ["burn", "-t"]
    assert told == [{"started": 12}, {"ended": 5, "out": "", "err": ""}]
    assert done and set(done) == {"killed"}


def ended(one: ProgramLoad, seconds=15.0) -> LoadEnd | None:
    found = []
    wait_for(lambda: (item := one.poll()) is not None and (found.append(item) or True), seconds)
    return found[0]


def test_a_load_that_was_never_put_on_can_be_taken_off(tmp_path):
    one = ProgramLoad([sys.executable], tmp_path)
    one.stop()
    assert one.poll() is None


def test_an_end_is_told_once_and_the_load_can_be_taken_off_afterwards(tmp_path):
    one = ProgramLoad([sys.executable, "-c", "import sys; print('hot'); print('wrong sum', file=sys.stderr); sys.exit(3)"],
                      tmp_path)
    one.start()
    assert ended(one) == LoadEnd(3, "wrong sum\n", "hot\n")
    one._keeper.wait(10.0)
    assert one.poll() is None
    one.stop()
    one.stop()
    assert one.poll() is None
    wait_for(lambda: one.poll() is None and one._keeper is None)


def test_a_load_runs_in_the_campaigns_folder_and_is_taken_off_on_word(tmp_path):
    one = ProgramLoad([sys.executable, "-c", "import time; open('here', 'w').close(); time.sleep(100)"], tmp_path)
    one.start()
    wait_for((tmp_path / "here").exists)
    assert one.poll() is None
    one.stop()
    assert ended(one).code == -signal.SIGTERM


@pytest.mark.parametrize("text", ["", "import json; print(json.dumps({'started': 2**22 + 1}))"])
def test_a_keeper_that_dies_is_told_whether_it_had_started_the_load_or_not(tmp_path, monkeypatch, text):
    """The process that it names is no more (no number is above 2^22: proc(5), pid_max): nothing else is killed."""
    script = tmp_path / "keeper.py"
    script.write_text(f"import sys\n{text}\nsys.exit(9)\n")
    monkeypatch.setattr(load_module, "KEEPER", script)
    one = ProgramLoad(["x"], tmp_path)
    one.start()
    told = ended(one)
    assert told.code is None and "its keeper was killed (exit code 9)" in told.errors


@pytest.mark.parametrize(("system", "done"), [
    ("nt", ("kill", 4711, signal.SIGTERM)), ("posix", ("killpg", 4711, signal.SIGKILL))])
def test_each_system_ends_an_orphaned_load_in_its_way(monkeypatch, system, done):
    """On Windows os.kill with SIGTERM ends the process without more ado (Python library reference, os.kill)."""
    seen = []
    monkeypatch.setattr(load_module, "os", types.SimpleNamespace(
        name=system, kill=lambda pid, number: seen.append(("kill", pid, number)),
        killpg=lambda pid, number: seen.append(("killpg", pid, number))))
    load_module._kill(4711)
    assert seen == [done]


def test_what_is_said_of_a_load_is_taken_in_the_order_in_which_it_was_said(tmp_path):
    one = ProgramLoad(["x"], tmp_path)
    for word in ({"started": 5}, {"failed": "No such file or directory"}, {"gone": 1, "over": True}):
        one._said.put(word)
    assert one.poll() == LoadEnd(None, "cannot be started: No such file or directory")
    assert one.poll() is None
    with pytest.raises(queue.Empty):
        one._said.get_nowait()


@pytest.mark.parametrize("known", [True, False])
def test_a_load_stands_back_and_never_comes_forward(keeper, monkeypatch, known):
    """sched(7), "The autogroup feature": the niceness of a session stands in /proc/self/autogroup, where there is one."""
    asked, written = [], []

    class Group:
        def __enter__(self):
            return self

        def __exit__(self, *rest):
            return None

        def write(self, text):
            written.append(text)

    def opened(path, mode):
        if not known:
            raise FileNotFoundError(path)
        assert (path, mode) == ("/proc/self/autogroup", "w")
        return Group()

    for before, after in ((0, keeper.BEHIND), (19, 19)):
        monkeypatch.setattr(keeper, "os", types.SimpleNamespace(
            PRIO_PROCESS=0, getpriority=lambda which, who, before=before: before,
            setpriority=lambda which, who, nice: asked.append((which, who, nice))))
        monkeypatch.setattr(keeper, "open", opened, raising=False)
        keeper.stand_back()
        assert asked.pop() == (0, 0, after)
    assert written == ([str(keeper.BEHIND)] * 2 if known else [])
    assert keeper.BEHIND > 0
