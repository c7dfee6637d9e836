"""Commands: one module a verb of `icpcohort`."""
