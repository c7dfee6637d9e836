rule plan:
    """Compare what was run with the locked plan."""
    input:
        patients=rules.study.output.patients,
        monitors=rules.study.output.monitors,
        events=rules.study.output.events,
        recordings=rules.collect.output.recordings,
    output:
        changes="results/plan_changes.parquet",
        status="results/plan_status.parquet",
    log:
        "logs/plan.log",
    group:
        "report"
    resources:
        mem_mb=ALL_MB,
        runtime=10,
    params:
        locked=LOCKED,
        reasons=REASONS,
        now=jobs.planned(SET, MODELS, QUESTIONS, scripts=SCRIPTS) if LOCKED else None,
        models=list(MODELS),
        settings=only(SET, "variables", "outcomes") | MEASURED,
        code=fingerprint.code_of(SCRIPTS / "plan.py"),
    script:
        "../scripts/plan.py"
