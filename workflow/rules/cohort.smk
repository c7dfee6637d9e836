rule outcomes:
    """Derive endpoints, with their direction stated, and prognostic risk."""
    input:
        patients=rules.study.output.patients,
    output:
        outcomes="results/outcomes.parquet",
    params:
        favourable_gose=SET["outcomes"]["favourable_gose"],
        impact_form=SET["outcomes"]["impact_form"],
        code=provenance.code_of(SCRIPTS / "outcomes.py"),
    script:
        "../scripts/outcomes.py"


rule cohort:
    """Form each window's cohort, with an account of who left at which step."""
    input:
        patients=rules.study.output.patients,
        outcomes=rules.outcomes.output.outcomes,
        summary=rules.summary.output.summary,
        burden=rules.burden.output.burden,
    output:
        analysis="results/analysis.parquet",
        flow="results/flow.parquet",
        dropped="results/dropped.parquet",
    params:
        windows=SET["windows"],
        min_age_years=SET["cohort"]["min_age_years"],
        icp_above_mmhg=SET["burden"]["icp_above_mmhg"],
        cpp_below_mmhg=SET["burden"]["cpp_below_mmhg"],
        code=provenance.code_of(SCRIPTS / "cohort.py"),
    script:
        "../scripts/cohort.py"


rule table_one:
    """Describe the cohort of the main window by outcome."""
    input:
        analysis=rules.cohort.output.analysis,
    output:
        table="results/tables/table1.parquet",
    params:
        main_window=SET["cohort"]["main_window"],
        icp_above_mmhg=SET["burden"]["icp_above_mmhg"],
        cpp_below_mmhg=SET["burden"]["cpp_below_mmhg"],
        code=provenance.code_of(SCRIPTS / "table_one.py"),
    script:
        "../scripts/table_one.py"


rule intensity_map:
    """Relate episodes by threshold and duration to outcome in each window's cohort."""
    input:
        intensity=rules.intensity.output.intensity,
        analysis=rules.cohort.output.analysis,
    output:
        table="results/intensity_map.parquet",
        transition="results/intensity_transition.parquet",
    params:
        min_patients=SET["intensity_duration"]["min_patients"],
        icp_above_mmhg=SET["burden"]["icp_above_mmhg"],
        cpp_below_mmhg=SET["burden"]["cpp_below_mmhg"],
        code=provenance.code_of(SCRIPTS / "intensity_map.py"),
    script:
        "../scripts/intensity_map.py"
