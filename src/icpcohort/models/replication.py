"""Replication: a script in base R, and its data, that give the numbers of a model again."""

import json

import polars as pl

from icpcohort.contracts import spreadsheet
from icpcohort.models import cox
from icpcohort.models.design import Factor, Term
from icpcohort.models.fit import Fit
from icpcohort.models.fitting import Model
from icpcohort.models.registry import FAMILIES
from icpcohort.study.plan import COX, Plan

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

    One block a completed data set, numbered in `imputation`. Texts are those of
    `spreadsheet.safe_text`, and so are the levels that `script` compares them with.
    """
    model = made.models[-1]
    factors = [factor for term in model.layout.terms for factor in term.factors]
    asked = [plan.exposure, *plan.adjust_for, *(factor.column for factor in factors)]
    asked += [plan.clusters] if plan.clusters else []
    asked += ["entry_h", "exit_h", "died"] if plan.family in COX else [plan.outcome]
    columns = list(dict.fromkeys(asked))
    blocks = [
        frame.select(
            pl.lit(number).alias("imputation"),
            (pl.col("patient_id").rank("dense")).cast(pl.Int64).alias("patient"),
            *columns,
        )
        for number, frame in enumerate(model.frames, start=1)
    ]
    rows = pl.concat(blocks).with_columns(pl.col(pl.Boolean).cast(pl.Int64))
    return spreadsheet.safe_texts(rows)


def script(made: Fit, *, plan: Plan) -> str:
    """Return the text of `replicate.R`, which reads `data` from data.csv beside it.

    It prints the columns adjustment, term, estimate, se, ci_low, ci_high and p, all but the
    baseline hazard of a Cox model. A fit that is not reported is left out, and said so.
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
    body = FAMILIES[plan.family].r_fit.strip().replace("\n", "\n  ")
    parts = [
        head,
        TOOLS,
        f"\nreported <- c({names})\n",
        ANALYSE.format(
            outcome=_text("died" if plan.family in COX else plan.outcome),
            cluster=f"d[[{_text(plan.clusters)}]]" if plan.clusters else "NULL",
            body=f"  {body}",
        ),
        *(_call(model) for model in made.models),
    ]
    return "".join(parts)


def _call(model: Model) -> str:
    """Return the lines that fit and print one model."""
    fitted = model.fitted
    if fitted.coefficients is None:
        return (
            f"\n# The {model.adjustment} model is not reported; diagnostics.parquet says why.\n"
        )
    printed = ", ".join(_text(term) for term in fitted.terms if term != cox.BASELINE)
    columns = ",\n  ".join(_expression(term, model.layout.knots) for term in model.layout.terms)
    return (
        f"\nanalyse({_text(model.adjustment)}, c({printed}), {len(fitted.terms)}, "
        f"function(d) cbind(\n  {columns}\n))\n"
    )


def _expression(term: Term, knots: tuple[float, ...]) -> str:
    return " * ".join(_factor(factor, knots) for factor in term.factors)


def _factor(factor: Factor, knots: tuple[float, ...]) -> str:
    column = f"d[[{_text(factor.column)}]]"
    if factor.level is not None:
        level = int(factor.level) if isinstance(factor.level, bool) else factor.level
        words = spreadsheet.safe_text(level) if isinstance(level, str) else str(level)
        return f"level({column}, {_text(words)})"
    if factor.part is not None:
        return f"bend({column}, c({', '.join(map(repr, knots))}), {factor.part})"
    return column


def _text(words: str) -> str:
    """Return a text as R writes it."""
    return json.dumps(words, ensure_ascii=False)
