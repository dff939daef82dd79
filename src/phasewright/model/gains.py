"""Whether heat says that package power or rail current reads wrong.

The fit takes the gain of either instrument as a parameter beside losses and thermal paths. What the instrument claims
of itself is divided out of the result, so that readings of heat and of input power speak alone (with the part data).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from phasewright.model.records import Fitted
from phasewright.quantity import Part, Value, to_text, value_from_parts

__all__ = ["GainCheck", "gain_check"]

CHANNELS = ("package_power", "rail_current")
COUPLING_U = 0.003
"""[1] What the formula cannot know, as a gain: rails whose share moves with the load, heat on ways it does not have."""
SHARP = 0.0085
"""[1] Standard uncertainty up to which a gain that is off by 3 % shows in 95 of 100 cases with 5 false alarms in 100:
0.03 / (1.960 + 1.645)."""
ALARM = 1.96
"""Standard uncertainties beyond which a gain is called wrong; 5 % of right ones are."""


@dataclass(frozen=True, slots=True)
class GainCheck:
    """What heat and input power say of one instrument's gain."""

    channel: str
    gain: Value
    """Reading over truth, less one [1]; the instrument's own claim is not in it. NaN where nothing says."""
    applies: bool
    """A gain that is off by 3 % would show."""
    outcome: str
    """reads high | reads low | agrees | not decided"""
    sentence: str


def gain_check(fitted: Fitted) -> tuple[GainCheck, ...]:
    """Return what the fit says of the gains of package power and rail current, one check each where it is logged."""
    return tuple(_check(fitted, name) for name in CHANNELS if name in fitted.ranges)


def _check(fitted: Fitted, channel: str) -> GainCheck:
    words = channel.replace("_", " ")
    gain = _without_claim(fitted, f"{channel}_gain")
    if gain is None or gain.u is None or not fitted.step_count and len(fitted.phase_counts) < 2:
        unknown = Value(math.nan, "1", reason="neither heat nor input power says anything of this gain")
        return GainCheck(channel, unknown, False, "not decided", f"nothing can be said of the gain of {words}")
    applies = gain.u <= SHARP
    percent = to_text(gain, "%")
    if not abs(gain.value) > ALARM * gain.u:
        outcome = "agrees" if applies else "not decided"
        text = (f"{words} agrees with heat and input power: its gain is off by {percent}" if applies else
                f"heat and input power cannot decide the gain of {words}: off by {percent}")  # fmt: skip
        return GainCheck(channel, gain, applies, outcome, text)
    outcome = "reads high" if gain.value > 0.0 else "reads low"
    return GainCheck(channel, gain, applies, outcome, f"{words} {outcome}: by heat and input power its gain is off by "
                     f"{percent}; a flag, not a correction")  # fmt: skip


def _without_claim(fitted: Fitted, name: str) -> Value | None:
    """Return the gain [1] without what was believed of it before; None where the data add nothing."""
    at = fitted.prior.names.index(name)
    belief = fitted.prior.beliefs[at]
    variance = float(fitted.covariance[at, at])
    if not variance < 0.995:
        return None
    # Normal laws multiply by adding what they know: that of the prior, 1 at score 0, is taken out.
    known = 1.0 / variance - 1.0
    score = float(fitted.score[at]) / variance / known
    parts = [Part("model/fit", belief.spread / math.sqrt(known)), Part("model/formula", COUPLING_U)]
    return value_from_parts(belief.spread * score, "1", parts, kind="derived")
