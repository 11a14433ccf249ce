"""Tests of `api/question/`."""
