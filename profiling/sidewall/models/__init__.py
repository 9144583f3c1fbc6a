"""Models: the tightness model with its answers, and the pooled logistic fit."""

from sidewall.models.pooled_logit import PooledLogit
from sidewall.models.tightness import TightnessModel

__all__ = ["PooledLogit", "TightnessModel"]
