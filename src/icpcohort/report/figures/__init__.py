"""Figures of the report, and how any of them is drawn."""
