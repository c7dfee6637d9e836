from icpcohort.report import reads as report_reads


rule share:
    """Put what may leave the group into a folder, or refuse to."""
    input:
        **report_reads.files(
            report_reads.SHARE, folder="results", patients=PATIENTS, models=MODELS
        ),
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
