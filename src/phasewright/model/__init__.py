"""The electro-thermal model: why the regulator runs as hot as it does, and what any other setting would do.

Takes: Bench, Analysis, settings.
Gives: Prior, Fitted, Prediction, where loss goes, how far up and how few, how far heat is from running away.
May import: findings, limits, logs, physics, bench, quantity.
May touch: nothing (random generators are passed in).
Asks: is it a parameter, or what parameters say of a setting?
"""

from phasewright.model.exchange import from_dict, model_json, to_dict
from phasewright.model.fitting import fit_model, fitted_prior
from phasewright.model.formula import Load, excess_of, input_of, settle
from phasewright.model.gains import GainCheck, gain_check
from phasewright.model.lessons import Lesson, next_step
from phasewright.model.many import ManyPredictions, predict_many
from phasewright.model.prediction import as_setting, every_margin, predict, state_of_prediction, with_every_margin
from phasewright.model.prior import prior_of
from phasewright.model.reach import Ceiling, Fewest, fewest_phases, first_margin, headroom
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
from phasewright.model.settling import SettledTemperature, settled_temperature
from phasewright.model.splitting import LossSplit, loss_split

__all__ = [
    "Belief",
    "Ceiling",
    "CoolantLaw",
    "Fewest",
    "Fitted",
    "GainCheck",
    "Lesson",
    "Load",
    "LossSplit",
    "ManyPredictions",
    "Parameter",
    "Prediction",
    "Prior",
    "Residual",
    "Setting",
    "SettledTemperature",
    "as_setting",
    "every_margin",
    "excess_of",
    "fewest_phases",
    "first_margin",
    "fit_model",
    "fitted_prior",
    "from_dict",
    "gain_check",
    "headroom",
    "input_of",
    "loss_split",
    "model_json",
    "next_step",
    "predict",
    "predict_many",
    "prior_of",
    "state_of_prediction",
    "with_every_margin",
    "settle",
    "settled_temperature",
    "to_dict",
]
