rule patients:
    """Write the page in which the group looks at its patients, one by one."""
    input:
        **reads.files(
            reads.PATIENT_PAGE,
            folder="results",
            patients=PATIENTS,
            models=MODELS,
        ),
        template=HOME / "workflow/report/patients.html.j2",
    output:
        page="results/patients.html",
    log:
        "logs/patients.log",
    group:
        "report"
    resources:
        mem_mb=ALL_MB,
        runtime=10,
    params:
        models=MODELS,
        windows=list(SET["windows"]),
        settings=only(SET, *DECLARED, "cohort.main_window", "cohort.main_outcome"),
        code=fingerprint.code_of(SCRIPTS / "patients.py"),
    script:
        "../scripts/patients.py"
