rule patients:
    """Write the page in which the group looks at its patients, one by one."""
    input:
        template=HOME / "workflow/report/patients.html.j2",
        patients=rules.study.output.patients,
        monitors=rules.study.output.monitors,
        events=rules.study.output.events,
        recordings=rules.collect.output.recordings,
        excluded=rules.collect.output.excluded,
        quality=rules.collect.output.quality,
        masked=rules.collect.output.masked,
        optima=rules.optima.output.optima,
        burden=rules.burden.output.burden,
        summary=rules.summary.output.summary,
        outcomes=rules.outcomes.output.outcomes,
        analysis=rules.cohort.output.analysis,
        dropped=rules.cohort.output.dropped,
        model_dropped=expand(rules.model.output.dropped, model=MODELS),
    output:
        page="results/patients.html",
    group:
        "report"
    resources:
        mem_mb=ALL_MB,
        runtime=10,
    params:
        models=MODELS,
        windows=list(SET["windows"]),
        main_window=SET["cohort"]["main_window"],
        icp_above_mmhg=SET["burden"]["icp_above_mmhg"],
        cpp_below_mmhg=SET["burden"]["cpp_below_mmhg"],
        code=fingerprint.code_of(SCRIPTS / "patients.py"),
    script:
        "../scripts/patients.py"
