"""Replication: a script in base R, and its data, that give the numbers of a model again."""

import json

import polars as pl

from icpcohort.contracts import spreadsheet
from icpcohort.models.design import Term
from icpcohort.models.fit import Fit
from icpcohort.models.fitting import Model
from icpcohort.models.registry import COMPUTING
from icpcohort.study.families import FAMILIES
from icpcohort.study.plan import Plan

HEAD = """\
# Repeats the model {name} in R, without any code of icpcohort, and prints its estimates.
# In this folder: Rscript replicate.R
# Needs R 4 with its recommended packages survival and MASS.
#
# {question}
# data.csv holds the {n} rows of the fit{imputed}. An empty cell is missing.

data <- read.csv("data.csv", check.names = FALSE, stringsAsFactors = FALSE)
"""

TOOLS = """
# 1 where a column has this level
level <- function(column, value) as.numeric(as.character(column) == value)

# One part of a restricted cubic spline: 0 is the straight one
bend <- function(x, knots, part) {
  if (part == 0) return(x)
  k <- length(knots); u <- function(t) pmax(x - t, 0)^3
  last <- knots[k]; before <- knots[k - 1]; t <- knots[part]
  (u(t) - u(before) * (last - t) / (last - before) + u(last) * (before - t) / (last - before)) /
    (last - knots[1])^2
}

sandwich <- function(bread, scores) crossprod(scores %*% t(bread))

# Errors robust against the model, or between clusters, where the plan asks for them
finish <- function(b, V, df = NULL, limits = NULL, p = NULL, scores = NULL, robust = FALSE,
                   cluster = get("cluster", envir = parent.frame())) {
  W <- if (robust) sandwich(V, scores) else V
  if (!is.null(scores) && !is.null(cluster)) {
    sums <- rowsum(scores, cluster); n <- nrow(sums)
    W <- sandwich(V, sums) * n / (n - 1); df <- n - 1
  }
  list(b = unname(b), V = unname(W), df = df, limits = limits, p = p)
}

# Rubin's rules, with the degrees of freedom of Barnard and Rubin
pool <- function(fits, complete_df) {
  m <- length(fits); if (m == 1) return(fits[[1]])
  Q <- do.call(rbind, lapply(fits, function(fit) fit$b))
  W <- Reduce(`+`, lapply(fits, function(fit) fit$V)) / m
  B <- cov(Q); V <- W + (1 + 1 / m) * B
  r <- (1 + 1 / m) * diag(B) / diag(W); share <- (1 + 1 / m) * diag(B) / diag(V)
  if (!is.null(fits[[1]]$df)) complete_df <- fits[[1]]$df
  observed <- (complete_df + 1) / (complete_df + 3) * complete_df * (1 - share)
  list(b = colMeans(Q), V = V, df = 1 / (1 / ((m - 1) * (1 + 1 / r)^2) + 1 / observed))
}

show <- function(adjustment, terms, fit) {
  se <- sqrt(diag(fit$V)); df <- if (is.null(fit$df)) Inf else fit$df
  limits <- fit$b + outer(qt(0.975, df) * se, c(-1, 1))
  if (!is.null(fit$limits)) limits <- fit$limits
  p <- if (is.null(fit$p)) 2 * pt(-abs(fit$b / se), df) else fit$p
  rows <- data.frame(adjustment = adjustment, term = terms, estimate = fit$b, se = se,
                     ci_low = limits[, 1], ci_high = limits[, 2], p = p)
  first <- adjustment == reported[1]
  write.table(rows, sep = ",", row.names = FALSE, col.names = first, qmethod = "double")
}
"""

ANALYSE = """
fit_one <- function(d, columns) {{
  X <- columns(d); y <- as.numeric(d[[{outcome}]]); cluster <- {cluster}
  entry_h <- d[["entry_h"]]; exit_h <- d[["exit_h"]]
{body}
}}
n <- length(unique(data[["patient"]]))
analyse <- function(adjustment, terms, k, columns) {{
  fits <- lapply(split(data, data[["imputation"]]), fit_one, columns = columns)
  show(adjustment, terms, pool(fits, n - k))
}}
"""


