"""Models: the pooled logistic fit, the tightness model on top of it, and their checks."""

from sidewall.models.fieller import FiellerSet, fieller_set
from sidewall.models.pooled_logit import PooledLogit
from sidewall.models.tightness import TightnessModel

__all__ = ["FiellerSet", "PooledLogit", "TightnessModel", "fieller_set"]
