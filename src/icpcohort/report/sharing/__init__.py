"""Sharing: the folder of aggregates that may leave the group."""
