"""Runs the load of a step and ends it: on word, on its own, or when whoever started it is gone.

A script of its own, started by path and without this package, so that it is up at once. It reads words on standard input;
the end of that stream, which the system makes when the recorder dies in whatever way, ends the load.
"""

import json
import os
import signal
import subprocess
import sys
import threading

KEPT = 20_000
GRACE = 0.5
BEHIND = 10
"""Niceness of the load: the recorder, the guide and what reads instruments go before it. It draws no less for that."""


def stand_back() -> None:
    """Called in the load's process before its program: takes it behind everything else that is run here."""
    os.setpriority(os.PRIO_PROCESS, 0, max(BEHIND, os.getpriority(os.PRIO_PROCESS, 0)))
    try:
        # Where the system weighs sessions against each other, the niceness of a process counts within its session alone.
        with open("/proc/self/autogroup", "w") as group:
            group.write(f"{BEHIND}")
    except OSError:
        return


def main() -> int:
    """Run ``argv[1:]``."""
    options = {"creationflags": 0x4200} if os.name == "nt" else {"start_new_session": True, "preexec_fn": stand_back}
    tails = {"out": b"", "err": b""}
    try:
        load = subprocess.Popen(sys.argv[1:], stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
                                **options)
    except OSError as error:
        say(failed=error.strerror or str(error))
        return 1
    say(started=load.pid)

    def keep(name: str, stream) -> None:
        while data := os.read(stream.fileno(), 65536):
            tails[name] = (tails[name] + data)[-KEPT:]

    def listen() -> None:
        # Past the text layer: its lock, held by a thread that waits, would abort this process as it ends.
        rest = b""
        while data := os.read(0, 4096):
            *words, rest = (rest + data).split(b"\n")
            if b"stop" in words:
                break
        end(load)

    readers = [threading.Thread(target=keep, args=pair, daemon=True) for pair in (("out", load.stdout), ("err", load.stderr))]
    for thread in (*readers, threading.Thread(target=listen, daemon=True)):
        thread.start()
    code = load.wait()
    # What the load started must not outlive it.
    end(load)
    for thread in readers:
        thread.join(0.5)
    say(ended=code, **{name: tail.decode("utf-8", "replace") for name, tail in tails.items()})
    return 0


def say(**what) -> None:
    """Tell the recorder, if it is still there."""
    try:
        print(json.dumps(what), flush=True)
    except OSError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)


def end(load: subprocess.Popen) -> None:
    """End the load and all that it started, politely first."""
    if os.name == "nt":
        load.kill()
        return
    for number, wait in ((signal.SIGTERM, GRACE), (signal.SIGKILL, GRACE)):
        try:
            os.killpg(load.pid, number)
        except (ProcessLookupError, PermissionError):
            return  # all have ended; some systems say so of a process that nobody has waited for by refusing
        try:
            load.wait(wait)
        except subprocess.TimeoutExpired:
            continue


if __name__ == "__main__":
    sys.exit(main())
