rule report:
    """Write the page that the principal investigator reads."""
    input:
        template=HOME / "workflow/report/report.html.j2",
        study=[jobs.table(SET, name) for name in tables.TABLES],
        patients=rules.study.output.patients,
        monitors=rules.study.output.monitors,
        events=rules.study.output.events,
        recordings=rules.collect.output.recordings,
        excluded=rules.collect.output.excluded,
        quality=rules.collect.output.quality,
        masked=rules.collect.output.masked,
        curves=expand(rules.indices.output.curve, patient=PATIENTS),
        optima=rules.optima.output.optima,
        burden=rules.burden.output.burden,
        by_state=rules.burden.output.by_state,
        intensity=rules.intensity.output.intensity,
        intensity_map=rules.intensity_map.output.table,
        transition=rules.intensity_map.output.transition,
        summary=rules.summary.output.summary,
        outcomes=rules.outcomes.output.outcomes,
        analysis=rules.cohort.output.analysis,
        flow=rules.cohort.output.flow,
        dropped=rules.cohort.output.dropped,
        table1=rules.table_one.output.table,
        monitoring_ends=rules.monitoring_end.output.by_outcome,
        comparisons=rules.comparisons.output.comparisons,
        planning=rules.planning.output.planning,
        plan_changes=rules.plan.output.changes,
        plan_status=rules.plan.output.status,
        specifications=rules.specifications.output.specifications,
        specification_options=rules.specifications.output.options,
        specification_choices=rules.specifications.output.choices,
        specification_summary=rules.specifications.output.summary,
        estimates=expand(rules.model.output.estimates, model=MODELS),
        diagnostics=expand(rules.model.output.diagnostics, model=MODELS),
        model_flows=expand(rules.model.output.flow, model=MODELS),
        alternatives=expand(rules.model.output.alternatives, model=MODELS),
        risks=expand(rules.model.output.risks, model=MODELS),
        exposure_curves=expand(rules.model.output.curve, model=MODELS),
        performance=expand(rules.model.output.performance, model=MODELS),
    output:
        report="results/report.html",
        content="results/report.json",
    group:
        "report"
    resources:
        mem_mb=ALL_MB,
        runtime=10,
    params:
        settings=SET,
        models=MODELS,
        locked=LOCKED,
        is_blinded=IS_BLINDED,
        versions=fingerprint.versions(),
        code=fingerprint.code_of(SCRIPTS / "report.py"),
    script:
        "../scripts/report.py"


rule catalogue:
    """List every table and column of the results, with units."""
    output:
        catalogue="results/README.md",
    log:
        "logs/catalogue.log",
    localrule: True
    params:
        code=fingerprint.code_of(SCRIPTS / "catalogue.py"),
    script:
        "../scripts/catalogue.py"
