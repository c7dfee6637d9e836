rule model:
    """Fit one model of the analysis plan, unadjusted and adjusted."""
    input:
        analysis=rules.cohort.output.analysis,
    output:
        estimates="results/models/{model}/estimates.parquet",
        diagnostics="results/models/{model}/diagnostics.parquet",
        flow="results/models/{model}/flow.parquet",
        dropped="results/models/{model}/dropped.parquet",
    params:
        plan=lambda wildcards: MODELS[wildcards.model],
        icp_above_mmhg=SET["burden"]["icp_above_mmhg"],
        cpp_below_mmhg=SET["burden"]["cpp_below_mmhg"],
        code=provenance.code_of(SCRIPTS / "model.py"),
    script:
        "../scripts/model.py"
