"""Core loss of an inductor: Steinmetz's law and its generalization to any waveform (iGSE)."""

from __future__ import annotations

import math

import numpy as np

from phasewright.physics._arguments import Number, elementwise, refuse
from phasewright.physics.validity import COUNT, NOT_NEGATIVE, OPEN_FRACTION, POSITIVE, Bound, formula

__all__ = [
    "core_loss_sine",
    "core_loss_triangular",
    "core_loss_waveform",
    "flux_swing",
    "igse_coefficient",
    "triangular_loss_ratio",
]

IGSE = "Venkatachalam, Sullivan, Abdallah and Tacca, Computers in Power Electronics 2002"
# Exponents outside these belong to no soft magnetic material in its useful band; the formulas themselves go further.
ALPHA = Bound(low=1.0, high=2.5, said_by="Steinmetz fits of soft ferrites and powders, common practice, no source")
BETA = Bound(low=1.5, high=3.5, said_by="Steinmetz fits of soft ferrites and powders, common practice, no source")
_EXPONENTS = {"frequency_exponent": POSITIVE, "flux_exponent": POSITIVE}
_USUAL = {"frequency_exponent": ALPHA, "flux_exponent": BETA}


@formula(
    possible={"inductance": POSITIVE, "ripple_current": NOT_NEGATIVE, "turn_count": COUNT, "core_area": POSITIVE},
    source="law of induction",
)
def flux_swing(inductance: Number, ripple_current: Number, turn_count: Number, core_area: Number) -> Number:
    """Return the peak-to-peak flux density in an inductor's core.

    dB = L dI / (n A)

    Parameters:
        inductance [H]: inductance of one phase.
        ripple_current [A]: ripple of one phase, peak to peak.
        turn_count [1]: turns of the winding.
        core_area [m^2]: effective cross-section of the core.

    Returns:
        flux swing, peak to peak [T], arguments broadcast.

    Range:
        turn_count a whole number of at least 1, inductance and core_area above 0 (physics).

    Assumptions:
        uniform flux, no saturation.

    Example:
        >>> round(flux_swing(0.22e-6, 12.0, 1, 30e-6) * 1e3, 6)
        88.0

    Source:
        law of induction.
    """
    return inductance * ripple_current / (turn_count * core_area)


@formula(
    possible={"core_coefficient": NOT_NEGATIVE, "frequency": NOT_NEGATIVE, "flux_amplitude": NOT_NEGATIVE} | _EXPONENTS,
    range=_USUAL,
    source="Steinmetz's law",
)
def core_loss_sine(
    core_coefficient: Number,
    frequency_exponent: Number,
    flux_exponent: Number,
    frequency: Number,
    flux_amplitude: Number,
) -> Number:
    """Return the core loss density under sinusoidal flux.

    p = k f^alpha B^beta

    Parameters:
        core_coefficient [W/m^3]: loss density at 1 Hz and 1 T amplitude, from a fit to the material's data.
        frequency_exponent [1]: alpha of the fit.
        flux_exponent [1]: beta of the fit.
        frequency [Hz]: frequency of the flux.
        flux_amplitude [T]: amplitude of the flux density, half of its swing.

    Returns:
        loss density [W/m^3], arguments broadcast.

    Range:
        frequency_exponent 1 to 2.5, flux_exponent 1.5 to 3.5 (fits of soft ferrites and powders, common practice, no
        source); the fit's own band of frequency, flux and temperature.

    Assumptions:
        sine without bias; a direct current in the winding raises the loss.

    Example:
        >>> round(core_loss_sine(2.0, 1.5, 2.5, 100e3, 0.1) / 1e3, 3)
        200.0

    Source:
        Steinmetz's law.
    """
    return core_coefficient * frequency**frequency_exponent * flux_amplitude**flux_exponent


def _cosine_integral(alpha: float) -> float:
    """Integral of |cos|^alpha over one turn, in closed form (from memory; checked by quadrature)."""
    return 2.0 * math.sqrt(math.pi) * math.exp(math.lgamma((alpha + 1.0) / 2.0) - math.lgamma(alpha / 2.0 + 1.0))


@formula(possible={"core_coefficient": NOT_NEGATIVE} | _EXPONENTS, range=_USUAL, source=IGSE)
def igse_coefficient(core_coefficient: Number, frequency_exponent: Number, flux_exponent: Number) -> Number:
    """Return the coefficient of the generalized Steinmetz equation that gives Steinmetz's law for a sine.

    k_i = k / ((2 pi)^(alpha - 1) 2^(beta - alpha) integral over one turn of |cos|^alpha)

    Parameters:
        core_coefficient [W/m^3]: loss density at 1 Hz and 1 T amplitude, from a fit to the material's data.
        frequency_exponent [1]: alpha of the fit.
        flux_exponent [1]: beta of the fit.

    Returns:
        coefficient [W/m^3], at 1 T/s and 1 T, arguments broadcast.

    Range:
        frequency_exponent 1 to 2.5, flux_exponent 1.5 to 3.5 (fits of soft ferrites and powders, common practice, no
        source).

    Assumptions:
        loss depends on the slope and the swing of the flux only.

    Example:
        >>> round(igse_coefficient(1.0, 1.0, 2.0), 6)
        0.125

    Source:
        Venkatachalam, Sullivan, Abdallah and Tacca, Computers in Power Electronics 2002 (form, from memory).
    """
    integral = elementwise(_cosine_integral, frequency_exponent)
    scale = (2.0 * np.pi) ** (frequency_exponent - 1.0) * 2.0 ** (flux_exponent - frequency_exponent)
    return core_coefficient / (scale * integral)


