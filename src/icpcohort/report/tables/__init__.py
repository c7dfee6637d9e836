"""Tables of the report: results as rows of text."""
