"""Whose rows: of CSV and Parquet files with the rows of several patients, those of one."""

from collections.abc import Iterator, Sequence
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc

from icpcohort.recordings import csv_files, parquet_files
from icpcohort.recordings.chunks import RecordingError, Whose

USUAL_NAMES = ("patient_id", "patientid", "patient", "pat_id", "subject_id", "subject")


def column(names: Sequence[str], whose: Whose | None) -> str | None:
    """Return the name in the file of the column that says whose a row is, or None."""
    if whose is None:
        return None
    return next((name for name in names if name.strip() == whose.column), None)


def of_patient(batch: pa.RecordBatch, patient: str | None, patient_id: str) -> pa.RecordBatch:
    """Return the rows of one patient, or all where no column says whose they are."""
    if patient is None:
        return batch
    return batch.filter(pc.equal(_identifiers(batch.column(patient)), pa.scalar(patient_id)))


def refuse_several(path: Path, heading: csv_files.Heading | None, names: Sequence[str]) -> None:
    """Refuse a file whose column of patients names several, though nothing says to divide it.

    Only a file with a column of a usual name is read for it.

    Raises
    ------
    RecordingError
        `several_patients`.
    """
    usual = [name for name in names if name.strip().lower() in USUAL_NAMES]
    for name in usual:
        seen: set[str] = set()
        for batch in _batches(path, heading, name) if usual.count(name) == 1 else ():
            if pa.types.is_nested(batch.column(name).type):
                break  # lists and the like name nobody
            identifiers = pc.unique(_identifiers(batch.column(name))).drop_null()
            seen |= {text for text in identifiers.to_pylist() if text}
            if len(seen) > 1:
                raise RecordingError(
                    "several_patients",
                    f"{path.name}: has a column {name.strip()} with several patients; of one "
                    f"file for all patients state recordings.patient_column: {name.strip()} in "
                    "config.yaml, else take the rows of other patients out",
                )


def _batches(
    path: Path, heading: csv_files.Heading | None, name: str
) -> Iterator[pa.RecordBatch]:
    if heading is None:
        yield from parquet_files.batches(path, columns=[name])
    else:
        yield from csv_files.texts(path, heading, columns=[name])


def _identifiers(values: pa.Array) -> pa.Array:
    return pc.utf8_trim_whitespace(values.cast(pa.string()))
