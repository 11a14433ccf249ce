"""Tests of `api/access/`."""
