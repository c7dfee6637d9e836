from icpcohort.report import reads as report_reads


rule patients:
    """Write the page in which the group looks at its patients, one by one."""
    input:
        **report_reads.files(
            report_reads.PATIENT_PAGE,
            folder="results",
            patients=PATIENTS,
            models=MODELS,
        ),
        template=HOME / "workflow/report/patients.html.j2",
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
