from icpcohort import contracts
from icpcohort.contracts import job_log, store
from icpcohort.specifications import fits
from icpcohort.study import left_out

job_log.keep(snakemake.log)
settings, read = snakemake.params.settings, snakemake.input
curve = fits.answer_question(
    snakemake.wildcards.question,
    snakemake.params.question,
    settings=settings,
    model=snakemake.params.model,
    analyses=store.read(read.analyses, contracts.analyses(settings)),
    patients=left_out.without(
        store.read(read.patients, contracts.patients(settings)), snakemake.params.left_out
    )["patient_id"].to_list(),
)
store.write(curve.specifications, contracts.SPECIFICATIONS, snakemake.output.specifications)
store.write(curve.options, contracts.SPECIFICATION_OPTIONS, snakemake.output.options)
store.write(curve.choices, contracts.SPECIFICATION_CHOICES, snakemake.output.choices)
store.write(curve.summary, contracts.SPECIFICATION_SUMMARY, snakemake.output.summary)
