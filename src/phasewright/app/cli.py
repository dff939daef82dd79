"""The command line: words in, one job called, words out. Imports click alone; each command imports its own work."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from phasewright.app.bring import ReadResult

DONE, BAD_INPUT, WITH_LOSSES, NOT_USABLE = 0, 2, 3, 4
"""Exit codes, the same for every command."""

CAUTION = (
    "Phasewright is no safety function. Data sheets, makers' instructions, local rules and qualified people come first."
)


class ProgressLine:
    """A line on standard error that appears once a job has taken a second, and then tells what is being done."""

    def __init__(self, stream: Any = None, *, interval: float | None = None):
        self._stream = stream or sys.stderr
        self._live = self._stream.isatty()
        self._interval = interval if interval is not None else (0.1 if self._live else 2.0)
        self._started = self._last = time.monotonic()
        self._width = 0

    def __call__(self, fraction: float, text: str) -> None:
        now = time.monotonic()
        if now - self._started < 1.0 or now - self._last < self._interval:
            return
        self._last = now
        line = f"{round(100 * fraction):3d} %  {text}"
        if self._live:
            self._stream.write("\r" + line.ljust(self._width))
            self._width = len(line)
        else:
            self._stream.write(line + "\n")
        self._stream.flush()

    def close(self) -> None:
        """Wipe the line, so that the result stands alone."""
        if self._live and self._width:
            self._stream.write("\r" + " " * self._width + "\r")
            self._stream.flush()


@contextmanager
def _job(ctx: click.Context) -> Iterator[ProgressLine]:
    """Run one job with a progress line; faults are printed one a line and end in exit code 2 or 4."""
    from phasewright.bench import NotReady, PhasewrightError

    progress = ProgressLine()
    try:
        yield progress
    except PhasewrightError as error:
        progress.close()
        for fault in error.faults:
            click.echo(str(fault), err=True)
        count = len(error.faults)
        click.echo(f"{count} fault{'s' if count != 1 else ''}; nothing was written.", err=True)
        ctx.exit(NOT_USABLE if isinstance(error, NotReady) else BAD_INPUT)
    finally:
        progress.close()


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
    Exit codes:  0 done   2 bad usage or refused input   3 done, with stated losses   4 not usable
    """


_FOLDER = click.argument("folder", metavar="DIR", type=click.Path(file_okay=False, path_type=Path))
_JSON = click.option("--json", "as_json", is_flag=True, help="Print one JSON object on standard output.")
_STRICT = click.option("--strict", is_flag=True, help="Refuse a log that needs repair instead of repairing it.")


@main.command()
@_FOLDER
@click.option("--no-page", is_flag=True, help="Do not open the guide in the browser.")
@click.option("--seed", default=1, show_default=True, help="Seed of every simulated error.")
@click.option("--again", is_flag=True, help="Replace an earlier demo in DIR.")
@click.option("--live", is_flag=True, help="Record the campaign too: a plan through recorder and guide, in quick motion.")
@_JSON
@click.pass_context
def demo(ctx: click.Context, folder: Path, no_page: bool, seed: int, again: bool, live: bool, as_json: bool) -> None:
    """Make and analyze an invented campaign.

    Writes the campaign into DIR with the virtual bench, analyzes it, prints the answers and writes the guide.
    """
    from phasewright.app import jobs

    with _job(ctx) as progress:
        if live:
            told = None if as_json else click.echo
            result = jobs.demo_live(folder, seed=seed, again=again, told=told, progress=progress)
        else:
            result = jobs.demo(folder, seed=seed, again=again, progress=progress)
    if as_json:
        click.echo(jobs.to_json_text(result.analysis, jobs.model(folder, analysis=result.analysis)), nl=False)
        return
    _print_analysis(jobs.answered(result.analysis, jobs.model(folder, analysis=result.analysis)))
    page = result.guide.html
    click.echo(f"""
The guide      {page}
The pictures   {result.guide.folder / "figures"}
The raw logs   {folder / "logs"}  (simulated)

Try next""")
    wishes = {
        f"phasewright predict {folder} --phases 3": "what another setting would do",
        f"phasewright preflight {folder}": "what to test next, and what would trip",
        f"phasewright analyze {folder} --json": "the same numbers for a program",
        f"phasewright check {folder}": "what the bench file still lacks",
        "phasewright new my-board": "start a campaign of your own",
    }
    wide = max(map(len, wishes))
    for command, why in wishes.items():
        click.echo(f"  {command.ljust(wide)}  {why}" if wide < 50 else f"  {command}\n      {why}")
    if not no_page:
        _open_page(page)


