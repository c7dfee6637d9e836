rule account:
    """Say what made the results, and keep the fingerprint of every file of them."""
    input:
        finished=[path for path in rules.all.input if path != "results/SHA256SUMS"],
        recordings=rules.collect.output.recordings,
        template=HOME / "workflow/report/provenance.html.j2",
        workflow=HOME / "Snakefile",
    output:
        workflow="results/provenance/Snakefile",
        settings="results/provenance/config.yaml",
        plan="results/provenance/models.yaml",
        crate="results/ro-crate-metadata.json",
        page="results/provenance.html",
        sums="results/SHA256SUMS",
    group:
        "report"
    resources:
        mem_mb=ALL_MB,
        runtime=10,
    params:
        settings=SET,
        models=MODELS,
        tables=[SET["study"][name] for name in study.TABLES],
        files=sorted(
            {
                file
                for each in workflow.rules
                if each.name not in ("all", "account")
                for pattern in getattr(rules, each.name).output
                for file in (
                    expand(
                        pattern,
                        patient=PATIENTS,
                        model=MODELS,
                        batch=BATCHES,
                        signals=list(ALTERNATIVES),
                        question=QUESTIONS,
                    )
                    if "{" in pattern
                    else [pattern]
                )
            }
        ),
        versions=fingerprint.versions(),
        all_code=fingerprint.code_of_all(SCRIPTS),
        code=fingerprint.code_of(SCRIPTS / "account.py"),
    script:
        "../scripts/account.py"
