rule alternative:
    """Form the cohorts of all specifications that share the same minutes."""
    input:
        trends=expand(rules.ingest.output.trends, patient=PATIENTS),
        intervals=expand(rules.ingest.output.intervals, patient=PATIENTS),
        patients=rules.study.output.patients,
        monitors=rules.study.output.monitors,
        events=rules.study.output.events,
        recordings=rules.collect.output.recordings,
    output:
        analyses="results/specifications/analyses/{signals}.parquet",
    group:
        "specifications"
    resources:
        mem_mb=3 * ALL_MB,
        runtime=60,
    params:
        settings=lambda wildcards: ALTERNATIVES[wildcards.signals].settings,
        shift=lambda wildcards: ALTERNATIVES[wildcards.signals].shift,
        levels_of_trends=SET["levels"],
        code=provenance.code_of(SCRIPTS / "alternative.py"),
    script:
        "../scripts/alternative.py"


rule specifications:
    """Answer each question in every specification, and hold the answers together."""
    input:
        patients=rules.study.output.patients,
        analyses=[
            rules.alternative.output.analyses.format(signals=name)
            for name in ALTERNATIVES
        ],
    output:
        specifications="results/specifications/specifications.parquet",
        options="results/specifications/options.parquet",
        choices="results/specifications/choices.parquet",
        summary="results/specifications/summary.parquet",
    group:
        "specifications"
    resources:
        mem_mb=3 * ALL_MB,
        runtime=60,
    params:
        questions=QUESTIONS,
        settings=choices.needed(SET),
        models={asked["model"]: MODELS[asked["model"]] for asked in QUESTIONS.values()},
        code=provenance.code_of(SCRIPTS / "specifications.py"),
    script:
        "../scripts/specifications.py"