@main.command()
@_FOLDER
@_JSON
@click.pass_context
def new(ctx: click.Context, folder: Path, as_json: bool) -> None:
    """Lay down a campaign folder.

    Writes commented bench.toml and campaign.toml into DIR; nothing that exists is overwritten.
    """
    from phasewright.app import jobs

    with _job(ctx):
        result = jobs.new(folder)
    if as_json:
        _print_json({"folder": str(result.folder), "files": [str(path) for path in result.files]})
        return
    for path in result.files:
        click.echo(f"wrote {path}")
    click.echo(f"""
Next
  1. describe the table in   {folder / "bench.toml"}
  2. bring in the logs       phasewright read {folder} YOUR-LOG.csv
  3. list the steps in       {folder / "campaign.toml"}
  4. look for faults         phasewright check {folder}""")


@main.command()
@_FOLDER
@_JSON
@click.pass_context
def check(ctx: click.Context, folder: Path, as_json: bool) -> None:
    """Report every fault of both files at once.

    Each fault of bench.toml and campaign.toml comes with its line and its mend; cautions are what is allowed but
    doubtful.
    """
    from dataclasses import asdict

    from phasewright.app import jobs

    with _job(ctx):
        checked = jobs.check(folder)
    if as_json:
        _print_json({"faults": [asdict(fault) for fault in checked.faults], "cautions": list(checked.cautions)})
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


@main.command()
@_FOLDER
@click.argument("logs", metavar="LOG...", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--map", "pairs", multiple=True, metavar="CHANNEL=COLUMN",
              help="Map a channel to a column, to #3, or to a sum of products: input_power='U1*I1 + U2*I2'. Repeat it.")
@click.option("--name", default="", help="Name of the log in campaign.toml (default: the file's stem).")
@click.option("--instrument", default="", help="Instrument on the bench that wrote it (default: the log's name).")
@click.option("--yes", is_flag=True, help="Take the suggested map without asking.")
@_STRICT
@_JSON
@click.pass_context
def read(ctx: click.Context, folder: Path, logs: tuple[Path, ...], pairs: tuple[str, ...], name: str,
         instrument: str, yes: bool, strict: bool, as_json: bool) -> None:
    """Bring logs in and map their columns.

    Copies each LOG unchanged into DIR, reads it, suggests which column is which channel, and says what was repaired.
    Several files with one --name are one log, in this order: its parts, or one file for each step.
    """
    from phasewright.app import jobs
    from phasewright.app.bring import parse_pairs

    ask = None if (yes or as_json or pairs or not sys.stdin.isatty()) else _ask_for_map
    results = []
    with _job(ctx) as progress:
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
        _print_json({"logs": [result.to_json() for result in results]})
    elif all(result.entry for result in results):
        click.echo(f"\nNext: phasewright check {folder}")
    lost = any(result.lost for result in results)
    unmapped = any(result.entry is None for result in results)
    ctx.exit(NOT_USABLE if unmapped else WITH_LOSSES if lost else DONE)


@main.command()
@_FOLDER
@_STRICT
@_JSON
@click.pass_context
def analyze(ctx: click.Context, folder: Path, strict: bool, as_json: bool) -> None:
    """Turn the logs into answers.

    Prints figures with uncertainty, a verdict for every step, comparisons and answers; keeps derived/analysis.json.
    """
    from phasewright.app import jobs

    with _job(ctx) as progress:
        analysis = jobs.analyze(folder, strict=strict, progress=progress)
        fitted = jobs.model(folder, analysis=analysis)
    if as_json:
        click.echo(jobs.to_json_text(analysis, fitted), nl=False)
    else:
        _print_analysis(jobs.answered(analysis, fitted))
        _print_next(folder, jobs.wants(analysis), f"phasewright report {folder}")
    ctx.exit(_exit_code(analysis))


