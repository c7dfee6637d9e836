from pathlib import Path

from icpcohort import burden, contracts, methods, provenance, report, store

settings, models = snakemake.params.settings, snakemake.params.models
thresholds = {name: settings["burden"][name] for name in ("icp_above_mmhg", "cpp_below_mmhg")}
analysis = contracts.analysis(burden.wide_columns(**thresholds))
read = snakemake.input
page = report.render(
    template=Path(read.template).read_text(encoding="utf-8"),
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
    versions=provenance.versions(),
)
Path(snakemake.output.report).write_text(page, encoding="utf-8")
