rule document:
    """Write the report as a Word document to edit and restyle."""
    input:
        content=rules.report.output.content,
        pictures=[file for file in rules.figures.output.files if file.endswith(".png")],
    output:
        document="results/report.docx",
    log:
        "logs/document.log",
    group:
        "report"
    resources:
        mem_mb=ALL_MB,
        runtime=10,
    params:
        code=fingerprint.code_of(SCRIPTS / "document.py"),
    script:
        "../scripts/document.py"


rule table_files:
    """Write every table of the report as CSV and as LaTeX."""
    input:
        content=rules.report.output.content,
    output:
        csv=directory("results/tables/csv"),
        latex=directory("results/tables/latex"),
    log:
        "logs/table_files.log",
    group:
        "report"
    resources:
        mem_mb=ALL_MB,
        runtime=10,
    params:
        code=fingerprint.code_of(SCRIPTS / "table_files.py"),
    script:
        "../scripts/table_files.py"
