from icpcohort import burden, contracts, store
from icpcohort.specifications import fits

thresholds = {
    n: snakemake.params.settings["burden"][n] for n in ("icp_above_mmhg", "cpp_below_mmhg")
}
table = contracts.analyses(burden.wide_columns(**thresholds))
answers = fits.answer_all(
    snakemake.params.questions,
    settings=snakemake.params.settings,
    models=snakemake.params.models,
    analyses=store.read(snakemake.input.analyses, table),
    patients=store.read(snakemake.input.patients, contracts.PATIENTS)["patient_id"].to_list(),
)
store.write(answers.specifications, contracts.SPECIFICATIONS, snakemake.output.specifications)
store.write(answers.options, contracts.SPECIFICATION_OPTIONS, snakemake.output.options)
store.write(answers.choices, contracts.SPECIFICATION_CHOICES, snakemake.output.choices)
store.write(answers.summary, contracts.SPECIFICATION_SUMMARY, snakemake.output.summary)
