from icpcohort.report import reads as report_reads


rule report:
    """Write the page that the principal investigator reads."""
    input:
        **report_reads.files(
            report_reads.REPORT, folder="results", patients=PATIENTS, models=MODELS
        ),
        template=HOME / "workflow/report/report.html.j2",
        study=[jobs.table(SET, name) for name in study.TABLES],
    output:
        report="results/report.html",
        content="results/report.json",
    group:
        "report"
    resources:
        mem_mb=lambda wildcards, attempt: ALL_MB * attempt,
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
    localrule: True
    params:
        code=fingerprint.code_of(SCRIPTS / "catalogue.py"),
    script:
        "../scripts/catalogue.py"
