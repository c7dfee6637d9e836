"""Cerebral haemodynamics: a mechanistic model of ICP, of which no index knows anything.

Two things change by themselves: the compliance of the arteries and arterioles, which
autoregulation sets, and the volume of cerebrospinal fluid (CSF). ICP follows from both, from
ABP, and from how stiff the skull's content is.

Source: Ursino 1997. The equations and every default of `Haemodynamics` (also an ICP of 9.5 and
an ABP of 100 mmHg) were confirmed by a second, public implementation that cites the paper's
table of parameters. From memory: that formation and uptake of CSF do not run backwards. The
basal capillary pressure of 25 mmHg follows: 9.5 + 12.5 * 1.24.
"""

from dataclasses import dataclass, fields
from typing import NamedTuple

import numpy as np
import scipy.special

from icpcohort.simulate.physiology import Floats

BASAL_ABP_MMHG, BASAL_ICP_MMHG = 100.0, 9.5
_N_HALVINGS = 60


@dataclass(frozen=True)
class Haemodynamics:
    """Parameters of patients: each a number, or (n_patients,). Defaults are basal values.

    Attributes
    ----------
    gain_ml_per_mmhg : float or Floats
        Gain G of autoregulation; 0 is a passive circulation.
    tau_s : float or Floats, s
        Time constant of autoregulation.
    elastance_per_ml : float or Floats, 1/ml
        k_E of the pressure-volume curve: intracranial compliance is 1 / (k_E ICP).
    outflow_resistance_mmhg_s_per_ml : float or Floats
        R_o, against which CSF is taken up.
    centre_cpp_mmhg : float or Floats
        CPP at which basal flow goes through basal compliance. It sets k_R, the factor of
        arterial resistance: 90.5 gives the source's 4.91e4 mmHg^3 s/ml. Other centres are
        ours, for patients whose autoregulation sits elsewhere.
    dilation_ml_per_mmhg, constriction_ml_per_mmhg : float or Floats
        Amplitudes of the sigmoid; compliance saturates half of one above and half of the
        other below its basal value.
    """

    gain_ml_per_mmhg: float | Floats = 1.5
    tau_s: float | Floats = 20.0
    elastance_per_ml: float | Floats = 0.11
    outflow_resistance_mmhg_s_per_ml: float | Floats = 526.3
    centre_cpp_mmhg: float | Floats = BASAL_ABP_MMHG - BASAL_ICP_MMHG
    dilation_ml_per_mmhg: float | Floats = 0.75
    constriction_ml_per_mmhg: float | Floats = 0.075
    basal_compliance_ml_per_mmhg: float | Floats = 0.15
    basal_flow_ml_s: float | Floats = 12.5
    venous_resistance_mmhg_s_per_ml: float | Floats = 1.24
    formation_resistance_mmhg_s_per_ml: float | Floats = 2380.0
    sinus_pressure_mmhg: float | Floats = 6.0

    def columns(self) -> "Haemodynamics":
        """Return the same patients with each parameter as (n_patients, 1)."""
        values = {f.name: np.atleast_1d(getattr(self, f.name))[:, None] for f in fields(self)}
        return Haemodynamics(**values)

    @property
    def resistance_factor(self) -> float | Floats:
        """k_R [mmHg^3 s/ml]: arterial resistance is k_R (C_an / volume)^2."""
        whole = self.centre_cpp_mmhg / self.basal_flow_ml_s
        return (whole - self.venous_resistance_mmhg_s_per_ml) * self.centre_cpp_mmhg**2


class Course(NamedTuple):
    """What happens to patients over time, each (n_patients, n_samples)."""

    icp_mmhg: Floats
    compliance_ml_per_mmhg: Floats
    csf_ml: Floats  # what was formed less what was taken up since the start
    flow_ml_s: Floats


class Static(NamedTuple):
    """Where patients settle at each constant ABP, each (n_patients, n_pressures)."""

    icp_mmhg: Floats
    compliance_ml_per_mmhg: Floats
    flow_ml_s: Floats


