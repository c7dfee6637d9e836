from icpcohort.contracts import job_log
from icpcohort.report import reads
from icpcohort.report.sections import methods
from icpcohort.report.sharing import folder
from icpcohort.report.tables import table_one

job_log.keep(snakemake.log)
settings, models = snakemake.params.settings, snakemake.params.models
of_table = settings["cohort"]["table_one"]
min_cell = snakemake.params.min_cell
results = reads.read(snakemake.input, reads.SHARE, declared=settings)
texts = folder.files(
    tables=results.tables,
    models=models,
    estimates=results.of_models["estimates"],
    dropped=results.of_models["dropped"],
    methods=methods.paragraphs(settings, models),
    main_window=settings["cohort"]["main_window"],
    variables=of_table["rows"],
    groups=table_one.groups_of(
        of_table["by"],
        exposure=of_table["exposure"],
        exposed_above=of_table["exposed_above"],
        main_outcome=settings["cohort"]["main_outcome"],
        columns=results.columns,
    ),
    columns=results.columns,
    min_cell=min_cell,
    declared=settings,
)
folder.write(
    texts,
    snakemake.output.files,
    identifiers=folder.identifiers(results.tables, columns=results.columns),
    min_cell=min_cell,
)
