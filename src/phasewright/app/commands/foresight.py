"""What other settings would do, and whether a plan is wise."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from phasewright.app.terminal import DONE, FOLDER, JSON, NOT_USABLE, job, print_json

_SETTING = (
    click.option("--phases", default="", metavar="LIST", help="Phase counts: 3, or 8,6,4, or 3-6 (default: all)."),
    click.option("--load", "loads", multiple=True, metavar="LOAD",
                 help="'300 W' at the package or '250 A' on the rail. Repeat it for more (default: the steps' loads)."),
    click.option("--coolant", default="", metavar="TEMPERATURE", help="Coolant temperature, such as 35C."),
    click.option("--voltage", default="", metavar="VOLTAGE", help="Rail voltage, such as '1.1 V'."),
    click.option("--frequency", default="", metavar="FREQUENCY", help="Switching frequency, such as '400 kHz'."),
    click.option("--fan", default="", metavar="DUTY", help="Fan duty, such as '40 %' (default: that of the steps)."),
    click.option("--pump", default="", metavar="DUTY", help="Pump duty, such as '80 %' (default: that of the steps)."),
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


@click.command()
@FOLDER
@_setting_options
@JSON
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
    with job(ctx) as progress:
        found = jobs.predict(
            folder, phases=phases, loads=loads, options=given, measured=not unmeasured, progress=progress
        )
        bounds = jobs.bounds(folder, phases=phases, loads=loads, options=given, measured=not unmeasured)
    enough = enough_of(campaign_of(folder)[0], found)
    if as_json:
        told = {"format": "phasewright-prediction-1", "predictions": [prediction_json(item) for item in found],
                "enough": [enough_json(item) for item in enough]}  # fmt: skip
        print_json(told | bounds_json(bounds))
        return
    from phasewright.report import bounds_text, prediction_text, predictions_table

    click.echo(prediction_text(found[0]) if len(found) == 1 else predictions_table(found))
    if len(found) > 1:
        import textwrap

        for item in enough:
            click.echo("\n".join(textwrap.wrap(enough_text(item), 80)))
    click.echo(bounds_text(bounds.fewest, bounds.ceilings), nl=False)


@click.command()
@FOLDER
@_setting_options
@click.option("--steps", "as_steps", is_flag=True, help="Print the plan as [[step]] blocks for campaign.toml.")
@JSON
@click.pass_context
def preflight(ctx: click.Context, folder: Path, phases: str, loads: tuple[str, ...], unmeasured: bool, as_steps: bool,
              as_json: bool, **options: str) -> None:
    """Look a plan over before it is run.

    Orders the steps from mild to severe and says for each what it would do, the chance to trip, how long to hold it
    and when to stop. Without options the campaign's own steps are looked over.
    """
    from phasewright.app import jobs

    given = {name: text for name, text in options.items() if text}
    with job(ctx) as progress:
        plan = jobs.preflight(
            folder, phases=phases, loads=loads, options=given, measured=not unmeasured, progress=progress
        )
    if as_json:
        from phasewright.app.foresee import plan_json

        print_json(plan_json(plan))
    elif as_steps:
        from phasewright.plan import plan_text

        click.echo(plan_text(plan), nl=False)
    else:
        from phasewright.report import preflight_text

        click.echo(preflight_text(plan))
    ctx.exit(NOT_USABLE if all(item.forecast.verdict == "no-go" for item in plan.steps) else DONE)
