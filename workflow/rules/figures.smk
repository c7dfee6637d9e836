rule figures:
    """Draw every figure of the report for a journal: SVG, PDF, and PNG of 600 dpi."""
    input:
        **reads.files(reads.FIGURES, folder="results", patients=PATIENTS, models=MODELS),
    output:
        files=expand(
            "results/figures/{figure}.{kind}",
            figure=figure_names.names_of(MODELS, QUESTIONS),
            kind=figure_names.FILE_KINDS,
        ),
    log:
        "logs/figures.log",
    group:
        "report"
    resources:
        mem_mb=ALL_MB,
        runtime=10,
    params:
        models=MODELS,
        settings=only(
            SET,
            *DECLARED,
            *("burden.impaired_above", "cohort.main_window", "cohort.main_outcome"),
        ),
        code=fingerprint.code_of(SCRIPTS / "figures.py"),
    script:
        "../scripts/figures.py"
