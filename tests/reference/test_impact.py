"""Reference: IMPACT, Rotterdam and GCS-Pupils against published formulas and worked examples.

IMPACT: Steyerberg et al. 2008, PLoS Med 5:e165, doi 10.1371/journal.pmed.0050165. Chart: the
formulas under its Figure 1 (confirmed against the source), evaluated by hand. Continuous: the
authors' coefficients (confirmed against a second publication); probabilities of the first two
patients were published with them, those of the third were computed from them independently.
"""

import polars as pl
import pytest

from icpcohort.cohort import prognosis

YOUNG = {
    "age_years": 30.0,
    "gcs_motor": "5",
    "pupils_reactive": 2,
    "hypoxia": False,
    "hypotension": False,
    "marshall_class": 2,
    "traumatic_sah": False,
    "epidural_mass": False,
    "glucose_mmol_l": 6.0,
    "haemoglobin_g_dl": 14.0,
}
MIDDLE = YOUNG | {
    "age_years": 45.0,
    "gcs_motor": "3",
    "pupils_reactive": 1,
    "hypotension": True,
    "marshall_class": 3,
    "traumatic_sah": True,
    "glucose_mmol_l": 8.0,
    "haemoglobin_g_dl": 13.0,
}
OLD = YOUNG | {
    "age_years": 78.0,
    "gcs_motor": "1",
    "pupils_reactive": 0,
    "hypoxia": True,
    "hypotension": True,
    "marshall_class": 6,
    "traumatic_sah": True,
    "glucose_mmol_l": 16.0,
    "haemoglobin_g_dl": 8.0,
}


def risk(patient, form, model, outcome):
    frame = pl.DataFrame([patient])
    return prognosis.probability(frame, model=model, outcome=outcome, form=form)[0]


@pytest.mark.parametrize(
    ("patient", "model", "outcome", "expected"),
    [
        (MIDDLE, "core", "mortality", 0.41338242108267004),  # score 8
        (MIDDLE, "core", "unfavourable", 0.6839533750165774),
        (MIDDLE, "extended", "mortality", 0.6465709090974481),  # score 8 + 6
        (MIDDLE, "extended", "unfavourable", 0.8537099244826571),
        (MIDDLE, "lab", "mortality", 0.5089990281259548),  # score 8 + 6 + 2
        (MIDDLE, "lab", "unfavourable", 0.7844855175443655),
        (YOUNG, "core", "mortality", 0.07242648536151773),  # score 0
        (YOUNG, "core", "unfavourable", 0.1652048701906146),
        (OLD, "core", "mortality", 0.8284952300245991),  # score 15, the highest
        (OLD, "core", "unfavourable", 0.9460888925720083),
    ],
)
def test_the_score_chart_gives_its_published_risks(patient, model, outcome, expected):
    assert risk(patient, "chart", model, outcome) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize(
    ("patient", "model", "outcome", "expected"),
    [
        (YOUNG, "core", "mortality", 0.1101705691679),
        (YOUNG, "core", "unfavourable", 0.1818296956717),
        (YOUNG, "extended", "mortality", 0.0558824660558),
        (YOUNG, "extended", "unfavourable", 0.1157814395847),
        (YOUNG, "lab", "mortality", 0.0389405554475),
        (YOUNG, "lab", "unfavourable", 0.0848657639549),
        (OLD, "core", "mortality", 0.90282366125),
        (OLD, "lab", "mortality", 0.953068603433),
        (MIDDLE, "core", "mortality", 0.4333981578487262),
        (MIDDLE, "core", "unfavourable", 0.7158564317287898),
        (MIDDLE, "extended", "mortality", 0.6856801139382539),
        (MIDDLE, "extended", "unfavourable", 0.8597240606562582),
        (MIDDLE, "lab", "mortality", 0.5157447927542459),
        (MIDDLE, "lab", "unfavourable", 0.7891817065222528),
    ],
)
def test_the_coefficients_give_their_published_risks(patient, model, outcome, expected):
    assert risk(patient, "continuous", model, outcome) == pytest.approx(expected, abs=1e-9)


# Each level alone, as it stands in the published table: core death, core unfavourable, extended
# death, extended unfavourable, laboratory death, laboratory unfavourable (None: not confirmed).
COLUMNS = [(m, o) for m in prognosis.MODELS for o in prognosis.OUTCOMES]


