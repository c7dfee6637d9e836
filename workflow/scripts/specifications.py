from pathlib import Path

from icpcohort import burden, contracts, store
from icpcohort.specifications import fits

asked = snakemake.params
thresholds = {n: asked.settings["burden"][n] for n in ("icp_above_mmhg", "cpp_below_mmhg")}
table = contracts.analyses(burden.wide_columns(**thresholds))
answers = fits.answer_all(
    asked.questions,
    settings=asked.settings,
    models=asked.models,
    analyses={Path(path).stem: store.read(path, table) for path in snakemake.input.analyses},
    patients=store.read(snakemake.input.patients, contracts.PATIENTS)["patient_id"].to_list(),
)
written = snakemake.output
store.write(answers.specifications, contracts.SPECIFICATIONS, written.specifications)
store.write(answers.options, contracts.SPECIFICATION_OPTIONS, written.options)
store.write(answers.choices, contracts.SPECIFICATION_CHOICES, written.choices)
store.write(answers.summary, contracts.SPECIFICATION_SUMMARY, written.summary)
