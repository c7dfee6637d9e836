from icpcohort import burden, contracts, store
from icpcohort.models import fit, plan

analysis = contracts.analysis(
    burden.wide_columns(
        icp_above_mmhg=snakemake.params.icp_above_mmhg,
        cpp_below_mmhg=snakemake.params.cpp_below_mmhg,
    )
)
done = fit.fit_model(
    store.read(snakemake.input.analysis, analysis),
    plan=plan.from_block(snakemake.wildcards.model, block=snakemake.params.plan),
)
store.write(done.estimates, contracts.ESTIMATES, snakemake.output.estimates)
store.write(done.diagnostics, contracts.DIAGNOSTICS, snakemake.output.diagnostics)
store.write(done.flow, contracts.MODEL_FLOW, snakemake.output.flow)
store.write(done.dropped, contracts.MODEL_DROPPED, snakemake.output.dropped)
