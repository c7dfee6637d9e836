rule figures:
    """Draw every figure of the report for a journal: SVG, PDF, and PNG of 600 dpi."""
    input:
        analysis=rules.cohort.output.analysis,
        flow=rules.cohort.output.flow,
        quality=rules.collect.output.quality,
        masked=rules.collect.output.masked,
        monitors=rules.study.output.monitors,
        burden=rules.burden.output.burden,
        by_state=rules.burden.output.by_state,
        intensity=rules.intensity.output.intensity,
        intensity_map=rules.intensity_map.output.table,
        transition=rules.intensity_map.output.transition,
        summary=rules.summary.output.summary,
        curves=expand(rules.indices.output.curve, patient=PATIENTS),
        optima=rules.optima.output.optima,
        specifications=rules.specifications.output.specifications,
        specification_options=rules.specifications.output.options,
        specification_choices=rules.specifications.output.choices,
        specification_summary=rules.specifications.output.summary,
        estimates=expand(rules.model.output.estimates, model=MODELS),
        diagnostics=expand(rules.model.output.diagnostics, model=MODELS),
        exposure_curves=expand(rules.model.output.curve, model=MODELS),
    output:
        files=expand(
            "results/figures/{figure}.{kind}",
            figure=figure_names.names_of(MODELS, QUESTIONS),
            kind=figure_names.FILE_KINDS,
        ),
    group:
        "report"
    resources:
        mem_mb=ALL_MB,
        runtime=10,
    params:
        models=MODELS,
        main_window=SET["cohort"]["main_window"],
        impaired_prx=SET["burden"]["impaired_prx"],
        icp_above_mmhg=SET["burden"]["icp_above_mmhg"],
        cpp_below_mmhg=SET["burden"]["cpp_below_mmhg"],
        code=fingerprint.code_of(SCRIPTS / "figures.py"),
    script:
        "../scripts/figures.py"
