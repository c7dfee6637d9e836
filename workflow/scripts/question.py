from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.specifications import fits

thresholds = {
    n: snakemake.params.settings["burden"][n] for n in ("icp_above_mmhg", "cpp_below_mmhg")
}
table = contracts.analyses(thresholds)
curve = fits.answer_question(
    snakemake.wildcards.question,
    snakemake.params.question,
    settings=snakemake.params.settings,
    model=snakemake.params.model,
    analyses=store.read(snakemake.input.analyses, table),
    patients=store.read(snakemake.input.patients, contracts.PATIENTS)["patient_id"].to_list(),
)
store.write(curve.specifications, contracts.SPECIFICATIONS, snakemake.output.specifications)
store.write(curve.options, contracts.SPECIFICATION_OPTIONS, snakemake.output.options)
store.write(curve.choices, contracts.SPECIFICATION_CHOICES, snakemake.output.choices)
store.write(curve.summary, contracts.SPECIFICATION_SUMMARY, snakemake.output.summary)
