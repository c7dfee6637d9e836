from pathlib import Path

from icpcohort import contracts
from icpcohort.contracts import atomic_write, store
from icpcohort.report.patients import browser

thresholds = {
    "icp_above_mmhg": snakemake.params.icp_above_mmhg,
    "cpp_below_mmhg": snakemake.params.cpp_below_mmhg,
}
analysis = contracts.analysis(thresholds)
read = snakemake.input
page = browser.render(
    template=Path(read.template).read_text(encoding="utf-8"),
    tables={
        "patients": store.read(read.patients, contracts.PATIENTS),
        "monitors": store.read(read.monitors, contracts.MONITORS),
        "events": store.read(read.events, contracts.EVENTS),
        "recordings": store.read(read.recordings, contracts.RECORDINGS),
        "excluded": store.read(read.excluded, contracts.EXCLUDED),
        "quality": store.read(read.quality, contracts.QUALITY),
        "masked": store.read(read.masked, contracts.MASKED),
        "optima": store.read(read.optima, contracts.OPTIMA),
        "burden": store.read(read.burden, contracts.BURDEN),
        "summary": store.read(read.summary, contracts.SUMMARY),
        "outcomes": store.read(read.outcomes, contracts.OUTCOMES),
        "analysis": store.read(read.analysis, analysis),
        "dropped": store.read(read.dropped, contracts.DROPPED),
    },
    model_dropped=store.read_named(read.model_dropped, contracts.MODEL_DROPPED),
    models=snakemake.params.models,
    windows=snakemake.params.windows,
    main_window=snakemake.params.main_window,
)
atomic_write.write(snakemake.output.page, page)
