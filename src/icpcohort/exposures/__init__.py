"""Exposures: minutes to burden and summaries, window by window."""