@pytest.mark.parametrize(
    ("change", "published"),
    [
        ({"gcs_motor": "1"}, (1.447, 1.393, 1.205, 1.218, 0.965, 1.105)),
        ({"gcs_motor": "2"}, (1.397, 2.078, 1.207, 1.852, 1.109, 1.801)),
        ({"gcs_motor": "3"}, (0.797, 1.266, 0.746, 1.185, 0.778, 1.186)),
        ({"gcs_motor": "4"}, (0.390, 0.632, 0.313, 0.575, 0.310, 0.548)),
        ({"gcs_motor": "6"}, (0, 0, 0, 0, 0, 0)),
        ({"gcs_motor": "untestable"}, (0.522, 0.885, 0.425, 0.837, 0.462, None)),
        ({"pupils_reactive": 1}, (0.514, 0.592, 0.334, 0.442, 0.090, 0.201)),
        ({"pupils_reactive": 0}, (1.239, 1.216, 0.970, 1.003, 0.533, 0.712)),
        ({"marshall_class": 1}, (0, 0, -0.298, -0.530, -0.150, -0.567)),
        ({"marshall_class": 3}, (0, 0, 0.774, 0.543, 0.715, 0.508)),
        ({"marshall_class": 4}, (0, 0, 0.774, 0.543, 0.715, 0.508)),
        ({"marshall_class": 5}, (0, 0, 0.651, 0.497, 0.807, 0.571)),
        ({"marshall_class": 6}, (0, 0, 0.651, 0.497, 0.807, 0.571)),
        ({"traumatic_sah": True}, (0, 0, 0.606, 0.567, 0.740, 0.666)),
        ({"epidural_mass": True}, (0, 0, -0.379, -0.572, -0.510, -0.687)),
        ({"hypoxia": True}, (0, 0, 0.237, 0.316, 0.360, 0.396)),
        ({"hypotension": True}, (0, 0, 0.667, 0.614, 0.366, 0.440)),
        ({"glucose_mmol_l": 7.0}, (0, 0, 0, 0, 0.097, 0.085)),
        ({"haemoglobin_g_dl": 15.0}, (0, 0, 0, 0, -0.086, -0.092)),
        ({"age_years": 40.0}, (0.34, 0.38, 0.32, 0.33, 0.20, 0.29)),
    ],
)
def test_each_level_moves_the_log_odds_by_its_published_coefficient(change, published):
    both = pl.DataFrame([YOUNG, YOUNG | change])
    for (model, outcome), expected in zip(COLUMNS, published, strict=True):
        x = prognosis.log_odds(both, model=model, outcome=outcome, form="continuous")
        if expected is None:
            assert x[1] is None
        else:
            assert x[1] - x[0] == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize(
    ("change", "points"),
    [
        ({"age_years": 30.5}, 1),
        ({"age_years": 39.9}, 1),
        ({"age_years": 40.0}, 2),
        ({"age_years": 50.0}, 3),
        ({"age_years": 60.0}, 4),
        ({"age_years": 69.9}, 4),
        ({"age_years": 70.0}, 5),
        ({"gcs_motor": "1"}, 6),
        ({"gcs_motor": "2"}, 6),
        ({"gcs_motor": "3"}, 4),
        ({"gcs_motor": "4"}, 2),
        ({"gcs_motor": "6"}, 0),
        ({"gcs_motor": "untestable"}, 3),
        ({"pupils_reactive": 1}, 2),
        ({"pupils_reactive": 0}, 4),
        ({"hypoxia": True}, 1),
        ({"hypotension": True}, 2),
        ({"marshall_class": 1}, -2),
        ({"marshall_class": 3}, 2),
        ({"marshall_class": 4}, 2),
        ({"marshall_class": 5}, 2),
        ({"marshall_class": 6}, 2),
        ({"traumatic_sah": True}, 2),
        ({"epidural_mass": True}, -2),
        ({"glucose_mmol_l": 5.9}, -1),  # from 6.0, which is 1 point
        ({"glucose_mmol_l": 9.0}, 1),
        ({"glucose_mmol_l": 12.0}, 2),
        ({"glucose_mmol_l": 15.0}, 3),
        ({"haemoglobin_g_dl": 8.9}, 2),  # from 14.0, which is 1 point
        ({"haemoglobin_g_dl": 9.0}, 1),
        ({"haemoglobin_g_dl": 12.0}, 0),
        ({"haemoglobin_g_dl": 15.0}, -1),
    ],
)
def test_each_box_of_the_chart_counts_its_published_points(change, points):
    both = pl.DataFrame([YOUNG, YOUNG | change])
    x = prognosis.log_odds(both, model="lab", outcome="mortality", form="chart")
    assert (x[1] - x[0]) / 0.216 == pytest.approx(points, abs=1e-9)


@pytest.mark.parametrize(
    ("cisterns", "shift_mm", "epidural_mass", "blood", "expected"),
    [
        (1, 7.0, False, True, 5),
        (0, 0.0, True, False, 1),
        (2, 6.0, False, True, 6),
        (0, 5.0, True, False, 1),  # shift counts above 5 mm
    ],
)
def test_the_rotterdam_score_is_the_sum_of_its_parts_plus_one(
    cisterns, shift_mm, epidural_mass, blood, expected
):
    # Maas et al. 2005, Neurosurgery 57:1173 (confirmed); an epidural mass lowers the score.
    scan = pl.DataFrame(
        {
            "cisterns": [cisterns],
            "midline_shift_mm": [shift_mm],
            "epidural_mass": [epidural_mass],
            "ventricular_or_subarachnoid_blood": [blood],
        }
    )
    assert prognosis.rotterdam(scan).to_list() == [expected]


def test_gcs_pupils_subtracts_each_unreactive_pupil():
    # Brennan, Murray and Teasdale 2018, J Neurosurg 128:1612 (from memory).
    patients = pl.DataFrame({"gcs_total": [3, 15, 8, 8], "pupils_reactive": [0, 2, 1, None]})
    assert prognosis.gcs_pupils(patients).to_list() == [1, 15, 7, None]
