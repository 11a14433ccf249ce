"""Tests of `api/document/`."""
