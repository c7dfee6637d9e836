"""Levels: what the height of a pressure transducer does to its reading."""

import math

from icpcohort.units import PA_PER_MMHG

STANDARD_GRAVITY_M_S2 = 9.80665


def hydrostatic_difference_mmhg(
    *, distance_cm: float, angle_deg: float, density_kg_m3: float
) -> float:
    """Return the pressure of the fluid column between two levels of the body.

    Parameters
    ----------
    distance_cm : float, cm
        Distance along the body from the lower to the upper level; not negative.
    angle_deg : float, degrees
        Inclination of that line: 0 flat, 90 upright, negative head down.
    density_kg_m3 : float, kg/m3
        1000 for water, about 1055 for blood.

    Raises
    ------
    ValueError
        Naming every value that is not finite or out of its range.

    Source: hydrostatics, rho g L sin(theta), in conventional mmHg.
    """
    problems = []
    if not 0 <= distance_cm < math.inf:
        problems.append(f"distance_cm {distance_cm} is not a length; write 0 or more")
    if not -90 <= angle_deg <= 90:
        problems.append(f"angle_deg {angle_deg} is not between -90 and 90")
    if not 0 < density_kg_m3 < math.inf:
        problems.append(f"density_kg_m3 {density_kg_m3} is not above 0; blood has about 1055")
    if problems:
        raise ValueError("hydrostatic difference: " + "; ".join(problems))
    height_m = distance_cm / 100 * math.sin(math.radians(angle_deg))
    return density_kg_m3 * STANDARD_GRAVITY_M_S2 * height_m / PA_PER_MMHG


def abp_at_tragus_mmhg(
    abp_heart_mmhg: float, *, distance_cm: float, angle_deg: float, density_kg_m3: float
) -> float:
    """Return arterial pressure at the tragus from a transducer levelled at the heart.

    Parameters are those of `hydrostatic_difference_mmhg`; the distance is from heart to tragus.

    Source: the full column is subtracted. The joint UK statement of 2015 (Br J Anaesth
    115:487-488, from memory) allows an individual coefficient below 1, which is not known here.
    """
    column_mmhg = hydrostatic_difference_mmhg(
        distance_cm=distance_cm, angle_deg=angle_deg, density_kg_m3=density_kg_m3
    )
    return abp_heart_mmhg - column_mmhg


def cpp_mmhg(abp_mmhg: float, *, icp_mmhg: float) -> float:
    """Return cerebral perfusion pressure, both pressures being of one level.

    Source: CPP = MAP - ICP (Carney 2017, Neurosurgery 80:6-15).
    """
    return abp_mmhg - icp_mmhg
