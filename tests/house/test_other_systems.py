"""Analysis needs nothing that Linux alone has: the main job runs with what Windows lacks taken away.

What is absent there: the Python standard library's own documentation ("Availability: Unix") of each module and function.
"""

import subprocess
import sys

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
