"""The load of a dry run in real time: a program that the recorder starts and ends like any other.

It holds a connection to the virtual bench; the load is on as long as the connection stands.
"""

from __future__ import annotations

import socket
import sys


def main(host: str, port: str, power: str) -> int:
    """Put a load of `power` [W] on the virtual bench until ended; return 1 when the bench went down under it."""
    with socket.create_connection((host, int(port)), timeout=5.0) as held:
        held.sendall(f"{float(power)}\n".encode("ascii"))
        held.settimeout(None)
        print(f"simulated load of {float(power):g} W is on", flush=True)
        if held.recv(100).startswith(b"down"):
            print("simulated: the machine went down under the load", file=sys.stderr, flush=True)
            return 1
    print("simulated: the virtual bench is gone", file=sys.stderr, flush=True)
    return 2


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:4]))
