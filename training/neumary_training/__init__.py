"""Datasets, training, calibration and evaluation runs of the sign reader."""
