"""Tests of `api/places/`."""
