"""How frequency follows temperature and age: the laws, once, for everybody.

The simulated bench makes devices with these laws and the fits recover them.
"""

import math
from typing import Final

from benchlog.model import Kind, TemperatureLaw

# source: Gerber and Ballato, see `kind_law`
AT_CUT_PPM_PER_C_PER_MINUTE: Final = -5.08 / 60
"""Linear term of an AT cut per minute of arc from 35.25 degrees [1]_."""

# source: Gerber and Ballato; 1.7 minutes: our rule, a usual angle of cut
_AT_CUT = TemperatureLaw(
    law="cubic",
    reference_c=25.0,
    linear_ppm_per_c=1.7 * AT_CUT_PPM_PER_C_PER_MINUTE,
    quadratic_ppm_per_c2=-0.45e-3,
    cubic_ppm_per_c3=108.6e-6,
)
# common practice, no source: orders of magnitude, see `kind_law`
_USUAL: Final = {
    Kind.RC: TemperatureLaw(law="line", reference_c=25.0, linear_ppm_per_c=250.0),
    Kind.QUARTZ: _AT_CUT,
    Kind.TUNING_FORK: TemperatureLaw(
        law="parabola", reference_c=25.0, quadratic_ppm_per_c2=-0.035
    ),
    Kind.CERAMIC: TemperatureLaw(
        law="parabola", reference_c=25.0, quadratic_ppm_per_c2=-0.8
    ),
    Kind.TCXO: TemperatureLaw(law="line", reference_c=25.0, linear_ppm_per_c=0.01),
    Kind.OCXO: TemperatureLaw(law="line", reference_c=25.0, linear_ppm_per_c=2e-4),
    Kind.MEMS: TemperatureLaw(law="line", reference_c=25.0, linear_ppm_per_c=0.03),
    Kind.OTHER: TemperatureLaw(law="line", reference_c=25.0),
}


def ppm_at(law: TemperatureLaw, temperature_c: float) -> float:
    """Return the offset in ppm at a temperature, relative to `law.reference_c`.

    Parameters
    ----------
    law : TemperatureLaw
        Coefficients of (T - T0), (T - T0)^2, (T - T0)^3 in ppm per degree^k.
    temperature_c : float
        Temperature of the device in degrees Celsius.

    """
    d = temperature_c - law.reference_c
    cubic = law.cubic_ppm_per_c3
    return ((cubic * d + law.quadratic_ppm_per_c2) * d + law.linear_ppm_per_c) * d


def kind_law(kind: Kind) -> TemperatureLaw:
    """Return the usual law of a kind of clock source, for parts that state none.

    Notes
    -----
    Quartz is an AT cut 1.7' from 35.25 degrees with the coefficients of [1]_; the
    tuning fork's -0.035 ppm/C^2 is a typical data-sheet figure. The others are orders
    of magnitude (common practice, no source): an on-chip RC moves 250 ppm/C with a
    sign that differs from part to part, a ceramic resonator stays inside 0.3 % from
    -20 to 80 C, and compensated oscillators leave a small residue.

    References
    ----------
    .. [1] E. A. Gerber, A. Ballato, "Precision Frequency Control", vol. 2 (1985),
       p. 101, as quoted in secondary literature.

    """
    return _USUAL[kind]


def ageing_ppm(a_ppm: float, b_per_day: float, days: float) -> float:
    """Return the logarithmic ageing law A ln(B t + 1) in ppm after `days`.

    Source: MIL-PRF-55310, f(t) = A ln(B t + 1) + f0, t in days since stabilisation.
    Raises ValueError when B t + 1 is not positive.
    """
    return a_ppm * math.log1p(b_per_day * days)
