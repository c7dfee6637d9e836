"""Commands: one module per verb of `icpcohort`."""
