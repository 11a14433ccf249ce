"""Calculations for people at a fill station: plans and forecasts. Nothing here is recorded."""
