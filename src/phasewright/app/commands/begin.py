"""Begin a campaign: lay it down, check it, bring its logs in."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from phasewright.app.terminal import BAD_INPUT, DONE, FOLDER, JSON, NOT_USABLE, STRICT, WITH_LOSSES, job, print_json

if TYPE_CHECKING:
    from phasewright.app.bring import ReadResult


@click.command()
@FOLDER
@JSON
@click.pass_context
def new(ctx: click.Context, folder: Path, as_json: bool) -> None:
    """Lay down a campaign folder.

    Writes commented bench.toml and campaign.toml into DIR; nothing that exists is overwritten.
    """
    from phasewright.app import jobs

    with job(ctx):
        result = jobs.new(folder)
    if as_json:
        print_json({"folder": str(result.folder), "files": [str(path) for path in result.files]})
        return
    for path in result.files:
        click.echo(f"wrote {path}")
    click.echo(f"""
Next
  1. describe the table in   {folder / "bench.toml"}
  2. bring in the logs       phasewright read {folder} YOUR-LOG.csv
  3. list the steps in       {folder / "campaign.toml"}
  4. look for faults         phasewright check {folder}""")


@click.command()
@FOLDER
@JSON
@click.pass_context
def check(ctx: click.Context, folder: Path, as_json: bool) -> None:
    """Report every fault of both files at once.

    Each fault of bench.toml and campaign.toml comes with its line and its mend; cautions are what is allowed but
    doubtful.
    """
    from dataclasses import asdict

    from phasewright.app import jobs

    with job(ctx):
        checked = jobs.check(folder)
    if as_json:
        print_json({"faults": [asdict(fault) for fault in checked.faults], "cautions": list(checked.cautions)})
    else:
        for fault in checked.faults:
            click.echo(str(fault))
        for caution in checked.cautions:
            click.echo(f"caution: {caution}")
        faults, cautions = len(checked.faults), len(checked.cautions)
        click.echo(
            f"{faults} fault{'s' if faults != 1 else ''}, {cautions} caution{'s' if cautions != 1 else ''} in {folder}"
        )
    ctx.exit(BAD_INPUT if checked.faults else DONE)


@click.command()
@FOLDER
@click.argument("logs", metavar="LOG...", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--map", "pairs", multiple=True, metavar="CHANNEL=COLUMN",
              help="Map a channel to a column, to #3, or to a sum of products: input_power='U1*I1 + U2*I2'. Repeat it.")
@click.option("--name", default="", help="Name of the log in campaign.toml (default: the file's stem).")
@click.option("--instrument", default="", help="Instrument on the bench that wrote it (default: the log's name).")
@click.option("--yes", is_flag=True, help="Take the suggested map without asking.")
@STRICT
@JSON
@click.pass_context
def read(ctx: click.Context, folder: Path, logs: tuple[Path, ...], pairs: tuple[str, ...], name: str,
         instrument: str, yes: bool, strict: bool, as_json: bool) -> None:
    """Bring logs in and map their columns.

    Copies each LOG unchanged into DIR, reads it, suggests which column is which channel, and tells line by line what was
    read, mapped, refused, repaired and noted. Several files with one --name are one log, in this order: its parts, or
    one file for each step. Exit code 3: readings were refused or lost; 4: no column was mapped.
    """
    from phasewright.app import jobs
    from phasewright.app.bring import parse_pairs

    ask = None if (yes or as_json or pairs or not sys.stdin.isatty()) else _ask_for_map
    results = []
    with job(ctx) as progress:
        channel_map = parse_pairs(pairs) if pairs else None
        for number, log in enumerate(logs):
            results.append(jobs.read(
                folder, log, name=name, instrument=instrument, channel_map=channel_map, choose=ask, strict=strict,
                append=bool(name and number), progress=progress,
            ))
            if not as_json:
                progress.close()
                _print_read(results[-1])
    if as_json:
        print_json({"logs": [result.to_json() for result in results]})
    elif all(result.entry for result in results):
        click.echo(f"\nNext: phasewright check {folder}")
    lost = any(result.lost for result in results)
    unmapped = any(result.entry is None for result in results)
    ctx.exit(NOT_USABLE if unmapped else WITH_LOSSES if lost else DONE)


def _print_read(result: ReadResult) -> None:
    for line in result.lines():
        click.echo(line)


def _ask_for_map(result: ReadResult) -> dict[str, str]:
    """Let the person confirm or change each suggested channel; an empty answer keeps it, a minus sign drops it."""
    _print_read(result)
    click.echo("\nReturn keeps a suggestion, - drops it; a column name, #3 or U1*I1 + U2*I2 replaces it.")
    chosen: dict[str, str] = {}
    for channel, column in result.suggested_map().items():
        answer = click.prompt(f"  {channel}", default=column, show_default=True).strip()
        if answer != "-":
            chosen[channel] = answer
    while True:
        line = click.prompt("  another channel=column (Return when done)", default="", show_default=False).strip()
        if not line:
            return chosen
        channel, sign, column = line.partition("=")
        if sign:
            chosen[channel.strip()] = column.strip()
