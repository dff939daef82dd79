"""At the bench, and in the browser."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from phasewright.app.terminal import BAD_INPUT, CAUTION, DONE, FOLDER, JSON, WITH_LOSSES, job, print_json, show_page


@click.command()
@FOLDER
@click.option("--unmeasured", is_flag=True, help="Foresee from part data alone.")
@JSON
@click.pass_context
def record(ctx: click.Context, folder: Path, unmeasured: bool, as_json: bool) -> None:
    """Run the plan at the bench.

    Takes you through the steps of DIR that were not run yet: says what to set by hand and what is foreseen, starts and
    ends the load, records every instrument that bench.toml says how to read, watches the limits, and ends a step once it
    has settled. s stops at any time. What was recorded is brought in as logs and steps, ready to be analyzed.

    Where a run of DIR is under way already, in another terminal or on the page, it is shown here too, and can be answered
    and stopped here; leaving it with q does nothing to it.
    """
    from phasewright.app import jobs
    from phasewright.app.recording_terminal import TerminalPerson
    from phasewright.app.recording_text import recorded_text

    person = TerminalPerson(sys.stderr if as_json else None)
    with person.at_the_keys():
        attended = jobs.attend_record(folder, person)
    if attended is not None and attended.recorded is None:
        if as_json:
            print_json({"under_way": attended.under_way})
        ctx.exit(DONE if attended.under_way else WITH_LOSSES)
    if attended is not None:
        done = attended.recorded
    else:
        person.tell(f"{CAUTION}\nHave a cut-off of your own within reach, and stay with the bench.")
        with job(ctx) as progress, person.at_the_keys():
            done = jobs.record(folder, person, may_start=person.may_start, measured=not unmeasured, progress=progress)
    if as_json:
        print_json({"done": list(done.done), "left": list(done.run.left), "abandoned": list(done.abandoned),
                     "ended": done.run.ended, "complete": done.complete, "lost": done.lost})
    else:
        click.echo(recorded_text(done, folder))
    ctx.exit(DONE if done.complete and not done.run.left else WITH_LOSSES)


@click.command()
@click.argument("folder", metavar="[FOLDER]", default=".", type=click.Path(file_okay=False, exists=True, path_type=Path))
@click.option("--port", default=0, metavar="PORT", help="Port on the loopback addresses (default: a free one).",
              type=click.IntRange(0, 65535))
@click.option("--no-open", is_flag=True, help="Print the address only; do not open the browser.")
@click.pass_context
def serve(ctx: click.Context, folder: Path, port: int, no_open: bool) -> None:
    """Open the page over a folder of campaigns.

    Serves FOLDER (the current one when left out), which holds campaigns or is one, to browsers of this machine alone:
    from dropped logs to the guide. Ends with Ctrl-C.
    """
    from phasewright.app.web import serve as run

    try:
        run(folder, port=port, say=click.echo, show=None if no_open else show_page)
    except OSError as error:
        click.echo(f"port {port} cannot be listened on ({error.strerror or error}) - give another --port", err=True)
        ctx.exit(BAD_INPUT)
