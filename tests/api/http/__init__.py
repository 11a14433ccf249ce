"""Tests of `api/http/`."""
