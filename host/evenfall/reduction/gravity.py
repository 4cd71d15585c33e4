"""Local gravity, for weights hung on the arm."""

from __future__ import annotations

import math

from evenfall.errors import InputError
from evenfall.units import GRAVITY

FREE_AIR = 3.086e-6  # 1/s2, the usual free-air gradient


def local_gravity(latitude_deg: float, height_m: float = 0.0) -> float:
    """Gravity in m/s2 at a latitude and height.

    Somigliana's formula on the WGS 84 ellipsoid (NIMA TR8350.2, eq. 4-1) less
    the free-air gradient.  Good to about 0.0005 m/s2 (rock below, not modelled).
    """
    if not -90 <= latitude_deg <= 90:
        raise InputError(f"a latitude of {latitude_deg:g} degrees is outside -90 to 90")
    if not -500 <= height_m <= 6000:
        raise InputError(f"a height of {height_m:g} m is outside -500 to 6000 m")
    s2 = math.sin(math.radians(latitude_deg)) ** 2
    normal = 9.7803253359 * (1 + 0.00193185265241 * s2) / math.sqrt(1 - 0.00669437999013 * s2)
    return normal - FREE_AIR * height_m


def gravity_or_standard(latitude_deg: float | None, height_m: float | None) -> tuple[float, float]:
    """(gravity, standard uncertainty): local when the latitude is known, else 9.80665 +- what the Earth has.

    Sea level runs from 9.780 to 9.832 m/s2: a rectangular distribution of
    half-width 0.026 stands for an unknown place (JCGM 100 clause 4.3.7).
    """
    if latitude_deg is None:
        return GRAVITY, 0.026 / math.sqrt(3)
    return local_gravity(latitude_deg, height_m or 0.0), 0.0005