@formula(
    possible={
        "core_coefficient": NOT_NEGATIVE,
        "frequency": NOT_NEGATIVE,
        "flux_swing": NOT_NEGATIVE,
        "duty": OPEN_FRACTION,
    }
    | _EXPONENTS,
    range=_USUAL,
    source=IGSE,
)
def core_loss_triangular(
    core_coefficient: Number,
    frequency_exponent: Number,
    flux_exponent: Number,
    frequency: Number,
    flux_swing: Number,
    duty: Number,
) -> Number:
    """Return the core loss density under the triangular flux of a buck.

    p = k_i f^alpha dB^beta (D^(1 - alpha) + (1 - D)^(1 - alpha))

    Parameters:
        core_coefficient [W/m^3]: loss density at 1 Hz and 1 T amplitude, from a fit to the material's data.
        frequency_exponent [1]: alpha of the fit.
        flux_exponent [1]: beta of the fit.
        frequency [Hz]: frequency of one phase.
        flux_swing [T]: flux density, peak to peak.
        duty [1]: share of the period in which the flux rises.

    Returns:
        loss density [W/m^3], arguments broadcast.

    Range:
        0 < duty < 1; frequency_exponent 1 to 2.5, flux_exponent 1.5 to 3.5 (fits of soft ferrites and powders, common
        practice, no source).

    Assumptions:
        no bias, no relaxation while the flux stands still.

    Example:
        >>> round(core_loss_triangular(1.0, 1.0, 2.0, 1.0, 2.0, 0.1), 6)
        1.0

    Source:
        Venkatachalam, Sullivan, Abdallah and Tacca, Computers in Power Electronics 2002 (form, from memory).
    """
    k_i = igse_coefficient(core_coefficient, frequency_exponent, flux_exponent)
    slopes = duty ** (1.0 - frequency_exponent) + (1.0 - duty) ** (1.0 - frequency_exponent)
    return k_i * frequency**frequency_exponent * flux_swing**flux_exponent * slopes


@formula(possible={"duty": OPEN_FRACTION} | _EXPONENTS, range=_USUAL, source=IGSE)
def triangular_loss_ratio(duty: Number, frequency_exponent: Number, flux_exponent: Number) -> Number:
    """Return the core loss under triangular flux over that under a sine of the same frequency and swing.

    ratio = k_i / k 2^beta (D^(1 - alpha) + (1 - D)^(1 - alpha))

    Parameters:
        duty [1]: share of the period in which the flux rises.
        frequency_exponent [1]: alpha of the Steinmetz fit.
        flux_exponent [1]: beta of the Steinmetz fit.

    Returns:
        ratio [1], arguments broadcast; exactly 1 at alpha 1 and beta 2.

    Range:
        0 < duty < 1; frequency_exponent 1 to 2.5, flux_exponent 1.5 to 3.5 (fits of soft ferrites and powders, common
        practice, no source).

    Assumptions:
        as for core_loss_triangular.

    Example:
        >>> round(triangular_loss_ratio(0.1, 1.5, 2.5), 6)
        1.360858

    Source:
        Venkatachalam, Sullivan, Abdallah and Tacca, Computers in Power Electronics 2002 (form, from memory).
    """
    return core_loss_triangular(1.0, frequency_exponent, flux_exponent, 1.0, 2.0, duty)


@formula(
    possible={"core_coefficient": NOT_NEGATIVE, "flux": Bound(), "period": POSITIVE} | _EXPONENTS,
    range=_USUAL,
    source=IGSE,
)
def core_loss_waveform(
    core_coefficient: Number,
    frequency_exponent: Number,
    flux_exponent: Number,
    flux: Number,
    period: Number,
) -> Number:
    """Return the core loss density under one period of any flux, straight between its samples.

    p = (1/T) integral over one period of k_i |dB/dt|^alpha dB^(beta - alpha)

    Parameters:
        core_coefficient [W/m^3]: loss density at 1 Hz and 1 T amplitude, from a fit to the material's data.
        frequency_exponent [1]: alpha of the fit, one number.
        flux_exponent [1]: beta of the fit, one number.
        flux [T]: flux density at equal spacing over one period, last axis; the sample after the last is the first.
        period [s]: length of the period.

    Returns:
        loss density [W/m^3], shape of flux without its last axis.

    Range:
        frequency_exponent 1 to 2.5, flux_exponent 1.5 to 3.5 (fits of soft ferrites and powders, common practice, no
        source); flux of at least two samples.

    Assumptions:
        one major loop: a waveform with minor loops must be split into them first.

    Example:
        >>> round(core_loss_waveform(1.0, 1.0, 2.0, [-1.0, 0.0, 1.0, 0.0], 1.0), 6)
        1.0

    Source:
        Venkatachalam, Sullivan, Abdallah and Tacca, Computers in Power Electronics 2002 (form, from memory).
    """
    samples = np.atleast_1d(np.asarray(flux))
    count = samples.shape[-1]
    if count < 2:
        raise refuse(
            "samples of flux",
            count,
            "one period needs at least two samples",
            "give the flux density [T] over one whole period",
            "core_loss_waveform: impossible argument",
        )
    slopes = np.abs(np.roll(samples, -1, axis=-1) - samples) * count / period
    swing = samples.max(axis=-1) - samples.min(axis=-1)
    k_i = igse_coefficient(core_coefficient, frequency_exponent, flux_exponent)
    # A flux that stands still loses nothing, also where beta < alpha would divide by its swing.
    still = swing == 0.0
    safe = np.where(still, 1.0, swing)
    loss = k_i * np.mean(slopes**frequency_exponent, axis=-1) * safe ** (flux_exponent - frequency_exponent)
    return np.where(still, 0.0, loss)
