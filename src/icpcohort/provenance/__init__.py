"""Provenance: what made the results: code, plan, versions, and the sums of every file."""
