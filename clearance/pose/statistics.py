"""The chi-square distribution in closed form, for whole degrees of freedom.

Abramowitz and Stegun, Handbook of Mathematical Functions, 26.4.4 and 26.4.5 (from memory; the tests hold them
against a library).
"""

from __future__ import annotations

import math

#: a reading is suspected from this normalised residual on: 0.1 % of good ones reach it (normal, two sides)
SUSPECT = 3.3
#: an error is called detectable where it is found in 80 of 100 cases: quantiles at 99.95 and 80 %
DETECTABLE = 3.2905 + 0.8416
#: standard uncertainties in a ± figure that holds at 95 % (normal)
AT_95 = 1.96
#: the readings are said not to agree where less than this share of good ones would agree as badly
DOUBT = 0.05
#: all six motions jointly at 95 %: the root of chi-square's quantile with six degrees of freedom
COVERAGE = 3.55


def chance(chi2: float, freedom: int) -> float:
    """The chance that chi-square with ``freedom`` degrees (1 or more) is larger than ``chi2``."""
    h = max(chi2, 0.0) / 2.0
    if freedom % 2 == 0:
        term = total = 1.0
        for k in range(1, freedom // 2):
            term *= h / k
            total += term
        return math.exp(-h) * total
    total = 0.0
    for k in range(1, freedom // 2 + 1):
        total += math.exp(-h + (k - 0.5) * math.log(h) - math.lgamma(k + 0.5)) if h > 0 else 0.0
    return math.erfc(math.sqrt(h)) + total
