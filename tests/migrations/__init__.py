"""Tests of the migrations."""
