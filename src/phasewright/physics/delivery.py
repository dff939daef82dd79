"""Power delivery between two boundaries: efficiency, loss, and how well a loss by difference can be known."""

from __future__ import annotations

import numpy as np

from phasewright.physics._arguments import Number, refuse
from phasewright.physics.validity import ANY, NOT_NEGATIVE, OPEN_FRACTION, POSITIVE, Bound, formula

__all__ = [
    "conversion_efficiency",
    "delivery_efficiency",
    "extra_input_power",
    "loss_from_efficiency",
    "loss_of",
    "loss_ratio",
    "loss_u",
    "loss_worst_error",
]

ENERGY = "conservation of energy"
EFFICIENCY = Bound(low=0.0, high=1.0, open_low=True, said_by=ENERGY)


@formula(
    possible={"package_power": ANY, "input_power": POSITIVE},
    range={"package_power": NOT_NEGATIVE},
    source="definition, design words of this project",
)
def delivery_efficiency(package_power: Number, input_power: Number) -> Number:
    """Return the share of the input power that reaches the package.

    eta = P_package / P_in

    Parameters:
        package_power [W]: power that the processor reports for the whole package; measured, so noise may take it
            below zero.
        input_power [W]: power at the board's processor inputs, where the meter sits.

    Returns:
        delivery efficiency [1], arguments broadcast; above 1 when a reading is wrong, and not clipped.

    Range:
        input_power above 0; package_power at least 0 (physics).

    Assumptions:
        both powers are means over the same window; everything between meter and package counts as loss.

    Example:
        >>> round(delivery_efficiency(351.0, 505.0), 4)
        0.695

    Source:
        definition; 351 W at the package for 505 W of input is 69.5 % (common practice, no source).
    """
    return package_power / input_power


@formula(
    possible={"rail_power": ANY, "input_power": POSITIVE, "other_loads": ANY},
    range={"rail_power": NOT_NEGATIVE, "other_loads": NOT_NEGATIVE},
    source="definition, design words of this project",
)
def conversion_efficiency(rail_power: Number, input_power: Number, other_loads: Number = 0.0) -> Number:
    """Return the efficiency of the regulator under test alone.

    eta = P_rail / (P_in - P_other)

    Parameters:
        rail_power [W]: output voltage times output current of the regulator under test.
        input_power [W]: power at the board's processor inputs.
        other_loads [W]: what the same inputs feed besides the regulator under test.

    Returns:
        conversion efficiency [1], arguments broadcast; above 1 when a reading is wrong, and not clipped.

    Range:
        input_power above 0 and above other_loads; rail_power and other_loads at least 0 (physics).

    Assumptions:
        all powers are means over the same window.

    Example:
        >>> conversion_efficiency(180.0, 212.0, 12.0)
        0.9

    Source:
        definition (output over input of the same boundary).
    """
    left = input_power - other_loads
    if np.any(left <= 0.0):
        raise refuse(
            "input_power less other_loads",
            float(np.min(left)),
            "the regulator under test must have input power left",
            "check the input power [W] and the other loads on the same input [W]",
            "conversion_efficiency: impossible arguments",
        )
    return rail_power / left


@formula(possible={"input_power": ANY, "output_power": ANY}, source=ENERGY)
def loss_of(input_power: Number, output_power: Number) -> Number:
    """Return the power lost between two boundaries.

    P_loss = P_in - P_out

    Parameters:
        input_power [W]: power into the boundary.
        output_power [W]: power out of the same boundary.

    Returns:
        loss [W], arguments broadcast; negative when a reading is wrong, and not clipped.

    Range:
        any measured pair; a loss below 0 says that a gain is wrong (conservation of energy).

    Assumptions:
        steady state: nothing is stored between the two.

    Example:
        >>> loss_of(505.0, 351.0)
        154.0

    Source:
        conservation of energy.
    """
    return input_power - output_power


@formula(
    possible={"output_power": NOT_NEGATIVE, "efficiency": EFFICIENCY},
    source=ENERGY,
)
def loss_from_efficiency(output_power: Number, efficiency: Number) -> Number:
    """Return the loss behind an efficiency at a given output.

    P_loss = P_out (1/eta - 1)

    Parameters:
        output_power [W]: power out of the boundary.
        efficiency [1]: output over input of the same boundary.

    Returns:
        loss [W], arguments broadcast.

    Range:
        output_power at least 0, efficiency above 0 and at most 1 (conservation of energy).

    Assumptions:
        steady state.

    Example:
        >>> round(loss_from_efficiency(300.0, 0.90), 3)
        33.333

    Source:
        arithmetic on the definition of efficiency.
    """
    return output_power * (1.0 / efficiency - 1.0)


