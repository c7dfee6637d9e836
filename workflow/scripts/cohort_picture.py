from icpcohort import contracts
from icpcohort.contracts import atomic_write, store
from icpcohort.report.patients import cohort_picture

cohort = cohort_picture.cohort_picture(
    store.read_all(snakemake.input.hours, contracts.HOURS),
    patients=snakemake.params.patients,
    quality=store.read(snakemake.input.quality, contracts.QUALITY),
    time_zero=snakemake.params.time_zero,
)
atomic_write.write(snakemake.output.cohort, cohort)
