"""Tests of the single rules."""
