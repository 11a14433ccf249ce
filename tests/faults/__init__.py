"""Tests that break something on purpose: lost connections, killed servers, full disks."""
