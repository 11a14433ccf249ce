"""Tests of the pure trade package."""
