"""The names of the files that may leave the group, which the workflow must know beforehand."""

SHEETS = (
    *("flow.csv", "table1.csv", "recorded.csv", "monitors.csv", "burden.csv"),
    *("reactivity.csv", "estimates.csv"),
)
FILES = (*SHEETS, "methods.md", "README.md")