def flow_ml_s(
    patients: Haemodynamics, compliance_ml_per_mmhg: Floats, cpp_mmhg: Floats
) -> Floats:
    """Return the flow through arteries and veins, whose end ICP closes (pressure there is ICP).

    `patients`, as in all functions below but `integrate` and `settle`, are columns.
    """
    volume_ml = compliance_ml_per_mmhg * cpp_mmhg
    share = patients.basal_compliance_ml_per_mmhg / volume_ml
    arterial = patients.resistance_factor * share**2
    return np.asarray(cpp_mmhg / (arterial + patients.venous_resistance_mmhg_s_per_ml))


def regulated_compliance(patients: Haemodynamics, flow: Floats) -> Floats:
    """Return the compliance [ml/mmHg] that autoregulation aims at for a flow [ml/s].

    A sigmoid whose slope at basal flow is -G on both sides.
    """
    excess = flow / patients.basal_flow_ml_s - 1
    half = np.where(
        excess < 0, patients.dilation_ml_per_mmhg, patients.constriction_ml_per_mmhg
    )
    half = half / 2
    # (1 - e^u) / (1 + e^u) = -tanh(u / 2) with u = G x / (amplitude / 4)
    reach = half * np.tanh(patients.gain_ml_per_mmhg * excess / half)
    return np.asarray(patients.basal_compliance_ml_per_mmhg - reach)


def csf_gain_ml_s(patients: Haemodynamics, icp_mmhg: Floats, flow: Floats) -> Floats:
    """Return CSF formed less CSF taken up; neither runs backwards."""
    capillary = flow * patients.venous_resistance_mmhg_s_per_ml
    formed = np.maximum(capillary, 0) / patients.formation_resistance_mmhg_s_per_ml
    taken_up = np.maximum(icp_mmhg - patients.sinus_pressure_mmhg, 0)
    return np.asarray(formed - taken_up / patients.outflow_resistance_mmhg_s_per_ml)


def icp_of_volume(
    patients: Haemodynamics, compliance: Floats, other_ml: Floats, abp_mmhg: Floats
) -> Floats:
    """Return the ICP [mmHg] that keeps the volume of the skull's content.

    The curve ICP = exp(k_E V) has V = arterial blood + all else, so that
    ln(ICP) / k_E = C_a (ABP - ICP) + other_ml. With z = k_E C_a ICP that is z + ln z = ...,
    whose solution is Wright's omega. So mass is kept exactly at each sample, and the speed of
    ABP is not needed.
    """
    stiffness = patients.elastance_per_ml * compliance
    right = patients.elastance_per_ml * other_ml + stiffness * abp_mmhg
    return np.asarray(scipy.special.wrightomega(right + np.log(stiffness)) / stiffness)


def settle(patients: Haemodynamics, abp_mmhg: Floats) -> Static:
    """Return where patients settle at constant pressures, (n_pressures,) or (n_patients, n).

    The fixed point is found by halving the range of the flow. It need not be stable: with a
    high outflow resistance and a stiff skull the model makes plateau waves around it.
    """
    p = patients.columns()
    abp = np.atleast_2d(np.asarray(abp_mmhg, dtype=np.float64))
    csf = p.outflow_resistance_mmhg_s_per_ml * p.venous_resistance_mmhg_s_per_ml
    csf = csf / p.formation_resistance_mmhg_s_per_ml
    low = np.zeros(np.broadcast_shapes(abp.shape, np.shape(csf)))
    high = low + 20 * p.basal_flow_ml_s
    for _ in range(_N_HALVINGS):
        flow = (low + high) / 2
        cpp = abp - (p.sinus_pressure_mmhg + csf * flow)
        through = flow_ml_s(p, regulated_compliance(p, flow), np.maximum(cpp, 1e-9))
        low, high = np.where(through > flow, flow, low), np.where(through > flow, high, flow)
    flow = (low + high) / 2
    icp = p.sinus_pressure_mmhg + csf * flow
    return Static(np.asarray(icp), regulated_compliance(p, flow), flow)


