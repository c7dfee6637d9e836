from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.report.sections import methods
from icpcohort.report.sharing import folder
from icpcohort.report.tables import table_one

settings, models = snakemake.params.settings, snakemake.params.models
min_cell, read = snakemake.params.min_cell, snakemake.input
columns = {
    "icp_above_mmhg": snakemake.params.icp_above_mmhg,
    "cpp_below_mmhg": snakemake.params.cpp_below_mmhg,
}
given = {
    "patients": store.read(read.patients, contracts.PATIENTS),
    "monitors": store.read(read.monitors, contracts.MONITORS),
    "quality": store.read(read.quality, contracts.QUALITY),
    "burden": store.read(read.burden, contracts.BURDEN),
    "summary": store.read(read.summary, contracts.SUMMARY),
    "analysis": store.read(read.analysis, contracts.analysis(columns)),
    "flow": store.read(read.flow, contracts.FLOW),
    "dropped": store.read(read.dropped, contracts.DROPPED),
}
texts = folder.files(
    given=given,
    models=models,
    estimates=store.read_named(read.estimates, contracts.ESTIMATES),
    dropped=store.read_named(read.model_dropped, contracts.MODEL_DROPPED),
    methods=methods.paragraphs(settings, models),
    main_window=snakemake.params.main_window,
    groups=table_one.groups_of(**snakemake.params.groups),
    min_cell=min_cell,
)
folder.write(
    texts,
    snakemake.output.files,
    identifiers=folder.identifiers(
        given, recordings=store.read(read.recordings, contracts.RECORDINGS)
    ),
    min_cell=min_cell,
)
