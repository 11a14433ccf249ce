"""Tests of `api/planning/`."""
