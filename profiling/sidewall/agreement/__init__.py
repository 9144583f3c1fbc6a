"""Two charters of the same match: what they agree on, and what their errors do."""

from sidewall.agreement.agreement import Agreement as Agreement
from sidewall.agreement.align import align as align
from sidewall.agreement.coefficients import cohen_kappa as cohen_kappa
from sidewall.agreement.coefficients import intraclass as intraclass
from sidewall.agreement.coefficients import limits_of_agreement as limits_of_agreement
from sidewall.agreement.thresholds import simex as simex
from sidewall.agreement.thresholds import simex_thresholds as simex_thresholds
from sidewall.agreement.thresholds import threshold_agreement as threshold_agreement
