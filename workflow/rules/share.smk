rule share:
    """Put what may leave the group into a folder, or refuse to."""
    input:
        **reads.files(reads.SHARE, folder="results", patients=PATIENTS, models=MODELS),
    output:
        files=expand("results/share/{file}", file=share_names.FILES),
    log:
        "logs/share.log",
    group:
        "report"
    resources:
        mem_mb=ALL_MB,
        runtime=10,
    params:
        settings=SET,
        models=MODELS,
        min_cell=SET["share"]["min_cell"],
        code=fingerprint.code_of(SCRIPTS / "share.py"),
    script:
        "../scripts/share.py"
