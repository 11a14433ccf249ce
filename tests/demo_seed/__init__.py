"""Tests of the invented county and of the demonstration."""
