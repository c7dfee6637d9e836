rule updates:
    """Follow each patient's burden from day to day, for exposures that change with time."""
    input:
        minutes=expand(rules.indices.output.minutes, patient=PATIENTS),
    output:
        updates="results/updates.parquet",
    group:
        "cohort"
    resources:
        mem_mb=lambda wildcards, attempt: ALL_MB * attempt,
        runtime=10,
    params:
        icp_above_mmhg=SET["burden"]["icp_above_mmhg"],
        cpp_below_mmhg=SET["burden"]["cpp_below_mmhg"],
        integration=SET["burden"]["integration"],
        inequality=SET["burden"]["inequality"],
        episode_min=SET["burden"]["episode_min"],
        merge_gap_min=SET["burden"]["merge_gap_min"],
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
    output:
        estimates="results/models/{model}/estimates.parquet",
        diagnostics="results/models/{model}/diagnostics.parquet",
        flow="results/models/{model}/flow.parquet",
        dropped="results/models/{model}/dropped.parquet",
        alternatives="results/models/{model}/alternatives.parquet",
        risks="results/models/{model}/risks.parquet",
        curve="results/models/{model}/curve.parquet",
        performance="results/models/{model}/performance.parquet",
        data="results/models/{model}/data.csv",
        replicate="results/models/{model}/replicate.R",
        plan="results/models/{model}/plan.yaml",
        summary="results/models/{model}/summary.md",
    resources:
        mem_mb=lambda wildcards, attempt: ONE_MB * attempt,
        runtime=60,
    params:
        plan=lambda wildcards: MODELS[wildcards.model],
        landmark_h=lambda wildcards: SET["windows"][MODELS[wildcards.model]["window"]][
            "end_h"
        ],
        icp_above_mmhg=SET["burden"]["icp_above_mmhg"],
        cpp_below_mmhg=SET["burden"]["cpp_below_mmhg"],
        code=fingerprint.code_of(SCRIPTS / "model.py"),
    script:
        "../scripts/model.py"


rule planning:
    """Say what each model could have shown, and what more patients would."""
    input:
        estimates=expand(rules.model.output.estimates, model=MODELS),
    output:
        planning="results/tables/planning.parquet",
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
    """Hold the p values of models that were declared to be tested together."""
    input:
        estimates=expand(rules.model.output.estimates, model=MODELS),
    output:
        comparisons="results/tables/comparisons.parquet",
    group:
        "report"
    resources:
        mem_mb=lambda wildcards, attempt: ONE_MB * attempt,
        runtime=10,
    params:
        models=MODELS,
        code=fingerprint.code_of(SCRIPTS / "comparisons.py"),
    script:
        "../scripts/comparisons.py"
