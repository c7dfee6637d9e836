"""Patient: one patient's way through the study, in lines of text."""

from collections.abc import Iterator

from icpcohort.commands.why.results import Results
from icpcohort.report.patients import facts


def lines(patient_id: str, results: Results) -> Iterator[str]:
    """Yield all that the results know of a patient, as the browser of patients shows it.

    Whether and why the patient is in each cohort and model stands first.
    """
    sections = facts.sections(
        results.tables,
        model_dropped=results.model_dropped,
        models=results.models,
        windows=list(results.settings["windows"]),
        declared=results.settings,
    )
    first = [part for part in sections if part.caption == "In which analyses"]
    yield f"Patient {patient_id}"
    for part in first + [part for part in sections if part not in first]:
        yield ""
        yield part.caption
        rows = part.rows.get(patient_id, [])
        if not rows:
            yield f"  {part.empty or 'nothing was noted'}"
        for row in rows:
            yield "  " + ": ".join(filter(None, [row[0], ", ".join(filter(None, row[1:]))]))
    yield ""
    yield f"Picture: {results.folder / 'pictures' / patient_id}.svg"
