"""Tests of `api/fleet/`."""
