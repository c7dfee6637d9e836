"""Indices: block means to minutes with PRx and its relatives, and to CPPopt."""
