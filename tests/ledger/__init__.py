"""Tests of the append-only log."""
