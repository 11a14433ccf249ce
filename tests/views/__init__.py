"""Tests of the views."""
