import yaml

from icpcohort import contracts
from icpcohort.contracts import atomic_write, store
from icpcohort.models import fit, replication, wording
from icpcohort.report.formats import model_page
from icpcohort.study import plan

thresholds = {
    "icp_above_mmhg": snakemake.params.icp_above_mmhg,
    "cpp_below_mmhg": snakemake.params.cpp_below_mmhg,
}
asked = plan.from_block(snakemake.wildcards.model, block=snakemake.params.plan)
done = fit.fit_model(
    store.read(snakemake.input.analysis, contracts.analysis(thresholds)),
    plan=asked,
    landmark_h=snakemake.params.landmark_h,
    updates=store.read_all(snakemake.input.updates, contracts.updates(thresholds)),
)
store.write(done.estimates, contracts.ESTIMATES, snakemake.output.estimates)
store.write(done.diagnostics, contracts.DIAGNOSTICS, snakemake.output.diagnostics)
store.write(done.flow, contracts.MODEL_FLOW, snakemake.output.flow)
store.write(done.dropped, contracts.MODEL_DROPPED, snakemake.output.dropped)
store.write(done.alternatives, contracts.ALTERNATIVES, snakemake.output.alternatives)
store.write(done.risks, contracts.RISKS, snakemake.output.risks)
store.write(done.curve, contracts.EXPOSURE_CURVE, snakemake.output.curve)
store.write(done.performance, contracts.PERFORMANCE, snakemake.output.performance)
atomic_write.write(snakemake.output.data, replication.data(done, plan=asked).write_csv())
atomic_write.write(snakemake.output.replicate, replication.script(done, plan=asked))
atomic_write.write(
    snakemake.output.plan,
    yaml.safe_dump({asked.name: snakemake.params.plan}, sort_keys=False, allow_unicode=True),
)
atomic_write.write(
    snakemake.output.summary,
    model_page.markdown(done, plan=asked, methods=wording.methods_sentence(asked)),
)
