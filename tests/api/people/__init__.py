"""Tests of `api/people/`."""
