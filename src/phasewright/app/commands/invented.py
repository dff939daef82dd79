"""An invented campaign, to see what there is to see."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from phasewright.app.terminal import FOLDER, JSON, job, print_analysis, show_page


@click.command()
@FOLDER
@click.option("--no-page", is_flag=True, help="Do not open the guide in the browser.")
@click.option("--seed", default=1, show_default=True, help="Seed of every simulated error.")
@click.option("--again", is_flag=True, help="Replace an earlier demo in DIR.")
@click.option("--live", is_flag=True, help="Record the campaign too: a plan through recorder and guide, in quick motion.")
@click.option("--real-time", is_flag=True, help="With --live: you run the plan yourself, and a second takes a second.")
@JSON
@click.pass_context
def demo(ctx: click.Context, folder: Path, no_page: bool, seed: int, again: bool, live: bool, real_time: bool,
         as_json: bool) -> None:
    """Make and analyze an invented campaign.

    Writes the campaign into DIR with the virtual bench, analyzes it, prints the answers and writes the guide.
    """
    from phasewright.app import jobs

    if real_time and not live:
        raise click.UsageError("--real-time goes with --live")
    with job(ctx) as progress:
        if real_time:
            from phasewright.app.recording_terminal import TerminalPerson

            person = TerminalPerson(sys.stderr if as_json else None)
            person.tell("Simulated: nothing here can be hurt. Set what you are asked to set by pressing Enter.\n"
                        f"The same run can be watched, answered and stopped on the page: phasewright serve {folder}")
            with person.at_the_keys():
                result = jobs.demo_live(folder, seed=seed, again=again, person=person, progress=progress)
        elif live:
            told = None if as_json else click.echo
            result = jobs.demo_live(folder, seed=seed, again=again, told=told, progress=progress)
        else:
            result = jobs.demo(folder, seed=seed, again=again, progress=progress)
    if as_json:
        click.echo(jobs.to_json_text(result.analysis, jobs.model(folder, analysis=result.analysis), folder=folder), nl=False)
        return
    print_analysis(jobs.answered(result.analysis, jobs.model(folder, analysis=result.analysis), folder=folder))
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
        show_page(page)
