"""Second simulated cohort: aneurysmal subarachnoid haemorrhage, with numbers once a minute."""

from icpcohort.simulate.sah.cohort import draw_clinical, write_cohort
from icpcohort.simulate.sah.course import Coefficients

__all__ = ["Coefficients", "draw_clinical", "write_cohort"]
