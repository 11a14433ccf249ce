"""Checks against published sources; each check names its source."""
