"""The page that leads to every patient's picture, for those who may see patient-level data."""

from collections.abc import Sequence

import jinja2
import polars as pl

from icpcohort import coverage, pictures
from icpcohort.content import SHORT_CAUTION


def render(
    *,
    template: str,
    patients: Sequence[str],
    recordings: pl.DataFrame,
    quality: pl.DataFrame,
) -> str:
    """Return the page as the text of an HTML file that lies beside the folder of pictures.

    Parameters
    ----------
    template : str
        The text of the jinja2 template; what it inserts is escaped.
    patients : sequence of str
        Everyone in the study, listed in the order of the cohort's picture.
    recordings, quality : contracts of these names
    """
    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    captions = {
        patient: pictures.caption(patient, recordings=recordings, quality=quality)
        for patient in coverage.in_order(patients, quality)
    }
    page = environment.from_string(template).render(
        short_caution=SHORT_CAUTION,
        not_for_sharing=pictures.NOT_FOR_SHARING,
        captions=captions,
    )
    return page.rstrip("\n") + "\n"
