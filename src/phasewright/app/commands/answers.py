"""From the logs to the answers."""

from __future__ import annotations

from pathlib import Path

import click

from phasewright.app.terminal import FOLDER, JSON, STRICT, exit_code, job, print_analysis, print_next


@click.command()
@FOLDER
@STRICT
@JSON
@click.pass_context
def analyze(ctx: click.Context, folder: Path, strict: bool, as_json: bool) -> None:
    """Turn the logs into answers.

    Prints figures with uncertainty, a verdict for every step, comparisons and answers; keeps derived/analysis.json.
    """
    from phasewright.app import jobs

    with job(ctx) as progress:
        analysis = jobs.analyze(folder, strict=strict, progress=progress)
        fitted = jobs.model(folder, analysis=analysis)
    if as_json:
        click.echo(jobs.to_json_text(analysis, fitted, folder=folder), nl=False)
    else:
        print_analysis(jobs.answered(analysis, fitted, folder=folder))
        print_next(folder, jobs.wants(analysis), f"phasewright report {folder}")
    ctx.exit(exit_code(analysis))
