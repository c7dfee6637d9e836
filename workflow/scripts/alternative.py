from pathlib import Path

from icpcohort import burden, contracts, store
from icpcohort.specifications import analyses

read = snakemake.input
tables = analyses.Tables(
    store.read(read.patients, contracts.PATIENTS),
    store.read(read.monitors, contracts.MONITORS),
    store.read(read.events, contracts.EVENTS),
    store.read(read.recordings, contracts.RECORDINGS),
)
patients = (
    analyses.Patient(
        Path(trends).stem,
        store.read(trends, contracts.TRENDS),
        store.read(intervals, contracts.INTERVALS).to_dicts(),
    )
    for trends, intervals in zip(read.trends, read.intervals, strict=True)
)
made = analyses.form_all(
    patients,
    tables,
    settings=snakemake.params.settings,
    levels_of_trends=snakemake.params.levels_of_trends,
    shift=snakemake.params.shift,
)
thresholds = next(iter(snakemake.params.settings.values()))["burden"]
names = ("icp_above_mmhg", "cpp_below_mmhg")
columns = burden.wide_columns(**{name: thresholds[name] for name in names})
store.write(made, contracts.analyses(columns), snakemake.output.analyses)
