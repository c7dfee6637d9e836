"""Why: where a number comes from, and why a patient is or is not in an analysis.

`patient` tells one patient's way through the study, `number` makes one number again from the
patient's minutes and names what it rests on, `model` tells who is in a model and who is not.
"""