def data(made: Fit, *, plan: Plan) -> pl.DataFrame:
    """Return the rows of the fit as R reads them: flags 0 and 1, patients by number.

    One block per completed data set, numbered in `imputation`. Texts are those of
    `spreadsheet.safe_text`, and so are the levels that `script` compares them with.
    """
    model = made.models[-1]
    used = [plan.exposure, *plan.covariates]
    used += [plan.clusters] if plan.clusters else []
    used += ["entry_h", "exit_h", "died"] if FAMILIES[plan.family].timed else [plan.outcome]
    columns = list(dict.fromkeys(used))
    blocks = [
        frame.select(
            pl.lit(number).alias("imputation"),
            (pl.col("patient_id").rank("dense")).cast(pl.Int64).alias("patient"),
            *columns,
        )
        for number, frame in enumerate(model.frames, start=1)
    ]
    rows = pl.concat(blocks).rename({"died": had_event(plan)} if "died" in columns else {})
    rows = rows.with_columns(pl.col(pl.Boolean).cast(pl.Int64))
    return spreadsheet.safe_texts(rows)


def had_event(plan: Plan) -> str:
    """Return the column that says whether the event of a timed family ended a row."""
    return "died" if plan.event is None else "had_event"


def script(made: Fit, *, plan: Plan) -> str:
    """Return the text of `replicate.R`, which reads `data` from data.csv beside it.

    It prints the columns adjustment, term, estimate, se, ci_low, ci_high and p, all but the
    baseline of a timed family. A fit that is not reported is left out, and said so.
    """
    frames = made.models[-1].frames
    m = len(frames)
    head = HEAD.format(
        name=plan.name,
        question=" ".join(plan.question.split()),
        n=frames[0].height,
        imputed=f", {m} times over with imputed values" if m > 1 else "",
    )
    reported = [model for model in made.models if model.fitted.coefficients]
    names = ", ".join(_text(model.adjustment) for model in reported)
    timed = FAMILIES[plan.family].timed
    body = COMPUTING[plan.family].r_fit.strip().replace("\n", "\n  ")
    parts = [
        head,
        TOOLS,
        f"\nreported <- c({names})\n",
        ANALYSE.format(
            outcome=_text(had_event(plan) if timed else plan.outcome),
            cluster=f"d[[{_text(plan.clusters)}]]" if plan.clusters else "NULL",
            body=f"  {body}",
        ),
        *(_call(model, timed=timed) for model in made.models),
    ]
    return "".join(parts)


def _call(model: Model, *, timed: bool) -> str:
    """Return the lines that fit and print one model, without the baseline of a timed one."""
    fitted = model.fitted
    if fitted.coefficients is None:
        return (
            f"\n# The {model.adjustment} model is not reported; diagnostics.parquet says why.\n"
        )
    terms = model.layout.terms if timed else fitted.terms
    printed = ", ".join(_text(term.name) for term in terms)
    columns = ",\n  ".join(_expression(term, model.layout.knots) for term in model.layout.terms)
    return (
        f"\nanalyse({_text(model.adjustment)}, c({printed}), {len(fitted.terms)}, "
        f"function(d) cbind(\n  {columns}\n))\n"
    )


def _expression(term: Term, knots: tuple[float, ...]) -> str:
    """Return a term's column as R computes it: numbers, a level, or the product of both."""
    column = _column(term.column)
    if term.part is not None:
        return f"bend({column}, c({', '.join(map(repr, knots))}), {term.part - 1})"
    if term.level is None:
        return column
    level = int(term.level) if isinstance(term.level, bool) else term.level
    words = spreadsheet.safe_text(level) if isinstance(level, str) else str(level)
    has_level = f"level({_column(term.modifier or term.column)}, {_text(words)})"
    return has_level if term.modifier is None else f"{column} * {has_level}"


def _column(name: str | None) -> str:
    return f"d[[{_text(str(name))}]]"


def _text(words: str) -> str:
    """Return a text as R writes it."""
    return json.dumps(words, ensure_ascii=False)
