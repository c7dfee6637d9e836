"""Signals: samples to block means, masked spans, and an account of every second."""
