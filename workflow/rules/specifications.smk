rule alternative:
    """Make the minutes again by other decisions, and their exposures, for a batch of patients."""
    input:
        trends=lambda wildcards: expand(
            rules.ingest.output.trends, patient=BATCHES[wildcards.batch]
        ),
        intervals=lambda wildcards: expand(
            rules.ingest.output.intervals, patient=BATCHES[wildcards.batch]
        ),
    output:
        summary="results/specifications/exposures/{signals}/{batch}/summary.parquet",
        burden="results/specifications/exposures/{signals}/{batch}/burden.parquet",
    log:
        "logs/alternative/{signals}/{batch}.log",
    group:
        "alternatives"
    resources:
        mem_mb=BATCH_MB,
        runtime=20,
    params:
        of_patients=lambda wildcards: {
            patient: {
                "level": tables.level_of(STUDY, patient),
                "events": tables.events_of(STUDY, patient),
                "subtracted": by_patient.subtracted(STUDY, SET, patient),
            }
            for patient in BATCHES[wildcards.batch]
        },
        settings=lambda wildcards: ALTERNATIVES[wildcards.signals].exposures,
        shift=lambda wildcards: ALTERNATIVES[wildcards.signals].shift,
        made_with=only(SET, "levels") | OF_MINUTES,
        code=fingerprint.code_of(SCRIPTS / "alternative.py"),
    script:
        "../scripts/alternative.py"


rule analyses:
    """Form the cohorts of all specifications."""
    input:
        summary=expand(
            rules.alternative.output.summary, signals=list(ALTERNATIVES), batch=BATCHES
        ),
        burden=expand(
            rules.alternative.output.burden, signals=list(ALTERNATIVES), batch=BATCHES
        ),
        patients=rules.study.output.patients,
        monitors=rules.study.output.monitors,
        events=rules.study.output.events,
        recordings=rules.collect.output.recordings,
        repeated=jobs.if_repeated(SET, rules.repeated_values.output.repeated),
    output:
        analyses="results/specifications/analyses.parquet",
    log:
        "logs/analyses.log",
    group:
        "specifications"
    resources:
        mem_mb=ALL_MB,
        runtime=20,
    params:
        cohorts={name: one.cohorts for name, one in ALTERNATIVES.items()},
        settings=only(SET, *DECLARED),
        left_out=list(LEFT_OUT),
        code=fingerprint.code_of(SCRIPTS / "analyses.py"),
    script:
        "../scripts/analyses.py"


rule question:
    """Answer one question in every specification, and summarise the answers."""
    input:
        patients=rules.study.output.patients,
        analyses=rules.analyses.output.analyses,
    output:
        specifications="results/specifications/questions/{question}/specifications.parquet",
        options="results/specifications/questions/{question}/options.parquet",
        choices="results/specifications/questions/{question}/choices.parquet",
        summary="results/specifications/questions/{question}/summary.parquet",
    log:
        "logs/question/{question}.log",
    group:
        "specifications"
    resources:
        mem_mb=ALL_MB,
        runtime=60,
    params:
        question=lambda wildcards: QUESTIONS[wildcards.question],
        settings=choices.needed(SET),
        model=lambda wildcards: MODELS[QUESTIONS[wildcards.question]["model"]],
        left_out=list(LEFT_OUT),
        code=fingerprint.code_of(SCRIPTS / "question.py"),
    script:
        "../scripts/question.py"


rule specifications:
    """Put the answers to all questions into one table each."""
    input:
        specifications=expand(rules.question.output.specifications, question=QUESTIONS),
        options=expand(rules.question.output.options, question=QUESTIONS),
        choices=expand(rules.question.output.choices, question=QUESTIONS),
        summary=expand(rules.question.output.summary, question=QUESTIONS),
    output:
        specifications="results/specifications/specifications.parquet",
        options="results/specifications/options.parquet",
        choices="results/specifications/choices.parquet",
        summary="results/specifications/summary.parquet",
    log:
        "logs/specifications.log",
    group:
        "specifications"
    resources:
        mem_mb=ONE_MB,
        runtime=10,
    params:
        code=fingerprint.code_of(SCRIPTS / "specifications.py"),
    script:
        "../scripts/specifications.py"
