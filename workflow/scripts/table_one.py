from icpcohort import contracts
from icpcohort.contracts import job_log, store
from icpcohort.report.tables import table_one

job_log.keep(snakemake.log)
settings = snakemake.params.settings
of_table = settings["cohort"]["table_one"]
analysis = contracts.analysis(settings)
table = table_one.table_one(
    store.read(snakemake.input.analysis, analysis),
    main_window=settings["cohort"]["main_window"],
    variables=of_table["rows"],
    groups=table_one.groups_of(
        of_table["by"],
        exposure=of_table["exposure"],
        exposed_above=of_table["exposed_above"],
        main_outcome=settings["cohort"]["main_outcome"],
        columns=analysis.columns,
    ),
    columns=analysis.columns,
)
store.write(table, contracts.TABLE_ONE, snakemake.output.table)
