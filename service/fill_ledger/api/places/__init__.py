"""Departments, their policies, stations, fill positions and air."""
