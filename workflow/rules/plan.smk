rule plan:
    """Hold what was run against the locked plan."""
    input:
        patients=rules.study.output.patients,
        monitors=rules.study.output.monitors,
        events=rules.study.output.events,
        recordings=rules.collect.output.recordings,
    output:
        changes="results/plan_changes.parquet",
        status="results/plan_status.parquet",
    group:
        "report"
    resources:
        mem_mb=ALL_MB,
        runtime=10,
    params:
        locked=LOCKED,
        reasons=REASONS,
        # without a lock nothing is held against it
        settings=SET if LOCKED else None,
        models=MODELS if LOCKED else None,
        specifications=QUESTIONS if LOCKED else None,
        scripts=plan_lock.codes(SCRIPTS) if LOCKED else None,
        code=fingerprint.code_of(SCRIPTS / "plan.py"),
    script:
        "../scripts/plan.py"
