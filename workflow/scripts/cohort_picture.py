from icpcohort import contracts
from icpcohort.contracts import atomic_write, job_log, store
from icpcohort.report.patients import cohort_picture

job_log.keep(snakemake.log)
cohort = cohort_picture.cohort_picture(
    store.read_all(snakemake.input.hours, contracts.HOURS),
    patients=snakemake.params.patients,
    quality=store.read(snakemake.input.quality, contracts.QUALITY),
    time_zero=snakemake.params.settings["study"]["time_zero"],
)
atomic_write.write(snakemake.output.cohort, cohort)
