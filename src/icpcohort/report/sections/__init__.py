"""Sections of the report: tables, figures and sentences in their order."""
