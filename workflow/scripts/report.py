from pathlib import Path

from icpcohort import contracts
from icpcohort.contracts import atomic_write, store
from icpcohort.provenance import fingerprint
from icpcohort.report.formats import content_json, html_page
from icpcohort.report.sections import methods

settings, models = snakemake.params.settings, snakemake.params.models
thresholds = {name: settings["burden"][name] for name in ("icp_above_mmhg", "cpp_below_mmhg")}
analysis = contracts.analysis(thresholds)
read = snakemake.input
said, pictures = html_page.say(
    title=settings["study"]["title"],
    settings=settings,
    models=models,
    tables={
        "patients": store.read(read.patients, contracts.PATIENTS),
        "monitors": store.read(read.monitors, contracts.MONITORS),
        "events": store.read(read.events, contracts.EVENTS),
        "recordings": store.read(read.recordings, contracts.RECORDINGS),
        "excluded": store.read(read.excluded, contracts.EXCLUDED),
        "masked": store.read(read.masked, contracts.MASKED),
        "quality": store.read(read.quality, contracts.QUALITY),
        "curves": store.read_patients(read.curves, contracts.CURVES),
        "optima": store.read(read.optima, contracts.OPTIMA),
        "burden": store.read(read.burden, contracts.BURDEN),
        "burden_by_state": store.read(read.by_state, contracts.BURDEN_BY_STATE),
        "intensity": store.read(read.intensity, contracts.INTENSITY),
        "intensity_map": store.read(read.intensity_map, contracts.INTENSITY_MAP),
        "transition": store.read(read.transition, contracts.TRANSITION),
        "summary": store.read(read.summary, contracts.SUMMARY),
        "outcomes": store.read(read.outcomes, contracts.OUTCOMES),
        "analysis": store.read(read.analysis, analysis),
        "flow": store.read(read.flow, contracts.FLOW),
        "dropped": store.read(read.dropped, contracts.DROPPED),
        "table1": store.read(read.table1, contracts.TABLE_ONE),
        "monitoring_ends": store.read(
            read.monitoring_ends, contracts.MONITORING_END_BY_OUTCOME
        ),
        "comparisons": store.read(read.comparisons, contracts.COMPARISONS),
        "planning": store.read(read.planning, contracts.PLANNING),
        "plan_changes": store.read(read.plan_changes, contracts.PLAN_CHANGES),
        "plan_status": store.read(read.plan_status, contracts.PLAN_STATUS),
        "specifications": store.read(read.specifications, contracts.SPECIFICATIONS),
        "specification_options": store.read(
            read.specification_options, contracts.SPECIFICATION_OPTIONS
        ),
        "specification_choices": store.read(
            read.specification_choices, contracts.SPECIFICATION_CHOICES
        ),
        "specification_summary": store.read(
            read.specification_summary, contracts.SPECIFICATION_SUMMARY
        ),
    },
    fits={
        "estimates": store.read_named(read.estimates, contracts.ESTIMATES),
        "diagnostics": store.read_named(read.diagnostics, contracts.DIAGNOSTICS),
        "flow": store.read_named(read.model_flows, contracts.MODEL_FLOW),
        "alternatives": store.read_named(read.alternatives, contracts.ALTERNATIVES),
        "risks": store.read_named(read.risks, contracts.RISKS),
        "curve": store.read_named(read.exposure_curves, contracts.EXPOSURE_CURVE),
        "performance": store.read_named(read.performance, contracts.PERFORMANCE),
    },
    methods=methods.paragraphs(settings, models),
    plan=snakemake.params.locked,
    is_blinded=snakemake.params.is_blinded,
    versions=snakemake.params.versions,
    fingerprints=fingerprint.fingerprints(read.study),
)
page = html_page.page(
    said, template=Path(read.template).read_text(encoding="utf-8"), pictures=pictures
)
atomic_write.write(snakemake.output.report, page)
atomic_write.write(snakemake.output.content, content_json.as_json(said))
