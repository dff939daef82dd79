"""How the rail current divides over the phases, and what per-phase protection means for the whole."""

from __future__ import annotations

import numpy as np

from phasewright.physics._arguments import Number
from phasewright.physics.validity import ANY, NOT_NEGATIVE, POSITIVE, Bound, formula

__all__ = ["greatest_phase_current", "least_loss_phase_count", "phase_current", "total_protection"]

# A mean phase count over a window in which phases were shed lies between whole numbers, so it is not refused here.
PHASES = Bound(low=1.0, said_by="a rail has at least one phase")


@formula(possible={"rail_current": ANY, "phase_count": PHASES}, source="charge balance")
def phase_current(rail_current: Number, phase_count: Number) -> Number:
    """Return the mean current of one phase.

    I_phase = I_rail / N

    Parameters:
        rail_current [A]: output current of the regulator under test; negative when it is fed back.
        phase_count [1]: phases at work.

    Returns:
        mean current of one phase [A], arguments broadcast.

    Range:
        phase_count at least 1 (a rail has at least one phase); any current.

    Assumptions:
        phases share alike; for the unlucky one see greatest_phase_current.

    Example:
        >>> phase_current(180.0, 3)
        60.0

    Source:
        charge balance.
    """
    return rail_current / phase_count


@formula(
    possible={"rail_current": NOT_NEGATIVE, "phase_count": PHASES, "sharing_error": NOT_NEGATIVE},
    range={"sharing_error": Bound(low=0.0, high=1.0, said_by="a phase that carries twice its share does not share")},
    source="charge balance",
)
def greatest_phase_current(rail_current: Number, phase_count: Number, sharing_error: Number) -> Number:
    """Return the mean current of the phase that carries most.

    I_max = I_rail (1 + s) / N

    Parameters:
        rail_current [A]: output current of the regulator under test.
        phase_count [1]: phases at work.
        sharing_error [1]: greatest relative excess of one phase over the mean, 0.1 = 10 %.

    Returns:
        mean current of the greatest phase [A], arguments broadcast.

    Range:
        phase_count at least 1; sharing_error 0 to 1 (a phase that carries twice its share does not share).

    Assumptions:
        the excess is relative to the mean at every load.

    Example:
        >>> round(greatest_phase_current(180.0, 3, 0.1), 9)
        66.0

    Source:
        charge balance.
    """
    return rail_current * (1.0 + sharing_error) / phase_count


@formula(
    possible={"phase_threshold": POSITIVE, "phase_count": PHASES},
    source="charge balance",
)
def total_protection(phase_threshold: Number, phase_count: Number) -> Number:
    """Return the rail current at which phases that share alike all reach their protection threshold.

    I_total = N I_threshold

    Parameters:
        phase_threshold [A]: over-current threshold of one phase.
        phase_count [1]: phases at work.

    Returns:
        rail current at the threshold [A], arguments broadcast.

    Range:
        phase_threshold above 0, phase_count at least 1 (physics).

    Assumptions:
        phases share alike and the threshold acts on the mean current of a phase; ripple and sharing error lower it.

    Example:
        >>> total_protection(52.0, 8)
        416.0

    Source:
        charge balance; 52 A on 8 phases is 416 A in total (common practice, no source).
    """
    return phase_threshold * phase_count


@formula(
    possible={"rail_current": NOT_NEGATIVE, "phase_loss": POSITIVE, "phase_resistance": POSITIVE},
    source="own derivation: least of a n + r I^2 / n",
)
def least_loss_phase_count(rail_current: Number, phase_loss: Number, phase_resistance: Number) -> Number:
    """Return the phase count at which fixed and resistive losses of the phases together are least.

    n = I sqrt(r / a), not rounded

    Parameters:
        rail_current [A]: output current of the regulator under test.
        phase_loss [W]: loss of one phase that does not depend on its current: gate, output charge, core.
        phase_resistance [Ohm]: resistance of one phase's path: switches over the period, and winding.

    Returns:
        phase count [1], arguments broadcast; below 1 where even one phase is more than the load needs.

    Range:
        rail_current at least 0, the rest above 0 (physics).

    Assumptions:
        loss a n + r I^2 / n and parts that do not depend on n; phases share alike.

    Example:
        >>> round(least_loss_phase_count(100.0, 1.0, 2e-3), 3)
        4.472

    Source:
        own derivation: least of a n + r I^2 / n.
    """
    return rail_current * np.sqrt(phase_resistance / phase_loss)
