"""Tests of air as a real gas, of stored air and of plans."""