_SETTING = (
    click.option("--phases", default="", metavar="LIST", help="Phase counts: 3, or 8,6,4, or 3-6 (default: all)."),
    click.option("--load", "loads", multiple=True, metavar="LOAD",
                 help="'300 W' at the package or '250 A' on the rail. Repeat it for more (default: the steps' loads)."),
    click.option("--coolant", default="", metavar="TEMPERATURE", help="Coolant temperature, such as 35C."),
    click.option("--voltage", default="", metavar="VOLTAGE", help="Rail voltage, such as '1.1 V'."),
    click.option("--frequency", default="", metavar="FREQUENCY", help="Switching frequency, such as '400 kHz'."),
    click.option("--ocp", default="", metavar="CURRENT", help="Over-current protection of one phase, such as '90 A'."),
    click.option("--total-ocp", default="", metavar="CURRENT", help="Over-current protection of the whole regulator."),
    click.option("--warning", default="", metavar="TEMPERATURE", help="Temperature warning threshold."),
    click.option("--trip", default="", metavar="TEMPERATURE", help="Over-temperature protection threshold."),
    click.option("--power-limit", default="", metavar="POWER", help="Package power limit."),
    click.option("--unmeasured", is_flag=True, help="Let part data alone speak, as before anything was measured."),
)


def _setting_options(command: Any) -> Any:
    for option in reversed(_SETTING):
        command = option(command)
    return command


@main.command()
@_FOLDER
@_setting_options
@_JSON
@click.pass_context
def predict(ctx: click.Context, folder: Path, phases: str, loads: tuple[str, ...], unmeasured: bool, as_json: bool,
            **options: str) -> None:
    """Say what other settings would do.

    Temperatures, loss, currents, margins and a verdict with its probability, from the electro-thermal model that is
    fitted to the campaign in DIR; from part data alone where nothing is measured yet.
    """
    from phasewright.app import jobs
    from phasewright.app.foresee import bounds_json, campaign_of, enough_json, enough_of, enough_text, prediction_json

    given = {name: text for name, text in options.items() if text}
    with _job(ctx) as progress:
        found = jobs.predict(
            folder, phases=phases, loads=loads, options=given, measured=not unmeasured, progress=progress
        )
        bounds = jobs.bounds(folder, phases=phases, loads=loads, options=given, measured=not unmeasured)
    enough = enough_of(campaign_of(folder)[0], found)
    if as_json:
        told = {"format": "phasewright-prediction-1", "predictions": [prediction_json(item) for item in found],
                "enough": [enough_json(item) for item in enough]}  # fmt: skip
        _print_json(told | bounds_json(bounds))
        return
    from phasewright.report import bounds_text, prediction_text, predictions_table

    click.echo(prediction_text(found[0]) if len(found) == 1 else predictions_table(found))
    if len(found) > 1:
        import textwrap

        for item in enough:
            click.echo("\n".join(textwrap.wrap(enough_text(item), 80)))
    click.echo(bounds_text(bounds.fewest, bounds.ceilings), nl=False)


@main.command()
@_FOLDER
@_setting_options
@click.option("--steps", "as_steps", is_flag=True, help="Print the plan as [[step]] blocks for campaign.toml.")
@_JSON
@click.pass_context
def preflight(ctx: click.Context, folder: Path, phases: str, loads: tuple[str, ...], unmeasured: bool, as_steps: bool,
              as_json: bool, **options: str) -> None:
    """Look a plan over before it is run.

    Orders the steps from mild to severe and says for each what it would do, the chance to trip, how long to hold it
    and when to stop. Without options the campaign's own steps are looked over.
    """
    from phasewright.app import jobs

    given = {name: text for name, text in options.items() if text}
    with _job(ctx) as progress:
        plan = jobs.preflight(
            folder, phases=phases, loads=loads, options=given, measured=not unmeasured, progress=progress
        )
    if as_json:
        from phasewright.app.foresee import plan_json

        _print_json(plan_json(plan))
    elif as_steps:
        from phasewright.plan import plan_text

        click.echo(plan_text(plan), nl=False)
    else:
        from phasewright.report import preflight_text

        click.echo(preflight_text(plan))
    ctx.exit(NOT_USABLE if all(item.forecast.verdict == "no-go" for item in plan.steps) else DONE)


