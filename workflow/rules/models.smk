rule updates:
    """Follow each patient's burden from day to day, for exposures that change with time."""
    input:
        minutes=expand(rules.indices.output.minutes, patient=PATIENTS),
    output:
        updates="results/updates.parquet",
    log:
        "logs/updates.log",
    group:
        "cohort"
    resources:
        mem_mb=ALL_MB,
        runtime=10,
    params:
        settings=only(SET, *COMPUTED, "burden", without=["burden.impaired_above"]),
        code=fingerprint.code_of(SCRIPTS / "updates.py"),
    script:
        "../scripts/updates.py"


rule model:
    """Fit one model of the analysis plan, unadjusted and adjusted."""
    input:
        analysis=rules.cohort.output.analysis,
        updates=lambda wildcards: jobs.of_family(
            MODELS[wildcards.model], updates=rules.updates.output.updates
        ),
        repeated=lambda wildcards: jobs.if_time_varying(
            MODELS[wildcards.model], rules.repeated_values.output.repeated
        ),
    output:
        estimates="results/models/{model}/estimates.parquet",
        diagnostics="results/models/{model}/diagnostics.parquet",
        flow="results/models/{model}/flow.parquet",
        dropped="results/models/{model}/dropped.parquet",
        alternatives="results/models/{model}/alternatives.parquet",
        risks="results/models/{model}/risks.parquet",
        curve="results/models/{model}/curve.parquet",
        performance="results/models/{model}/performance.parquet",
        incidence="results/models/{model}/incidence.parquet",
        data="results/models/{model}/data.csv",
        replicate="results/models/{model}/replicate.R",
        plan="results/models/{model}/plan.yaml",
        summary="results/models/{model}/summary.md",
    log:
        "logs/model/{model}.log",
    resources:
        mem_mb=ONE_MB,
        runtime=60,
    params:
        plan=lambda wildcards: MODELS[wildcards.model],
        settings=only(SET, "windows", *DECLARED),
        code=fingerprint.code_of(SCRIPTS / "model.py"),
    script:
        "../scripts/model.py"


rule planning:
    """Say what each model could have shown, and what more patients would show."""
    input:
        estimates=expand(rules.model.output.estimates, model=MODELS),
    output:
        planning="results/tables/planning.parquet",
    log:
        "logs/planning.log",
    group:
        "report"
    resources:
        mem_mb=400,
        runtime=10,
    params:
        models=MODELS,
        code=fingerprint.code_of(SCRIPTS / "planning.py"),
    script:
        "../scripts/planning.py"


rule comparisons:
    """Adjust the p values of models that were declared to be tested together."""
    input:
        estimates=expand(rules.model.output.estimates, model=MODELS),
    output:
        comparisons="results/tables/comparisons.parquet",
    log:
        "logs/comparisons.log",
    group:
        "report"
    resources:
        mem_mb=ONE_MB,
        runtime=10,
    params:
        models=MODELS,
        code=fingerprint.code_of(SCRIPTS / "comparisons.py"),
    script:
        "../scripts/comparisons.py"
