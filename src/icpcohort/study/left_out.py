"""Left out: the patients and recordings that the group leaves out, with its reasons."""

import polars as pl

from icpcohort.study.tables import Study

WHOLE = ""  # in place of a recording: the whole patient


def of_patients(study: Study) -> dict[str, str]:
    """Return the group's reason by the patients that it leaves out whole."""
    whole = study.left_out.filter(pl.col("recording_id").is_null())
    return dict(whole.select("patient_id", "reason").iter_rows())


def of_patient(study: Study, patient_id: str) -> dict[str, str]:
    """Return the group's reasons for leaving out recordings of one patient.

    By recording; `WHOLE` stands for the patient with all of them.
    """
    rows = study.left_out.filter(pl.col("patient_id") == patient_id)
    pairs = rows.select(pl.col("recording_id").fill_null(WHOLE), "reason")
    return dict(pairs.iter_rows())


def reason(recording_id: str, reasons: dict[str, str]) -> str | None:
    """Return why a recording is left out, by `of_patient`; None where it is not."""
    return reasons.get(recording_id, reasons.get(WHOLE))


def without(rows: pl.DataFrame, patients: list[str]) -> pl.DataFrame:
    """Return the rows of a table whose patient is not left out, in their order."""
    return rows.filter(~pl.col("patient_id").is_in(patients))
