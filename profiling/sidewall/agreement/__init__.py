"""Two charters of the same match: what they agree on, and what their errors do."""

from sidewall.agreement.agreement import Agreement
from sidewall.agreement.align import align
from sidewall.agreement.coefficients import cohen_kappa, intraclass, limits_of_agreement
from sidewall.agreement.thresholds import simex, simex_thresholds, threshold_agreement

__all__ = [
    "Agreement",
    "align",
    "cohen_kappa",
    "intraclass",
    "limits_of_agreement",
    "simex",
    "simex_thresholds",
    "threshold_agreement",
]