def integrate(
    patients: Haemodynamics,
    abp_mmhg: Floats,
    *,
    fs_hz: float,
    added_ml: Floats | None = None,
    start: Static | None = None,
) -> Course:
    """Return the course of many patients at once under their ABP.

    Parameters
    ----------
    abp_mmhg : (n_patients, n_samples) mmHg, without pulse
        Autoregulation senses the mean of a beat, so a pulse does not belong here.
    fs_hz : float, Hz
        One step a sample; 2 Hz or more keeps the error far below a sensor's.
    added_ml : (n_patients, n_samples) ml, or None
        Other volume brought into the skull since the start: a bolus, venous blood.
    start : Static of one pressure, or None
        Where the patients are at the first sample; None: settled there.

    Raises
    ------
    ValueError
        Where ICP reaches ABP: the arteries would close, and the model ends there.

    Source: Heun's method of second order (common practice).
    """
    p, step_s = patients.columns(), 1 / fs_hz
    at_start = start if start is not None else settle(patients, abp_mmhg[:, :1])
    extra = np.zeros_like(abp_mmhg) if added_ml is None else added_ml
    compliance = at_start.compliance_ml_per_mmhg + np.zeros((abp_mmhg.shape[0], 1))
    icp = at_start.icp_mmhg + np.zeros_like(compliance)
    base_ml = np.log(icp) / p.elastance_per_ml - compliance * (abp_mmhg[:, :1] - icp)
    csf = np.zeros_like(compliance)
    all_compliance, all_csf = np.empty_like(abp_mmhg), np.empty_like(abp_mmhg)
    others = base_ml + extra - extra[:, :1]
    for i in range(abp_mmhg.shape[1]):
        all_compliance[:, [i]], all_csf[:, [i]] = compliance, csf
        if i == abp_mmhg.shape[1] - 1:
            break
        rates = _rates(p, compliance, others[:, [i]] + csf, abp_mmhg[:, [i]])
        ahead = [v + step_s * r for v, r in zip((compliance, csf), rates, strict=True)]
        next_rates = _rates(p, ahead[0], others[:, [i + 1]] + ahead[1], abp_mmhg[:, [i + 1]])
        compliance = compliance + step_s * (rates[0] + next_rates[0]) / 2
        csf = csf + step_s * (rates[1] + next_rates[1]) / 2
    icps = icp_of_volume(p, all_compliance, others + all_csf, abp_mmhg)
    if not np.all(icps < abp_mmhg):
        raise ValueError("cerebral_haemodynamics: ICP reaches ABP; raise the ABP")
    return Course(icps, all_compliance, all_csf, flow_ml_s(p, all_compliance, abp_mmhg - icps))


def _rates(
    p: Haemodynamics, compliance: Floats, other_ml: Floats, abp_mmhg: Floats
) -> tuple[Floats, Floats]:
    """Return how fast compliance [ml/mmHg/s] and CSF [ml/s] change."""
    icp = icp_of_volume(p, compliance, other_ml, abp_mmhg)
    flow = flow_ml_s(p, compliance, abp_mmhg - icp)
    change = (regulated_compliance(p, flow) - compliance) / p.tau_s
    return np.asarray(change), csf_gain_ml_s(p, icp, flow)


def static_gain(patients: Haemodynamics, abp_mmhg: Floats) -> tuple[Floats, Floats]:
    """Return CPP and the relative change of flow for one of CPP, between settled pressures.

    1 is a rigid tube, 0 perfect autoregulation, above 1 vessels that give way. Both are
    (n_patients, n_pressures - 1).
    """
    static = settle(patients, abp_mmhg)
    cpp = np.log(np.atleast_2d(abp_mmhg) - static.icp_mmhg)
    gain = np.diff(np.log(static.flow_ml_s), axis=1) / np.diff(cpp, axis=1)
    return np.exp((cpp[:, 1:] + cpp[:, :-1]) / 2), gain
