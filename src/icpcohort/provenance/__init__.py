"""Provenance: what made the results: code, plan, versions, and the checksum of every file."""
