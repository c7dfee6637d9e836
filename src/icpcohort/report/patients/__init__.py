"""Patients: pictures and facts of single patients, for the group alone."""
