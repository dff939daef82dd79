"""The command line: which commands there are, in the order of the work. Imports click alone; each command imports its own
work."""

from __future__ import annotations

import gc
import io
import os
import sys

import click

from phasewright.app.commands.answers import analyze
from phasewright.app.commands.begin import check, new, read
from phasewright.app.commands.bench import record, serve
from phasewright.app.commands.designing import design
from phasewright.app.commands.foresight import predict, preflight
from phasewright.app.commands.invented import demo
from phasewright.app.commands.sharing import compare, report, verify
from phasewright.app.terminal import CAUTION, plain_signs

# Our matrices are small: threads of the linear algebra library cost more than they save, many times more where others
# use the cores as well, and let the last digits depend on how many there are. Read when numpy is first imported.
for _limit in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS"):
    os.environ.setdefault(_limit, "1")

# An analysis is many small records that live to its end: looking through them for rings after every 700 new ones takes
# a twentieth of its time and finds none.
gc.set_threshold(50_000, 20, 50)


class InOrderOfWork(click.Group):
    """Lists the commands in the order in which a person needs them."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(self.commands)


@click.group(
    cls=InOrderOfWork, epilog=CAUTION,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(package_name="phasewright", prog_name="phasewright", message="%(prog)s %(version)s")
def main() -> None:
    """Find out from bench logs how much power delivery a computer board really needs.

    \b
    A campaign is a folder:  bench.toml      what stands on the table
                             campaign.toml   steps, logs, channel map
                             logs/           raw files, never changed
                             derived/ guide/ can be deleted and made again

    \b
    First time:     phasewright demo my-demo
    Own campaign:   phasewright new my-board
                    phasewright read my-board meter.csv host.csv
                    phasewright check my-board
                    phasewright analyze my-board
                    phasewright report my-board

    \b
    Exit codes:     0 done   2 bad usage or refused input
                    3 done, with stated losses   4 not usable
    """
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            # Within JSON a sign's number is the sign; elsewhere a person reads it, who wants the nearest plain one.
            stream.reconfigure(errors="backslashreplace" if "--json" in sys.argv else plain_signs())


for _command in (demo, new, check, read, analyze, predict, preflight, record, design, report, compare, verify, serve):
    main.add_command(_command)


if __name__ == "__main__":
    main()
