from icpcohort.report import reads
from icpcohort.report.sections import methods
from icpcohort.report.sharing import folder
from icpcohort.report.tables import table_one

settings, models = snakemake.params.settings, snakemake.params.models
thresholds = {
    "icp_above_mmhg": snakemake.params.icp_above_mmhg,
    "cpp_below_mmhg": snakemake.params.cpp_below_mmhg,
}
results = reads.read(snakemake.input, reads.SHARE, thresholds=thresholds)
texts = folder.files(
    tables=results.tables,
    models=models,
    estimates=results.of_models["estimates"],
    dropped=results.of_models["dropped"],
    methods=methods.paragraphs(settings, models),
    main_window=snakemake.params.main_window,
    groups=table_one.groups_of(**snakemake.params.groups),
    min_cell=snakemake.params.min_cell,
)
folder.write(
    texts,
    snakemake.output.files,
    identifiers=folder.identifiers(results.tables),
    min_cell=snakemake.params.min_cell,
)
