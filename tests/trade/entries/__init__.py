"""Tests of `trade/entries/`."""
