from icpcohort.report import reads as report_reads


rule figures:
    """Draw every figure of the report for a journal: SVG, PDF, and PNG of 600 dpi."""
    input:
        **report_reads.files(
            report_reads.FIGURES, folder="results", patients=PATIENTS, models=MODELS
        ),
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
