"""Tests of `api/record/`."""
