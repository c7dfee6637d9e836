rule share:
    """Put what may leave the group into a folder, or refuse to."""
    input:
        patients=rules.study.output.patients,
        monitors=rules.study.output.monitors,
        recordings=rules.collect.output.recordings,
        quality=rules.collect.output.quality,
        burden=rules.burden.output.burden,
        summary=rules.summary.output.summary,
        analysis=rules.cohort.output.analysis,
        flow=rules.cohort.output.flow,
        dropped=rules.cohort.output.dropped,
        estimates=expand(rules.model.output.estimates, model=MODELS),
        model_dropped=expand(rules.model.output.dropped, model=MODELS),
    output:
        files=expand("results/share/{file}", file=share_names.FILES),
    group:
        "report"
    resources:
        mem_mb=ALL_MB,
        runtime=10,
    params:
        settings=SET,
        models=MODELS,
        main_window=SET["cohort"]["main_window"],
        groups=SET["cohort"]["table_one"],
        min_cell=SET["share"]["min_cell"],
        icp_above_mmhg=SET["burden"]["icp_above_mmhg"],
        cpp_below_mmhg=SET["burden"]["cpp_below_mmhg"],
        code=fingerprint.code_of(SCRIPTS / "share.py"),
    script:
        "../scripts/share.py"
