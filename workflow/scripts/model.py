import yaml

from icpcohort import contracts
from icpcohort.contracts import atomic_write, job_log, repeated, store
from icpcohort.models import fit, replication, wording
from icpcohort.report.formats import model_page
from icpcohort.study import plan

job_log.keep(snakemake.log)
settings, block, made = snakemake.params.settings, snakemake.params.plan, snakemake.output
asked = plan.from_block(snakemake.wildcards.model, block=block, outcomes=settings["outcomes"])
done = fit.fit_model(
    store.read(snakemake.input.analysis, contracts.analysis(settings)),
    plan=asked,
    landmark_h=settings["windows"][asked.window]["end_h"],
    updates=store.read_all(snakemake.input.updates, contracts.updates(settings)),
    repeated=store.read_all(snakemake.input.repeated, contracts.REPEATED_VALUES),
)
store.write(done.estimates, contracts.ESTIMATES, made.estimates)
store.write(done.diagnostics, contracts.DIAGNOSTICS, made.diagnostics)
store.write(done.flow, contracts.MODEL_FLOW, made.flow)
store.write(done.dropped, contracts.MODEL_DROPPED, made.dropped)
store.write(done.alternatives, contracts.ALTERNATIVES, made.alternatives)
store.write(done.risks, contracts.RISKS, made.risks)
store.write(done.curve, contracts.EXPOSURE_CURVE, made.curve)
store.write(done.performance, contracts.PERFORMANCE, made.performance)
store.write(done.incidence, contracts.CUMULATIVE_INCIDENCE, made.incidence)
atomic_write.write(made.data, replication.data(done, plan=asked).write_csv())
atomic_write.write(made.replicate, replication.script(done, plan=asked))
as_run = yaml.safe_dump({asked.name: block}, sort_keys=False, allow_unicode=True)
atomic_write.write(made.plan, as_run)
columns = contracts.analysis(settings).columns | repeated.columns_of_values(settings)
methods = wording.methods_sentence(asked, columns=columns)
page = model_page.markdown(
    done, plan=asked, methods=methods, columns=columns, declared=settings
)
atomic_write.write(made.summary, page)
