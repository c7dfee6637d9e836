"""Cohort: endpoints, prognosis, eligibility, and the account of who left where and why."""
