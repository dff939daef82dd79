"""What would be enough: the design search."""

from __future__ import annotations

from pathlib import Path

import click

from phasewright.app.terminal import DONE, FOLDER, JSON, NOT_USABLE, job, print_json


@click.command()
@FOLDER
@click.option("--new", "begin", is_flag=True, help="Lay down an invented catalogue.toml and requirement.toml in DIR.")
@click.option("--draws", default=10_000, show_default=True, type=click.IntRange(0, 1_000_000),
              help="Draws of all tolerances for each design on the front; 0 = none.")
@click.option("--quick", is_flag=True, help="Leave out cooling against phases and what would change the choice.")
@click.option("--unmeasured", is_flag=True, help="Let part data alone speak, as before anything was measured.")
@click.option("--cluster", default="", metavar="ADDRESS",
              help="Scheduler of a cluster that completes the designs, or 'local'; the result is the same.")
@click.option("--figure", type=click.Path(dir_okay=False, path_type=Path), help="Draw the front to this SVG file.")
@JSON
@click.pass_context
def design(ctx: click.Context, folder: Path, begin: bool, draws: int, quick: bool, unmeasured: bool, cluster: str,
           figure: Path | None, as_json: bool) -> None:
    """Say what regulator would be enough.

    Searches the parts of catalogue.toml for every design that meets requirement.toml and that no other one equals or
    betters in cost, temperature, loss and chance; says which to build, why its neighbours fail, and what more money
    would buy. In a campaign folder what was measured of board and cooling carries over.
    """
    from phasewright.app import jobs

    if begin:
        with job(ctx):
            for path in jobs.new_design(folder):
                click.echo(str(path))
        click.echo(f"Invented parts and figures: put your own in, then run: phasewright design {folder}")
        return
    with job(ctx) as progress:
        found = jobs.design(folder, measured=not unmeasured, draws=draws, questions=not quick, cluster=cluster,
                            progress=progress)  # fmt: skip
    if figure is not None:
        from phasewright.report import front_svg

        jobs.write_atomically(figure, front_svg(found))
    if as_json:
        from phasewright.design import design_json

        print_json(design_json(found))
    else:
        from phasewright.report import design_text

        click.echo(design_text(found), nl=False)
    ctx.exit(DONE if found.verdict.chosen is not None else NOT_USABLE)
