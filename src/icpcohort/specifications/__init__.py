"""Specifications: one question, answered in every way that could be defended.

`choices` reads what could have been done otherwise and combines it, `analyses` forms the cohort
of each combination from the trends (no waveform is read again), `fits` fits the same model in
each, `joint_test` asks whether all of them together are more than chance, `shares` says which
choice moves the answer.

Source: Simonsohn, Simmons and Nelson 2020, Nature Human Behaviour 4:1208-1214 (specification
curve analysis; from memory); Steegen et al. 2016, Perspect Psychol Sci 11:702-712 (the same
question over many data sets made from one; from memory).
"""
