"""Analysis needs nothing that Linux alone has: the main job runs with what Windows lacks taken away.

What is absent there: the Python standard library's own documentation ("Availability: Unix") of each module and function.
"""

import os
import subprocess
import sys

import pytest

WITHOUT = """
import os, sys
for name in ("fcntl", "termios", "tty", "pty", "resource", "pwd", "grp"):
    sys.modules[name] = None
import signal, ctypes, multiprocessing, subprocess, tempfile, shutil, asyncio, select
for name in ("getuid", "geteuid", "getgid", "killpg", "getpgid", "setsid", "fork", "mkfifo", "openpty", "pread", "preadv",
             "posix_fadvise", "posix_fallocate", "statvfs", "O_DIRECTORY", "O_NOFOLLOW", "O_NONBLOCK", "O_CLOEXEC",
             "fdatasync", "sync", "getloadavg", "sched_getaffinity", "sysconf", "nice"):
    if hasattr(os, name):
        delattr(os, name)
for name in ("SIGKILL", "SIGHUP", "SIGUSR1", "SIGALRM", "SIGPIPE"):
    if hasattr(signal, name):
        delattr(signal, name)
from phasewright.app.cli import main
main(sys.argv[1:])
"""


def test_the_main_job_runs_without_what_one_system_alone_has(tmp_path):
    folder = tmp_path / "demo"
    for words in (["demo", str(folder), "--no-page"], ["predict", str(folder), "--phases", "3"]):
        done = subprocess.run([sys.executable, "-W", "error", "-c", WITHOUT, *words], capture_output=True, text=True)
        assert done.returncode in (0, 3), f"{words[0]}: {done.stderr[-2000:]}"
        assert done.stdout.strip()
    assert list((folder / "guide").glob("*.html"))


@pytest.mark.parametrize("encoding", ["cp1252", "cp437", "latin-1"])
def test_a_terminal_that_lacks_our_signs_shows_the_nearest_plain_ones(tmp_path, encoding):
    """Code pages of Windows terminals: signs that they lack must neither stop a command nor turn into numbers of signs."""
    said = "made 1.8 \N{MINUS SIGN}1.0 +2.1 K by the \N{LEFT DOUBLE QUOTATION MARK}plate\N{RIGHT DOUBLE QUOTATION MARK}"
    folder = tmp_path / "c"
    run = [sys.executable, "-m", "phasewright.app.cli"]
    surroundings = {**os.environ, "PYTHONIOENCODING": encoding, "PYTHONUTF8": "0"}
    assert subprocess.run([*run, "new", str(folder)], env=surroundings, capture_output=True).returncode == 0
    bench = (folder / "bench.toml").read_text(encoding="utf-8").replace('"my board"', f'"{said}"')
    (folder / "bench.toml").write_text(bench.replace("format = ", "wrong \N{MINUS SIGN} = 1\nformat = "), encoding="utf-8")
    done = subprocess.run([*run, "check", str(folder)], env=surroundings, capture_output=True)
    assert done.returncode == 2
    assert b"\\u" not in done.stdout + done.stderr
    print_it = f"from phasewright.app.cli import main; main(['new', {str(tmp_path / 'd')!r}], standalone_mode=False);"
    print_it += f"print({said!r} + ' \\u00b1 \\u00b0')"
    shown = subprocess.run([sys.executable, "-c", print_it], env=surroundings, capture_output=True).stdout.decode(encoding)
    assert "1.8 -1.0 +2.1 K" in shown
    assert "\\u" not in shown
