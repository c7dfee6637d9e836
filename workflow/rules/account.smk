# Whose files the account names, beside those of the rules of batches of pictures.
MADE_BY = (
    *(rules.study, rules.ingest, rules.collect, rules.indices, rules.optima),
    *(rules.batch_burden, rules.burden, rules.batch_summary, rules.summary),
    *(rules.batch_intensity, rules.intensity, rules.intensity_map, rules.updates),
    *(
        rules.outcomes,
        rules.cohort,
        rules.monitoring_end,
        rules.table_one,
        rules.handover,
    ),
    *(rules.model, rules.planning, rules.comparisons, rules.plan),
    *(rules.alternative, rules.analyses, rules.question, rules.specifications),
    *(
        rules.figures,
        rules.cohort_picture,
        rules.patients,
        rules.report,
        rules.document,
    ),
    *(rules.table_files, rules.catalogue, rules.share),
)
EVERY_FILE = sorted(
    jobs.filled(
        [path for rule in MADE_BY for path in rule.output],
        patient=PATIENTS,
        model=MODELS,
        batch=BATCHES,
        signals=ALTERNATIVES,
        question=QUESTIONS,
    )
    + expand("results/pictures/{patient}.svg", patient=PATIENTS)
    + expand("results/hours/{batch}.parquet", batch=DRAWN_TOGETHER)
)


rule account:
    """Say what made the results, and keep the fingerprint of every file of them."""
    input:
        finished=[
            "results/report.html",
            "results/report.docx",
            "results/patients.html",
            "results/cohort.svg",
            "results/README.md",
            "results/intensity_map.parquet",
            "results/monitoring_end_by_outcome.parquet",
            "results/plan_status.parquet",
            "results/specifications/summary.parquet",
            "results/tables/comparisons.parquet",
            "results/tables/csv",
            "results/tables/latex",
            *expand("results/analysis.{ending}", ending=["csv", "dta", "feather"]),
            *expand("results/pictures/{patient}.svg", patient=PATIENTS),
            *expand("results/share/{file}", file=share_names.FILES),
            *expand(
                "results/figures/{figure}.{kind}",
                figure=figure_names.names_of(MODELS, QUESTIONS),
                kind=figure_names.FILE_KINDS,
            ),
        ],
        recordings=rules.collect.output.recordings,
        template=HOME / "workflow/report/provenance.html.j2",
        workflow=HOME / "Snakefile",
    output:
        workflow="results/provenance/Snakefile",
        settings="results/provenance/config.yaml",
        variables="results/provenance/variables.yaml",
        plan="results/provenance/models.yaml",
        crate="results/ro-crate-metadata.json",
        page="results/provenance.html",
        sums="results/SHA256SUMS",
    log:
        "logs/account.log",
    group:
        "report"
    resources:
        mem_mb=ALL_MB,
        runtime=10,
    params:
        settings=SET,
        models=MODELS,
        tables=[SET["study"][name] for name in tables.TABLES],
        files=EVERY_FILE,
        versions=fingerprint.versions(),
        all_code=fingerprint.code_of_all(SCRIPTS),
        code=fingerprint.code_of(SCRIPTS / "account.py"),
    script:
        "../scripts/account.py"
