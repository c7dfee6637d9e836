"""What the specification curve gives: every way to answer a question, and how they differ."""

from icpcohort.contracts.columns import COUNT, FLAG, REAL, TEXT, Column, Table

QUESTION = Column(TEXT, "", "Question, as named in specifications.yaml")
NUMBER = Column(COUNT, "", "Number of the specification; 1 is that of the plan")
CHOICE = Column(TEXT, "", "What is decided one way or another")
OPTION = Column(TEXT, "", "How it is decided")

SPECIFICATIONS = Table(
    "specifications/specifications.parquet",
    "One row per question and specification: the exposure's adjusted effect",
    ("question", "specification"),
    {
        "question": QUESTION,
        "specification": NUMBER,
        "is_main": Column(FLAG, "", "Whether this specification is the plan's own"),
        "exposure": Column(TEXT, "", "Exposure, as named in the analysis table"),
        "outcome": Column(TEXT, "", "Outcome, as named in the analysis table"),
        "window": Column(TEXT, "", "Exposure window"),
        "estimate": Column(
            REAL, "1", "Log odds ratio for a unit of the exposure; null where there is none"
        ),
        "se": Column(REAL, "1", "Standard error"),
        "p": Column(REAL, "1", "Two-sided p value of this specification alone"),
        "exposure_sd": Column(
            REAL, "", "Standard deviation of the exposure among its patients"
        ),
        "effect": Column(REAL, "1", "Odds ratio for one standard deviation of the exposure"),
        "effect_ci_low": Column(REAL, "1", "Lower 95 % limit"),
        "effect_ci_high": Column(REAL, "1", "Upper 95 % limit"),
        "z": Column(REAL, "1", "Score test of the exposure, as the joint test uses it"),
        "n": Column(COUNT, "", "Patients in the fit"),
        "n_events": Column(COUNT, "", "Patients with the outcome"),
        "reason": Column(TEXT, "", "Why there is no estimate; null where there is one"),
    },
)

SPECIFICATION_OPTIONS = Table(
    "specifications/options.parquet",
    "One row per specification and choice: which option it takes",
    ("question", "specification", "choice"),
    {"question": QUESTION, "specification": NUMBER, "choice": CHOICE, "option": OPTION},
)

SPECIFICATION_CHOICES = Table(
    "specifications/choices.parquet",
    "One row per option: what it stands for, and the effects with it",
    ("question", "choice", "option"),
    {
        "question": QUESTION,
        "choice": CHOICE,
        "option": OPTION,
        "choice_words": Column(TEXT, "", "What is chosen, as declared"),
        "is_main": Column(FLAG, "", "Whether the main specification takes this option"),
        "reason": Column(TEXT, "", "Why it is defensible, as declared"),
        "source": Column(TEXT, "", "Source, as declared"),
        "n_specifications": Column(COUNT, "", "Specifications with it that have an estimate"),
        "effect_median": Column(REAL, "1", "Median odds ratio for one standard deviation"),
        "effect_low": Column(REAL, "1", "Lowest of them"),
        "effect_high": Column(REAL, "1", "Highest of them"),
        "choice_variance_percent": Column(
            REAL,
            "%",
            "Share of the variance of log odds ratios that the choice alone explains; the same "
            "in all its options",
        ),
    },
)

SPECIFICATION_SUMMARY = Table(
    "specifications/summary.parquet",
    "One row per question: all its specifications together",
    ("question",),
    {
        "question": QUESTION,
        "words": Column(TEXT, "", "The question, as declared"),
        "model": Column(TEXT, "", "Model of the analysis plan that is the main specification"),
        "n_specifications": Column(COUNT, "", "Combinations of the options"),
        "n_estimated": Column(COUNT, "", "Of them, those with an estimate"),
        "effect_main": Column(REAL, "1", "Main odds ratio for one standard deviation"),
        "effect_median": Column(REAL, "1", "Median of all"),
        "effect_low": Column(REAL, "1", "Lowest of all"),
        "effect_high": Column(REAL, "1", "Highest of all"),
        "percent_above_1": Column(REAL, "%", "Share of estimates above an odds ratio of 1"),
        "n_excluding_1": Column(COUNT, "", "Estimates whose 95 % interval excludes 1"),
        "interactions_percent": Column(
            REAL, "%", "Share of the variance that no choice explains alone"
        ),
        "mean_z": Column(REAL, "1", "Mean of z over all specifications"),
        "p_joint": Column(REAL, "1", "Two-sided p value of `mean_z` by permutation"),
        "n_beyond": Column(COUNT, "", "Specifications with z beyond 1.96 on its side"),
        "chance_beyond": Column(REAL, "1", "95th percentile of that number by permutation"),
        "p_beyond": Column(REAL, "1", "p value of `n_beyond` by permutation"),
        "n_permutations": Column(COUNT, "", "Permutations"),
    },
)
