"""The model of cerebral haemodynamics against exact solutions and the published equations."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from icpcohort.simulate import cerebral_haemodynamics as model
from icpcohort.simulate.cerebral_haemodynamics import Haemodynamics

BASAL = Haemodynamics()
NO_ARTERIES = {"basal_compliance_ml_per_mmhg": 1e-9, "gain_ml_per_mmhg": 0.0}


def test_the_basal_state_of_the_paper_is_where_the_model_settles():
    """Ursino 1997, table of parameters: ICP 9.5 mmHg and 12.5 ml/s at an ABP of 100 mmHg.

    The paper's values are rounded, so formation and uptake of CSF meet at 9.43, not at 9.5.
    """
    settled = model.settle(BASAL, np.array([100.0]))
    assert settled.icp_mmhg == pytest.approx(9.5, abs=0.1)
    assert settled.flow_ml_s == pytest.approx(12.5, abs=0.01)
    assert settled.compliance_ml_per_mmhg == pytest.approx(0.15, abs=0.001)
    assert BASAL.resistance_factor == pytest.approx(4.91e4, rel=0.001)


def test_a_settled_patient_stays_where_he_is():
    course = model.integrate(BASAL, np.full((1, 1200), 100.0), fs_hz=2.0)
    assert np.ptp(course.icp_mmhg) < 1e-6
    assert np.ptp(course.flow_ml_s) < 1e-6


def _published(t_s, state, abp, abp_per_s, gain):
    """The equations of Ursino 1997 as they stand there: resistances, sigmoid, dICP/dt."""
    icp, compliance = state
    pressure = abp(t_s)
    volume = compliance * (pressure - icp)
    arterial = BASAL.resistance_factor * 0.15**2 / volume**2
    capillary = (pressure * 1.24 + icp * arterial) / (1.24 + arterial)
    excess = ((pressure - capillary) / arterial - 12.5) / 12.5
    amplitude = 0.75 if excess < 0 else 0.075
    e = np.exp(np.clip(gain * excess / (amplitude / 4), -500, 500))
    aim = ((0.15 + amplitude / 2) + (0.15 - amplitude / 2) * e) / (1 + e)
    compliance_per_s = (aim - compliance) / 20
    gained = compliance * abp_per_s(t_s) + compliance_per_s * (pressure - icp)
    gained += max(capillary - icp, 0) / 2380 - max(icp - 6, 0) / 526.3
    stiff = 0.11 * icp
    return [stiff / (1 + compliance * stiff) * gained, compliance_per_s]


@pytest.mark.parametrize("gain", [0.0, 0.3, 1.5])
def test_the_fixed_step_follows_the_published_equations(gain):
    """Solved by an adaptive method of order 8 (scipy's DOP853) at a tolerance of 1e-9.

    Largest difference at 2 Hz: 0.01 mmHg, a tenth of what a sensor resolves.
    """
    slow, fast = 2 * np.pi / 700, 2 * np.pi / 50

    def abp(t_s):
        return 95 + 12 * np.sin(slow * t_s) + 8 * np.sin(fast * t_s)

    def abp_per_s(t_s):
        return 12 * slow * np.cos(slow * t_s) + 8 * fast * np.cos(fast * t_s)

    t_s = np.arange(0, 600, 0.5)
    patients = Haemodynamics(gain_ml_per_mmhg=gain)
    course = model.integrate(patients, abp(t_s)[None], fs_hz=2.0)
    first = [course.icp_mmhg[0, 0], course.compliance_ml_per_mmhg[0, 0]]
    exact = solve_ivp(
        _published,
        (0, t_s[-1]),
        first,
        method="DOP853",
        t_eval=t_s,
        args=(abp, abp_per_s, gain),
        rtol=1e-9,
        atol=1e-11,
        max_step=2.0,
    )
    assert exact.y[0] == pytest.approx(course.icp_mmhg[0], abs=0.01)
    assert exact.y[1] == pytest.approx(course.compliance_ml_per_mmhg[0], abs=3e-4)
    assert np.ptp(course.icp_mmhg) > 1.0


def test_a_bolus_raises_icp_by_the_exponential_curve():
    """Pressure-volume test: ICP = ICP0 exp(k_E dV), with arteries that hold no blood."""
    rigid = Haemodynamics(**NO_ARTERIES)
    bolus_ml = np.array([[0.0, 1.0, 1.0]])
    course = model.integrate(rigid, np.full((1, 3), 100.0), fs_hz=1000.0, added_ml=bolus_ml)
    rise = course.icp_mmhg[0, 1] / course.icp_mmhg[0, 0]
    assert rise == pytest.approx(np.exp(0.11), rel=1e-5)


def test_a_bolus_presses_blood_out_of_compliant_arteries():
    """With a fixed C_a, ln(ICP) / k_E + C_a ICP rises by dV: less than the curve alone."""
    passive = Haemodynamics(gain_ml_per_mmhg=0.0)
    bolus_ml = np.array([[0.0, 2.0]])
    icp = model.integrate(
        passive, np.full((1, 2), 100.0), fs_hz=1000.0, added_ml=bolus_ml
    ).icp_mmhg
    volume = np.log(icp[0]) / 0.11 + 0.15 * icp[0]
    assert np.diff(volume) == pytest.approx(2.0, abs=1e-3)
    assert icp[0, 1] < icp[0, 0] * np.exp(0.22)


def test_a_constant_infusion_follows_the_exact_solution():
    """Marmarou 1978: with constant inflow I, dP/dt = k_E P (I - (P - P_vs) / R_o).

    Its solution is a logistic curve that ends at P_vs + R_o I.
    """
    rigid = Haemodynamics(**NO_ARTERIES, formation_resistance_mmhg_s_per_ml=1e12)
    t_s = np.arange(0, 3600, 2.0)
    inflow_ml_s = 1.5 / 60
    start = model.Static(*(np.full((1, 1), value) for value in (8.0, 1e-9, 12.5)))
    course = model.integrate(
        rigid,
        np.full((1, t_s.size), 100.0),
        fs_hz=0.5,
        added_ml=inflow_ml_s * t_s[None],
        start=start,
    )
    end = 6 + 526.3 * inflow_ml_s
    rate = 0.11 * end / 526.3
    exact = end / (1 + (end / 8.0 - 1) * np.exp(-rate * t_s))
    assert course.icp_mmhg[0] == pytest.approx(exact, abs=1e-3)
    assert exact[-1] == pytest.approx(end, abs=0.01)


def test_volume_is_neither_made_nor_lost():
    """Blood and CSF stored by the curve equal what came in, while all of it moves.

    CSF is added up here from the courses of ICP and flow by the trapezoidal rule.
    """
    rng = np.random.default_rng(5)
    abp = 90 + np.cumsum(rng.normal(0, 0.15, (3, 2400)), axis=1)
    patients = Haemodynamics(gain_ml_per_mmhg=np.array([0.0, 0.5, 2.0]))
    course = model.integrate(patients, abp, fs_hz=2.0)
    blood_ml = course.compliance_ml_per_mmhg * (abp - course.icp_mmhg)
    stored_ml = np.log(course.icp_mmhg) / 0.11
    rate = course.flow_ml_s * 1.24 / 2380 - (course.icp_mmhg - 6) / 526.3
    formed_ml = np.cumsum((rate[:, 1:] + rate[:, :-1]) / 4, axis=1)
    change = (stored_ml - blood_ml)[:, 1:] - (stored_ml - blood_ml)[:, :1]
    assert change == pytest.approx(formed_ml, abs=1e-3)
    assert np.ptp(blood_ml, axis=1).min() > 0.3


def test_flow_is_flat_within_limits_and_follows_pressure_outside_them():
    """Static autoregulation of an intact patient: a plateau from 50 to 100 mmHg of CPP.

    It is not quite level: a finite gain lets flow fall by 15 % from a CPP of 90 to one of 50.
    """
    pressures = np.arange(35.0, 160.0, 1.0)
    cpp, gain = model.static_gain(BASAL, pressures)
    inside = (cpp > 50) & (cpp < 100)
    assert gain[inside].max() < 0.6
    assert gain[cpp < 38].min() > 1
    assert gain[cpp > 115].min() > 1
    flow = model.settle(BASAL, pressures).flow_ml_s[0]
    plateau = (pressures > 60) & (pressures < 110)
    assert flow[plateau] == pytest.approx(12.5, rel=0.15)
    assert flow[0] < 9
    assert flow[-1] > 20


def test_compliance_saturates_at_half_an_amplitude_from_its_basal_value():
    compliance = model.settle(BASAL, np.array([20.0, 200.0])).compliance_ml_per_mmhg[0]
    assert compliance == pytest.approx([0.15 + 0.75 / 2, 0.15 - 0.075 / 2], rel=0.01)


def test_a_passive_circulation_has_no_plateau():
    _, gain = model.static_gain(Haemodynamics(gain_ml_per_mmhg=0.0), np.arange(30.0, 160.0))
    assert gain.min() > 1


def test_plateau_waves_arise_where_the_paper_has_them():
    """Ursino 1997: waves sustain themselves at R_o 12 times basal and k_E 0.23 / ml."""
    abp = np.full((2, 4800), 100.0)
    abp[:, 240:260] -= 5.0  # a nudge
    patients = Haemodynamics(
        outflow_resistance_mmhg_s_per_ml=np.array([526.3, 12 * 526.3]),
        elastance_per_ml=np.array([0.11, 0.23]),
    )
    icp = model.integrate(patients, abp, fs_hz=2.0).icp_mmhg[:, 2400:]
    assert np.ptp(icp[0]) < 0.1
    assert np.ptp(icp[1]) > 15


def test_a_patient_whose_icp_reaches_abp_is_refused():
    swelling_ml = np.linspace(0, 80, 50)[None]
    with pytest.raises(ValueError, match="ICP reaches ABP"):
        model.integrate(BASAL, np.full((1, 50), 100.0), fs_hz=2.0, added_ml=swelling_ml)
