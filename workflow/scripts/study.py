from icpcohort import contracts
from icpcohort.cohort import blinding
from icpcohort.contracts import job_log, store
from icpcohort.study import left_out, tables

job_log.keep(snakemake.log)
settings = snakemake.params.settings
study = tables.read_study(settings)
left = list(left_out.of_patients(study))
patients = study.patients
if snakemake.params.is_blinded:
    patients = blinding.shuffled(
        patients, outcomes=blinding.outcomes_of(settings), seed=settings["plan"]["seed"]
    )
store.write(patients, contracts.patients(settings), snakemake.output.patients)
store.write(
    left_out.without(study.monitors, left), contracts.MONITORS, snakemake.output.monitors
)
store.write(left_out.without(study.events, left), contracts.EVENTS, snakemake.output.events)
store.write(study.recodings, contracts.RECODINGS, snakemake.output.recodings)
