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
    params:
        locked=LOCKED,
        reasons=REASONS,
        settings=SET,
        models=MODELS,
        specifications=QUESTIONS,
        scripts={path.stem: provenance.code_of(path) for path in SCRIPTS.glob("*.py")},
        code=provenance.code_of(SCRIPTS / "plan.py"),
    script:
        "../scripts/plan.py"
