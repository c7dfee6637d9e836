rule burden:
    """Add up dose, time and episodes beyond each threshold in each window."""
    input:
        minutes=expand(rules.indices.output.minutes, patient=PATIENTS),
    output:
        burden="results/burden.parquet",
    params:
        windows=SET["windows"],
        icp_above_mmhg=SET["burden"]["icp_above_mmhg"],
        cpp_below_mmhg=SET["burden"]["cpp_below_mmhg"],
        integration=SET["burden"]["integration"],
        episode_min=SET["burden"]["episode_min"],
        merge_gap_min=SET["burden"]["merge_gap_min"],
        code=provenance.code_of(SCRIPTS / "burden.py"),
    script:
        "../scripts/burden.py"


rule summary:
    """Summarise pressures and indices of each patient in each window."""
    input:
        minutes=expand(rules.indices.output.minutes, patient=PATIENTS),
    output:
        summary="results/summary.parquet",
    params:
        windows=SET["windows"],
        averaging=SET["reactivity"]["averaging"],
        fisher_clip=SET["reactivity"]["fisher_clip"],
        min_cppopt_h=SET["summary"]["min_cppopt_h"],
        code=provenance.code_of(SCRIPTS / "summary.py"),
    script:
        "../scripts/summary.py"
