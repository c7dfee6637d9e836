from icpcohort import contracts
from icpcohort.contracts import atomic_write as whole
from icpcohort.contracts import store
from icpcohort.report.patients import cohort_picture as coverage

cohort = coverage.cohort_picture(
    store.read_all(snakemake.input.hours, contracts.HOURS),
    patients=snakemake.params.patients,
    quality=store.read(snakemake.input.quality, contracts.QUALITY),
    time_zero=snakemake.params.time_zero,
)
whole.write(snakemake.output.cohort, cohort)
