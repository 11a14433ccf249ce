"""Tests of `api/rulebook/`."""
