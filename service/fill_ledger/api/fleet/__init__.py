"""Cylinders, what is on them and stands against them, and the inventory file."""
