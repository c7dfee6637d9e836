rule report:
    """Write the page that the principal investigator reads."""
    input:
        **reads.files(reads.REPORT, folder="results", patients=PATIENTS, models=MODELS),
        template=HOME / "workflow/report/report.html.j2",
        study=[jobs.table(SET, name) for name in tables.TABLES],
    output:
        report="results/report.html",
        content="results/report.json",
    log:
        "logs/report.log",
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
        settings=only(SET, *DECLARED),
        code=fingerprint.code_of(SCRIPTS / "catalogue.py"),
    script:
        "../scripts/catalogue.py"