@main.command()
@_FOLDER
@click.option("--unmeasured", is_flag=True, help="Foresee from part data alone.")
@_JSON
@click.pass_context
def record(ctx: click.Context, folder: Path, unmeasured: bool, as_json: bool) -> None:
    """Run the plan at the bench.

    Takes you through the steps of DIR that were not run yet: says what to set by hand and what is foreseen, starts and
    ends the load, records every instrument that bench.toml says how to read, watches the limits, and ends a step once it
    has settled. s stops at any time. What was recorded is brought in as logs and steps, ready to be analyzed.
    """
    from phasewright.app import jobs
    from phasewright.app.recording_terminal import TerminalPerson
    from phasewright.app.recording_text import recorded_text

    person = TerminalPerson(sys.stderr if as_json else None)
    person.tell(f"{CAUTION}\nHave a cut-off of your own within reach, and stay with the bench.")
    with _job(ctx) as progress, person.at_the_keys():
        done = jobs.record(folder, person, may_start=person.may_start, measured=not unmeasured, progress=progress)
    if as_json:
        _print_json({"done": list(done.done), "left": list(done.run.left), "abandoned": list(done.abandoned),
                     "ended": done.run.ended, "complete": done.complete, "lost": done.lost})
    else:
        click.echo(recorded_text(done, folder))
    ctx.exit(DONE if done.complete and not done.run.left else WITH_LOSSES)


@main.command()
@_FOLDER
@click.option("--open", "open_page", is_flag=True, help="Open the guide in the browser.")
@click.option("--package", "packed", is_flag=True, help="Also write one zip file from which others can check it all.")
@_JSON
@click.pass_context
def report(ctx: click.Context, folder: Path, open_page: bool, packed: bool, as_json: bool) -> None:
    """Write the guide.

    One self-contained HTML file, and Markdown with its pictures as SVG and PNG, in DIR/guide. With --package also an
    open data package: bench, raw logs, results and guide in one zip file.
    """
    from phasewright.app import jobs

    with _job(ctx) as progress:
        analysis = jobs.analyze(folder, progress=lambda fraction, text: progress(0.5 * fraction, text))
        guide = jobs.report(folder, analysis=analysis, progress=progress)
        package = jobs.package(folder, analysis=analysis, progress=progress) if packed else None
    if as_json:
        figures = [str(path) for path in guide.figures]
        told = {"html": str(guide.html), "markdown": str(guide.markdown), "figures": figures}
        _print_json(told if package is None else {**told, "package": str(package.file), "sha256": package.sha256})
    else:
        click.echo(f"The guide      {guide.html}")
        click.echo(f"Markdown       {guide.markdown}")
        click.echo(f"The pictures   {guide.folder / 'figures'}")
        if package is not None:
            click.echo(f"The package    {package.file}  ({len(package.files)} files, {package.size / 1e6:.2g} MB)")
            click.echo(f"  sha256       {package.sha256}")
            click.echo(f"\nAnybody can check it: phasewright verify {package.file.name}")
    if open_page:
        _open_page(guide.html)
    ctx.exit(_exit_code(analysis))


