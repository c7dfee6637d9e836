"""Spreadsheet: texts of CSV files written so that a spreadsheet shows but never computes them.

Source: OWASP, CSV injection (from memory).
"""

import polars as pl

FORMULA_SIGNS = (*"=+-@\t\r\n", "＝", "＋", "－", "＠")


def safe_text(text: str) -> str:
    """Return a text with a `'` before it where a spreadsheet would take it for a formula."""
    return f"'{text}" if text.lstrip(" ").startswith(FORMULA_SIGNS) else text


def safe_texts(frame: pl.DataFrame) -> pl.DataFrame:
    """Return a table with `safe_text` of every text in it; numbers, flags and nulls stay."""
    return frame.with_columns(
        pl.col(pl.String()).map_elements(safe_text, return_dtype=pl.String())
    )
