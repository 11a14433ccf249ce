"""Measurements: figures with percentiles, the seed and the machine they were taken on."""
