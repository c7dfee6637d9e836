rule outcomes:
    """Derive endpoints, with their direction stated, and prognostic risk."""
    input:
        patients=rules.study.output.patients,
    output:
        outcomes="results/outcomes.parquet",
        bands="results/bands.parquet",
    group:
        "cohort"
    resources:
        mem_mb=lambda wildcards, attempt: ONE_MB * attempt,
        runtime=10,
    params:
        favourable_gose=SET["outcomes"]["favourable_gose"],
        impact_form=SET["outcomes"]["impact_form"],
        mortality_horizon_h=SET["outcomes"]["mortality_horizon_h"],
        n_bands=SET["outcomes"]["n_bands"],
        code=fingerprint.code_of(SCRIPTS / "outcomes.py"),
    script:
        "../scripts/outcomes.py"


rule cohort:
    """Form each window's cohort, with an account of who left at which step."""
    input:
        patients=rules.study.output.patients,
        outcomes=rules.outcomes.output.outcomes,
        summary=rules.summary.output.summary,
        burden=rules.burden.output.burden,
        recordings=rules.collect.output.recordings,
        monitors=rules.study.output.monitors,
        events=rules.study.output.events,
    output:
        analysis="results/analysis.parquet",
        flow="results/flow.parquet",
        dropped="results/dropped.parquet",
    group:
        "cohort"
    resources:
        mem_mb=lambda wildcards, attempt: ONE_MB * attempt,
        runtime=10,
    params:
        windows=SET["windows"],
        rules=SET["cohort"]["eligibility"],
        icp_above_mmhg=SET["burden"]["icp_above_mmhg"],
        cpp_below_mmhg=SET["burden"]["cpp_below_mmhg"],
        code=fingerprint.code_of(SCRIPTS / "cohort.py"),
    script:
        "../scripts/cohort.py"


rule monitoring_end:
    """Say when and why each patient's monitoring ended in each window, and count by outcome."""
    input:
        patients=rules.study.output.patients,
        outcomes=rules.outcomes.output.outcomes,
        recordings=rules.collect.output.recordings,
        monitors=rules.study.output.monitors,
        events=rules.study.output.events,
    output:
        ends="results/monitoring_end.parquet",
        by_outcome="results/monitoring_end_by_outcome.parquet",
    group:
        "cohort"
    resources:
        mem_mb=lambda wildcards, attempt: ONE_MB * attempt,
        runtime=10,
    params:
        windows=SET["windows"],
        tolerance_h=SET["cohort"]["monitoring_end_tolerance_h"],
        code=fingerprint.code_of(SCRIPTS / "monitoring_end.py"),
    script:
        "../scripts/monitoring_end.py"


rule table_one:
    """Describe the cohort of the main window by outcome or by exposure."""
    input:
        analysis=rules.cohort.output.analysis,
    output:
        table="results/tables/table1.parquet",
    group:
        "cohort"
    resources:
        mem_mb=lambda wildcards, attempt: ONE_MB * attempt,
        runtime=10,
    params:
        main_window=SET["cohort"]["main_window"],
        groups=SET["cohort"]["table_one"],
        icp_above_mmhg=SET["burden"]["icp_above_mmhg"],
        cpp_below_mmhg=SET["burden"]["cpp_below_mmhg"],
        code=fingerprint.code_of(SCRIPTS / "table_one.py"),
    script:
        "../scripts/table_one.py"


rule handover:
    """Write the analysis table for programs that read no Parquet."""
    input:
        analysis=rules.cohort.output.analysis,
    output:
        csv="results/analysis.csv",
        stata="results/analysis.dta",
        feather="results/analysis.feather",
    group:
        "cohort"
    resources:
        mem_mb=lambda wildcards, attempt: ONE_MB * attempt,
        runtime=10,
    params:
        icp_above_mmhg=SET["burden"]["icp_above_mmhg"],
        cpp_below_mmhg=SET["burden"]["cpp_below_mmhg"],
        code=fingerprint.code_of(SCRIPTS / "handover.py"),
    script:
        "../scripts/handover.py"


rule intensity_map:
    """Relate episodes by threshold and duration to outcome in each window's cohort."""
    input:
        intensity=rules.intensity.output.intensity,
        analysis=rules.cohort.output.analysis,
    output:
        table="results/intensity_map.parquet",
        transition="results/intensity_transition.parquet",
    group:
        "cohort"
    resources:
        mem_mb=lambda wildcards, attempt: ALL_MB * attempt,
        runtime=10,
    params:
        min_patients=SET["intensity_duration"]["min_patients"],
        icp_above_mmhg=SET["burden"]["icp_above_mmhg"],
        cpp_below_mmhg=SET["burden"]["cpp_below_mmhg"],
        code=fingerprint.code_of(SCRIPTS / "intensity_map.py"),
    script:
        "../scripts/intensity_map.py"
