import os
from datetime import UTC, datetime
from pathlib import Path

import yaml

from icpcohort import contracts
from icpcohort.contracts import atomic_write, job_log, store
from icpcohort.provenance import account as run_account
from icpcohort.provenance import checksums, ro_crate
from icpcohort.study import dictionary

job_log.keep(snakemake.log)

results = Path(snakemake.output.sums).parent
atomic_write.sweep(results)
settings, models = snakemake.params.settings, snakemake.params.models
atomic_write.write(snakemake.output.workflow, Path(snakemake.input.workflow).read_bytes())
config, variables = dictionary.as_run(settings)
for path, content in (
    (snakemake.output.settings, config),
    (snakemake.output.variables, variables),
    (snakemake.output.plan, {"models": models}),
):
    atomic_write.write(path, yaml.safe_dump(content, sort_keys=False, allow_unicode=True))
recordings = store.read(snakemake.input.recordings, contracts.recordings(settings))
made = [str(Path(file).relative_to(results)) for file in snakemake.params.files]
beside = [str(Path(file).relative_to(results)) for file in snakemake.output]
account = run_account.Account(
    title=settings["study"]["title"],
    settings=settings,
    models=models,
    versions=snakemake.params.versions,
    code=snakemake.params.all_code,
    command=os.environ["ICPCOHORT_COMMAND"],
    started=os.environ["ICPCOHORT_STARTED"],
    ended=datetime.now(UTC).isoformat(timespec="seconds"),
    tables=run_account.of_tables(snakemake.params.tables, folder=settings["study"]["folder"]),
    recordings=run_account.recordings_of(recordings),
    files=checksums.of_files([*made, *beside[:4]], root=results),
)
template = Path(snakemake.input.template).read_text(encoding="utf-8")
atomic_write.write(snakemake.output.crate, ro_crate.as_json(account))
atomic_write.write(snakemake.output.page, run_account.page(account, template=template))
about_it = {*beside} - {checksums.NAME, *account.files}
digests = account.files | checksums.of_files(about_it, root=results)
atomic_write.write(snakemake.output.sums, checksums.as_text(digests))
