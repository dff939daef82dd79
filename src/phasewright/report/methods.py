"""How each figure was computed: formulas with their sources, in words that can be checked."""

from __future__ import annotations

from phasewright.findings import Analysis
from phasewright.report.document import Bullets, Formula, Method, Paragraph
from phasewright.report.palette import SIGNS

TITLE = "How it was computed"

_MEANING = {
    "sustained": "settled, no protection active, every margin positive at 95 %",
    "marginal": "sustained, but the 95 % interval of a margin includes zero",
    "clamped": "it ran, but a protection or a power limit held it back",
    "tripped": "it shut down or the machine was lost",
    "unsettled": "the dwell was too short to say, and extrapolation does not decide it",
    "unknown": "evidence is missing; the reasons say which",
}


def verdict_method() -> Method:
    """Return what each verdict means."""
    return Method(
        "What the verdicts mean, and how they were reached",
        (
            Bullets(tuple(f"{SIGNS[word]} {word}: {meaning}." for word, meaning in _MEANING.items())),
            Paragraph(
                "Every step has exactly one verdict. It is decided from the window, the margins, the protection and "
                "error channels where logged, and what the person noted; the reasons stand with each step below."
            ),
        ),
    )


def heat_method(analysis: Analysis) -> Method:
    """Return how temperatures, rises and currents per phase were found."""
    return Method(
        TITLE,
        (
            Paragraph("Temperatures are means over the steady window; the raw record stands under Can it be trusted?"),
            Formula("rise = T_regulator − T_coolant", "T: means over the same window", "definition"),
            Formula(
                "R_th = rise / loss",
                "loss between meter and package, so it contains cable and connector heat that never "
                "passes the regulator: an effective figure for this bench, not a part's",
                "definition",
            ),
            Formula(
                "I_phase = I_rail / n",
                "n: phases that carry current; sharing errors come on top and are said where known",
                "definition",
            ),
            Paragraph(
                "Interval: statistical part from the number of independent readings, corrected for autocorrelation; "
                "instrument offset and gain as their makers state them, shared by all steps. Combined after "
                "JCGM 100:2008, 5.1 and 5.2, coverage factor from the effective degrees of freedom (annex G)."
            ),
        ),
    )


def waste_method(analysis: Analysis) -> Method:
    """Return how loss, efficiency, comparisons and cost were found."""
    cost = analysis.campaign.cost
    blocks: list[Paragraph | Formula | Bullets] = [
        Formula(
            "loss = P_input − P_package",
            "means over the same window on one clock; everything between meter and "
            "package is in it: cables, connectors, board, regulator, and rails that the package does not count",
            "energy balance",
        ),
        Formula("delivery efficiency = P_package / P_input", "same boundary", "definition"),
        Paragraph(
            "Package power is what the processor reports. Unless it was compared with a better meter its standard "
            "uncertainty is taken as 3 % and 1 W, and the loss carries that. A gain error of the reported power and "
            "a loss in proportion to load cannot be told apart from powers alone."
        ),
        Paragraph(
            "Differences and ratios to the baseline are computed from the same sources of error, so a gain error "
            "that both steps share acts once (JCGM 100:2008, 5.2, correlated inputs)."
        ),
        Formula(
            "energy a year = ΔP × hours a day × days a year",
            f"here {cost.hours_per_day:g} h and {cost.days_per_year:g} days, as stated in the campaign file",
            "definition",
        ),
    ]
    return Method(TITLE, tuple(blocks))


def margin_method() -> Method:
    """Return how margins were found."""
    return Method(
        TITLE,
        (
            Formula(
                "margin = limit − figure",
                "in the limit's unit; peaks are used where a limit acts on peaks, and the "
                "averaging time of a peak stands with it",
                "definition",
            ),
            Formula(
                "k = margin / u(margin)", "u: standard uncertainty of limit and figure together", "JCGM 100:2008, 5.1"
            ),
            Paragraph(
                "Limits come from ratings, thresholds as set, standards or physics, each with its source in the table. "
                "The limit that gives first is the one with the smallest margin in standard uncertainties. Absolute "
                "maximum ratings bound everything; nothing here widens them."
            ),
        ),
    )


def window_method(analysis: Analysis) -> Method:
    """Return how steady windows were found."""
    return Method(
        TITLE,
        (
            Paragraph(
                "Each step begins and ends where the campaign file says, or at edges of the load found in the record. "
                "Inside it the window is the part in which what remains of the transients is below the bound. How the "
                "bench answers its load is learnt from the whole record: the time constants are the same in all steps "
                "with the same cooling, and what one channel shows of them counts for the others."
            ),
            Formula(
                "remaining = Σ g_k × (load − load behind lag τ_k) < bound",
                f"g_k, τ_k: gains and time constants of the first-order parts of a temperature's answer to power and "
                f"loss; settled: below the bound with 99 % at the end of the window; bound "
                f"{analysis.campaign.settle_bound:g} K as stated in the campaign file",
                "first-order parts of a passive heat path; common practice, no source for the number of parts",
            ),
            Paragraph("A step that does not pass is called unsettled, whatever its readings look like."),
        ),
    )


def clock_method() -> Method:
    """Return how the clocks were put together."""
    return Method(
        TITLE,
        (
            Paragraph(
                "One log is the reference. For every other log the offset is found by correlating edges (changes over "
                "one second), not levels; then offset, drift, averaging time and the gain between the two channels are "
                "fitted together by robust least squares on means over each reading's own interval."
            ),
            Formula(
                "t_reference = t + offset + drift × (t − pivot)",
                "t: the log's own clock; drift in parts per million",
                "linear clock model",
            ),
            Paragraph(
                "A periodic load gives several offsets that fit alike. The ratio of second to first peak of the "
                "correlation shows it: above 0.9 the clock is called ambiguous and every candidate is listed."
            ),
        ),
    )
