"""Retrospective cohort studies of intracranial pressure: from recordings to regression."""

__version__ = "0.1.0"
