from pathlib import Path

from icpcohort import burden, contracts, handover, store

table = contracts.analysis(
    burden.wide_columns(
        icp_above_mmhg=snakemake.params.icp_above_mmhg,
        cpp_below_mmhg=snakemake.params.cpp_below_mmhg,
    )
)
analysis = store.read(snakemake.input.analysis, table)
Path(snakemake.output.csv).write_bytes(handover.as_csv(analysis, table))
Path(snakemake.output.stata).write_bytes(handover.as_stata(analysis, table))
Path(snakemake.output.feather).write_bytes(handover.as_feather(analysis, table))
