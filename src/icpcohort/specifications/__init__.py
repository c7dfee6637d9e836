"""Specifications: one question, answered in every way that could be defended.

`choices` reads what could have been done otherwise and combines it, `analyses` forms the cohort
of each combination from the trends (no waveform is read again), `fits` fits the same model in
each, `joint_test` asks whether all of them together are more than chance, `shares` says which
choice moves the answer.

Source: Simonsohn 2020 (specification curve analysis); Steegen 2016 (the same question over
many data sets made from one).
"""
