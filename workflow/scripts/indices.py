from icpcohort import contracts
from icpcohort.contracts import job_log, store
from icpcohort.indices import minutes, whole_recording

job_log.keep(snakemake.log)
settings = snakemake.params.settings
trends = store.read(snakemake.input.trends, contracts.trends(settings))
shared = {
    "events": store.read(snakemake.input.intervals, contracts.INTERVALS).to_dicts(),
    "minute_min_valid_fraction": minutes.Settings(**settings["minutes"]).min_valid_fraction,
    "rules": minutes.rules_of(settings),
}
by_minute = minutes.compute(trends, **shared, subtracted=snakemake.params.subtracted)
whole = whole_recording.of_recording(
    snakemake.wildcards.patient,
    trends,
    by_minute,
    settings=whole_recording.Settings(**settings["uncertainty"]),
    **shared,
)
store.write(by_minute, contracts.minutes(settings), snakemake.output.minutes)
store.write(whole.curve, contracts.CURVES, snakemake.output.curve)
store.write(whole.row, contracts.OPTIMA, snakemake.output.optimum)
