"""Mean kinetic temperature: the constant temperature that would have done the same harm.

T = (dH/R) / -ln(mean of exp(-dH/(R T))), dH = 83.144 kJ/mol and R = 8.3144e-3 kJ/(K mol), so dH/R = 10,000 K
(USP 29 <1160>, "Pharmaceutical calculations").

It says nothing for frozen storage. At -80 °C it is one warm minute, in vapour of nitrogen it is noise: judge
frozen time by times above a limit, the maximum, the longest excursion and thaw cycles.
"""

from __future__ import annotations

import math

KELVIN = 273.15  # K at 0 °C
DH_KJ_PER_MOL = 83.144  # activation energy, USP 29 <1160>
R_KJ_PER_MOL_K = 8.3144e-3  # gas constant as that chapter rounds it
DH_OVER_R = DH_KJ_PER_MOL / R_KJ_PER_MOL_K  # 10,000 K


def rate_at(centi: float) -> float:
    """exp(-dH/(R T)) at one temperature in hundredths of °C; no unit."""
    return math.exp(-DH_OVER_R / (centi / 100 + KELVIN))


def mean_kinetic_centi(rate_ms: float, ms: float) -> float | None:
    """Mean kinetic temperature in (fractional) centi from a rate integral and the time it covers.

    None: no time. The same formula turns a sum of rates and a number of readings into the plain mean.
    """
    if ms <= 0 or rate_ms <= 0:
        return None
    return (DH_OVER_R / -math.log(rate_ms / ms) - KELVIN) * 100
