"""Models: from a plan and the analysis table to estimates and an account of rows."""
