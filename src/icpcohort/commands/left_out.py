"""Left out: what of the tables remains to be checked without what the group leaves out."""

from collections import defaultdict
from collections.abc import Mapping

from icpcohort.study.tables import Row, Rows


def kept(tables: Mapping[str, Rows]) -> dict[str, Rows]:
    """Return the tables without the rows of patients and recordings that are left out.

    A patient of whom every recording is left out is out as well: nothing is left to compare.
    """
    rows = tables["left_out"].rows if "left_out" in tables else []
    patients = {row.values.get("patient_id") for row in rows if _is_whole(row)}
    recordings = {row.values.get("recording_id") for row in rows} - {None}
    listed = defaultdict(set)
    for row in tables["recordings"].rows if "recordings" in tables else ():
        listed[row.values.get("patient_id")].add(row.values.get("recording_id"))
    patients |= {patient for patient, names in listed.items() if names <= recordings}
    patients.discard(None)
    return {
        name: table._replace(
            rows=[
                row
                for row in table.rows
                if row.values.get("patient_id") not in patients
                and (name != "recordings" or row.values.get("recording_id") not in recordings)
            ]
        )
        for name, table in tables.items()
    }


def _is_whole(row: Row) -> bool:
    """Return whether a row leaves out the whole patient; a faulty cell says neither."""
    return "recording_id" in row.values and row.values["recording_id"] is None


def counts(tables: Mapping[str, Rows]) -> dict[str, int]:
    """Return how many patients and recordings are left out; none where nothing is."""
    rows = tables["left_out"].rows if "left_out" in tables else []
    patients = {row.values["patient_id"] for row in rows if _is_whole(row)}
    recordings = {row.values["recording_id"] for row in rows}
    n = {
        "patients": len(patients),
        "recordings": sum(
            row.values["patient_id"] in patients or row.values["recording_id"] in recordings
            for row in tables["recordings"].rows
        ),
    }
    return {name: count for name, count in n.items() if count}
