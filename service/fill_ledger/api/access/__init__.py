"""Principals, keys and rights: who may do what."""
