"""From the analysis to the model, and from the model to settings that nobody has run yet."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from phasewright.app.jobs.analyzing import analyze
from phasewright.app.jobs.files import write_atomically
from phasewright.app.jobs.progress import Progress, part_of, quiet

if TYPE_CHECKING:
    from phasewright.app.foresee import Bounds
    from phasewright.bench import Bench, Campaign
    from phasewright.findings import Analysis
    from phasewright.model import Fitted, Prediction
    from phasewright.plan import Plan


def predict(
    folder: str | Path,
    *,
    phases: str = "",
    loads: Sequence[str] = (),
    options: Mapping[str, str] | None = None,
    measured: bool = True,
    progress: Progress | None = None,
) -> tuple[Prediction, ...]:
    """Predict settings of the campaign's bench: temperatures, loss, currents, margins, verdict with probability.

    Parameters
    ----------
    phases
        Phase counts, ``3`` or ``8,6,4`` or ``3-6``; '' = every count that is fitted.
    loads
        ``300 W`` at the package or ``250 A`` on the rail; none = the loads of the campaign's steps.
    options
        Texts with unit by name: coolant, voltage, frequency, fan, pump, ocp, total_ocp, warning, trip, power_limit.
    measured
        False: part data alone speak, as before anything was measured.

    Raises
    ------
    BenchFault
        With every text that is wrong.
    NotReady
        Where what is measured and stated cannot decide; says which further step would help most.
    """
    from phasewright.app.foresee import campaign_of, predict_settings, settings_of

    bench, campaign = campaign_of(Path(folder))
    settings = settings_of(phases, loads, options or {}, bench=bench, campaign=campaign)
    return predict_settings(known_model(Path(folder), bench, campaign, measured, progress or quiet), settings)


def preflight(
    folder: str | Path,
    *,
    phases: str = "",
    loads: Sequence[str] = (),
    options: Mapping[str, str] | None = None,
    measured: bool = True,
    progress: Progress | None = None,
) -> Plan:
    """Look a plan over before it is run: order from mild to severe, what each step would do, what would trip.

    Without `phases`, `loads` and `options` the campaign's own steps are looked over; for the arguments see `predict`.
    Raises BenchFault and NotReady like `predict`.
    """
    from phasewright.app.foresee import campaign_of, look_over, settings_of

    bench, campaign = campaign_of(Path(folder))
    wanted = campaign.steps
    if phases or loads or options or not wanted:
        wanted = settings_of(phases, loads, options or {}, bench=bench, campaign=campaign)
    return look_over(bench, wanted, known_model(Path(folder), bench, campaign, measured, progress or quiet))


def bounds(
    folder: str | Path,
    *,
    phases: str = "",
    loads: Sequence[str] = (),
    options: Mapping[str, str] | None = None,
    measured: bool = True,
    progress: Progress | None = None,
) -> Bounds:
    """Say how far the campaign's bench reaches: fewest phases for each load, greatest load of each phase count.

    For the arguments see `predict`; without `phases` the greatest load is given for every count. Raises BenchFault.
    """
    from phasewright.app.foresee import bounds_of, campaign_of, settings_of

    bench, campaign = campaign_of(Path(folder))
    settings = settings_of(phases, loads, options or {}, bench=bench, campaign=campaign)
    return bounds_of(known_model(Path(folder), bench, campaign, measured, progress or quiet), settings)


def model(folder: str | Path, *, analysis: Analysis | None = None, progress: Progress | None = None) -> Fitted:
    """Return the electro-thermal model of the campaign, fitted to what was measured, and keep it in ``derived``.

    Part data alone speak where no step shows a load. A fit that was made from the same files is taken as it is.
    """
    from phasewright.app.foresee import MODEL_FILE, campaign_of, fit, kept_model, model_text

    folder, progress = Path(folder), progress or quiet
    if analysis is None:
        bench, campaign = campaign_of(folder)
        kept = kept_model(folder, bench, campaign)
        if kept is not None:
            return kept
        analysis = analyze(folder, progress=part_of(progress, 0.0, 0.7))
    kept = kept_model(folder, analysis.bench, analysis.campaign)
    if kept is not None:
        return kept
    progress(0.7, "fitting the electro-thermal model")
    fitted = fit(analysis, part_of(progress, 0.7, 1.0))
    with contextlib.suppress(OSError):
        # What is kept only saves time.
        write_atomically(folder / "derived" / MODEL_FILE, model_text(folder, fitted, analysis.campaign))
    return fitted


def known_model(folder: Path, bench: Bench, campaign: Campaign, measured: bool, progress: Progress) -> Fitted:
    """Return the model of the campaign after what was measured, or of its part data alone."""
    from phasewright.app.foresee import kept_model
    from phasewright.model import fitted_prior, prior_of

    if not measured or not campaign.logs:
        return fitted_prior(prior_of(bench))
    kept = kept_model(folder, bench, campaign)
    if kept is not None:
        return kept
    analysis = analyze(folder, progress=part_of(progress, 0.0, 0.7))
    return model(folder, analysis=analysis, progress=part_of(progress, 0.7, 1.0))
