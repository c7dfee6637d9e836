from icpcohort import contracts
from icpcohort.contracts import store
from icpcohort.report.tables import table_one

analysis = contracts.analysis(
    {
        "icp_above_mmhg": snakemake.params.icp_above_mmhg,
        "cpp_below_mmhg": snakemake.params.cpp_below_mmhg,
    }
)
table = table_one.table_one(
    store.read(snakemake.input.analysis, analysis),
    main_window=snakemake.params.main_window,
    groups=table_one.groups_of(**snakemake.params.groups),
)
store.write(table, contracts.TABLE_ONE, snakemake.output.table)