@formula(
    possible={"output_power": NOT_NEGATIVE, "efficiency": EFFICIENCY, "reference_efficiency": EFFICIENCY},
    source=ENERGY,
)
def extra_input_power(output_power: Number, efficiency: Number, reference_efficiency: Number) -> Number:
    """Return how much more input power one efficiency asks for than another at the same output.

    dP = P_out (1/eta - 1/eta_ref)

    Parameters:
        output_power [W]: power out of the boundary, the same in both cases.
        efficiency [1]: the efficiency judged.
        reference_efficiency [1]: the efficiency it is compared with.

    Returns:
        extra input power [W], arguments broadcast; negative when less is needed.

    Range:
        output_power at least 0, both efficiencies above 0 and at most 1 (conservation of energy).

    Assumptions:
        the load does not change with the efficiency.

    Example:
        >>> round(extra_input_power(300.0, 0.77, 0.85))
        37

    Source:
        arithmetic; 300 W at the package cost 37 W more at 77 % than at 85 % (common practice, no source).
    """
    return output_power * (1.0 / efficiency - 1.0 / reference_efficiency)


@formula(possible={"efficiency": EFFICIENCY, "reference_efficiency": OPEN_FRACTION}, source=ENERGY)
def loss_ratio(efficiency: Number, reference_efficiency: Number) -> Number:
    """Return how many times the loss of a reference another efficiency means at the same output.

    P_loss / P_loss,ref = (1/eta - 1) / (1/eta_ref - 1)

    Parameters:
        efficiency [1]: the efficiency judged.
        reference_efficiency [1]: the efficiency it is compared with; below 1, for at 1 there is no loss to compare.

    Returns:
        ratio of losses [1], arguments broadcast.

    Range:
        efficiency above 0 and at most 1, reference_efficiency between 0 and 1 (conservation of energy).

    Assumptions:
        the same output in both cases.

    Example:
        >>> round(loss_ratio(0.92, 0.95), 3)
        1.652

    Source:
        arithmetic on the definition of efficiency.
    """
    return (1.0 / efficiency - 1.0) / (1.0 / reference_efficiency - 1.0)


@formula(
    possible={"efficiency": OPEN_FRACTION, "input_error": NOT_NEGATIVE, "output_error": NOT_NEGATIVE},
    source="B. Erdl, Accurate measurement of power supply efficiency",
)
def loss_worst_error(efficiency: Number, input_error: Number, output_error: Number) -> Number:
    """Return the greatest relative error of a loss taken as the difference of two power readings.

    |dP_loss| / P_loss = (e_in + eta e_out) / (1 - eta)

    Parameters:
        efficiency [1]: output over input.
        input_error [1]: greatest relative error of the input reading.
        output_error [1]: greatest relative error of the output reading.

    Returns:
        greatest relative error of the loss [1], arguments broadcast.

    Range:
        efficiency between 0 and 1, errors at least 0 (conservation of energy).

    Assumptions:
        both errors at their bounds with opposite signs.

    Example:
        >>> round(loss_worst_error(0.95, 0.005, 0.005), 3)
        0.195

    Source:
        B. Erdl, Accurate measurement of power supply efficiency: half a percent on each becomes 20 % of the loss.
    """
    return (input_error + efficiency * output_error) / (1.0 - efficiency)


@formula(
    possible={"efficiency": OPEN_FRACTION, "input_u": NOT_NEGATIVE, "output_u": NOT_NEGATIVE},
    source="JCGM 100:2008, 5.1.2 (law of propagation)",
)
def loss_u(efficiency: Number, input_u: Number, output_u: Number) -> Number:
    """Return the relative standard uncertainty of a loss taken as the difference of two independent readings.

    u(P_loss) / P_loss = sqrt((u_in / (1 - eta))^2 + (eta u_out / (1 - eta))^2)

    Parameters:
        efficiency [1]: output over input.
        input_u [1]: relative standard uncertainty of the input reading.
        output_u [1]: relative standard uncertainty of the output reading.

    Returns:
        relative standard uncertainty of the loss [1], arguments broadcast.

    Range:
        efficiency between 0 and 1, uncertainties at least 0 (conservation of energy).

    Assumptions:
        the two readings are independent: no shared gain.

    Example:
        >>> round(loss_u(0.95, 0.001, 0.001), 6)
        0.027586

    Source:
        JCGM 100:2008, 5.1.2 (law of propagation of uncertainty).
    """
    return np.hypot(input_u, efficiency * output_u) / (1.0 - efficiency)