@main.command()
@click.argument("folders", type=click.Path(path_type=Path), nargs=-1, required=True, metavar="DIR DIR...")
@click.option("--same-instruments", is_flag=True, help="The same meters stood on all benches: their errors cancel.")
@_JSON
@click.pass_context
def compare(ctx: click.Context, folders: tuple[Path, ...], same_instruments: bool, as_json: bool) -> None:
    """Compare campaigns with the first.

    The same settings on other boards, coolers or days, with uncertainty; tells real differences from noise.
    """
    from dataclasses import asdict

    from phasewright.app import jobs

    if len(folders) < 2 or len({folder.resolve() for folder in folders}) < len(folders):
        raise click.UsageError(f"{len(folders)} given - two or more different campaign folders are compared - add one")
    with _job(ctx) as progress:
        found = jobs.compare(folders, same_instruments=same_instruments, progress=progress)
    if as_json:
        _print_json(_finite(asdict(found)))
    else:
        from phasewright.report import comparison_text

        click.echo(comparison_text(found), nl=False)
    ctx.exit(DONE if found.settings else NOT_USABLE)


@main.command()
@click.argument("package", type=click.Path(path_type=Path), metavar="PACKAGE")
@_JSON
@click.pass_context
def verify(ctx: click.Context, package: Path, as_json: bool) -> None:
    """Prove a data package, or a record.

    Compares every fingerprint, analyzes the raw logs again and compares every number with those in the package. Of a
    campaign that was recorded here, every record of the journal is read again and each loss is one line.
    """
    from phasewright.app import jobs

    if (package / "journal").is_dir():
        from phasewright.app.recording_text import verified_text

        with _job(ctx):
            record = jobs.verify_record(package)
        if as_json:
            _print_json(record.as_dict())
        else:
            click.echo(verified_text(record))
        ctx.exit(record.exit_code)
    with _job(ctx) as progress:
        found = jobs.verify(package, progress=progress)
    if as_json:
        _print_json({"package": str(package), "proven": found.proven, "files": found.files, "numbers": found.numbers,
                     "differences": list(found.differences), "written_with": found.written_with})
    elif found.proven:
        click.echo(f"Proven: {found.files} files have their stated fingerprints, and the raw logs give the same "
                   f"{found.numbers} numbers and words again.")
    else:
        click.echo(f"Not proven: {found.files} files compared, {found.numbers} numbers and words compared")
        for text in found.differences:
            click.echo(f"  {text}")
    ctx.exit(DONE if found.proven else NOT_USABLE)


@main.command()
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
        run(folder, port=port, say=click.echo, show=None if no_open else _open_page)
    except OSError as error:
        click.echo(f"port {port} cannot be listened on ({error.strerror or error}) - give another --port", err=True)
        ctx.exit(BAD_INPUT)


def _exit_code(analysis: Any) -> int:
    from phasewright.app import jobs

    if not any(step.quantities for step in analysis.steps):
        return NOT_USABLE
    return WITH_LOSSES if jobs.losses(analysis) else DONE


def _finite(thing: Any) -> Any:
    """Return data with None for every number that is not finite."""
    if isinstance(thing, dict):
        return {key: _finite(item) for key, item in thing.items() if key != "parts"}
    if isinstance(thing, list | tuple):
        return [_finite(item) for item in thing]
    return None if isinstance(thing, float) and not -1e308 < thing < 1e308 else thing


def _print_json(thing: Any) -> None:
    import json

    click.echo(json.dumps(thing, indent=1, ensure_ascii=False, allow_nan=False, default=str))


def _print_analysis(analysis: Any) -> None:
    from phasewright.report import answers_text, results_table

    click.echo(results_table(analysis))
    click.echo()
    click.echo(answers_text(analysis))


def _print_next(folder: Path, wants: tuple[str, ...], command: str) -> None:
    """Print what the figures lack most, then the next command."""
    import textwrap

    if not wants:
        click.echo(f"\nNext: {command}")
        return
    click.echo("\nNext")
    for number, want in enumerate((*wants, command), start=1):
        click.echo(textwrap.fill(want, 80, initial_indent=f"  {number}. ", subsequent_indent="     ",
                                 break_long_words=False, break_on_hyphens=False))


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


def _open_page(page: Path) -> None:
    """Open `page` where there is a screen to show it on; a terminal without one is left alone."""
    import os
    import webbrowser

    has_screen = sys.platform in ("win32", "darwin") or os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")
    if has_screen:
        webbrowser.open(page.resolve().as_uri())


if __name__ == "__main__":
    main()
