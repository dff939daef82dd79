"""The electro-thermal model: why the regulator runs as hot as it does, and what any other setting would do.

Takes: Bench, Analysis, settings.
Gives: Prior, Fitted, Prediction, how far loss and temperature are from running away.
May import: findings, limits, logs, physics, bench, quantity.
May touch: nothing (random generators are passed in).
Asks: is it a parameter, or what parameters say of a setting?
"""

from phasewright.model.fitting import fit_model, fitted_prior
from phasewright.model.prediction import as_setting, every_margin, predict, state_of_prediction, with_every_margin
from phasewright.model.prior import prior_of
from phasewright.model.records import (
    Belief,
    CoolantLaw,
    Fitted,
    Parameter,
    Prediction,
    Prior,
    Residual,
    Setting,
)

__all__ = [
    "Belief",
    "CoolantLaw",
    "Fitted",
    "Parameter",
    "Prediction",
    "Prior",
    "Residual",
    "Setting",
    "as_setting",
    "every_margin",
    "fit_model",
    "fitted_prior",
    "predict",
    "prior_of",
    "state_of_prediction",
    "with_every_margin",
]
