from icpcohort import contracts
from icpcohort.contracts import job_log, store
from icpcohort.report.tables import table_one

job_log.keep(snakemake.log)
settings = snakemake.params.settings
analysis = contracts.analysis(settings)
table = table_one.table_one(
    store.read(snakemake.input.analysis, analysis),
    main_window=settings["cohort"]["main_window"],
    groups=table_one.groups_of(**settings["cohort"]["table_one"]),
)
store.write(table, contracts.TABLE_ONE, snakemake.output.table)
